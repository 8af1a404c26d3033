"""Parts of a page that no callback reads or writes: drawn at once, and never looked at again.

Dash asks every component on a page, after every change of any of them, whether it is concerned.
Tables of hundreds of cells make that the greater part of opening a page, so what never changes
is handed over as one component, which ``assets/inert.js`` draws.
"""

from __future__ import annotations

from typing import Any

from dash.development.base_component import Component


class Inert(Component):
    """Elements and links that no callback names, as one component.

    Args:
        children: what it holds: elements of :mod:`dash.html` and links, none of which is an input
            or an output of a callback.
    """

    _namespace = "slewtrace"
    _type = "Inert"
    _prop_names = ["children"]  # noqa: RUF012 - lists, as Dash's own components have them
    _valid_wildcard_attributes: list[str] = []  # noqa: RUF012

    def __init__(self, *children: Any) -> None:
        super().__init__(children=list(children))  # type: ignore[no-untyped-call]

    def to_plotly_json(self) -> dict[str, Any]:
        """As it is sent: under a name that Dash does not search for components."""
        return {
            "namespace": self._namespace,
            "type": self._type,
            "props": {"parts": self.children},
        }
