"""A drawing that is part of its page, so that scripts and style sheets reach into it."""

from __future__ import annotations

from typing import Any

from dash.development.base_component import Component


class Drawing(Component):
    """An SVG drawing, which ``assets/inert.js`` puts into the page.

    Args:
        svg: the drawing, made by this program, every word from a file in it escaped.
        id: of the element that holds it.
        className: of the same.
    """

    _namespace = "slewtrace"
    _type = "Drawing"
    _prop_names = ["id", "className", "svg"]  # noqa: RUF012 - lists, as Dash's own components
    _valid_wildcard_attributes: list[str] = []  # noqa: RUF012

    def __init__(self, svg: str, **named: Any) -> None:
        super().__init__(svg=svg, **named)  # type: ignore[no-untyped-call]
