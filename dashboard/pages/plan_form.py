"""The form of the page Plan: its description for the browser, and files that are opened in it."""

from __future__ import annotations

import asyncio
from functools import cache
from typing import Any

import dash
from dash import ClientsideFunction, Input, Output
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.test_form.fields import Field, Group, form_fields
from dashboard.test_form.filled_in import values_of
from dashboard.test_form.toml_text import read_document
from logger.errors import FileInvalid
from logger.readings.chart_table import read_load_chart


@cache
def form_description() -> list[dict[str, Any]]:
    """The fields of the form, as plain values for the browser."""
    return [_described(group) for group in form_fields()]


def opened_form(opened: dict[str, Any]) -> dict[str, Any]:
    """The form for a file that was opened.

    Args:
        opened: the file's ``text`` and ``name``, and what stood in the form when it was kept
            (``values``), if it was.

    Returns:
        ``form``, ``values`` and what was opened; or ``refused``, why it can't be opened, one line.
    """
    name = str(opened.get("name") or "test.toml")
    text = str(opened["text"]).removeprefix("\ufeff")
    chart = opened.get("chart")
    try:
        values = values_of(read_document(text, name=name))
        if chart:
            read_load_chart(str(chart["text"]), name=str(chart["name"]))
    except FileInvalid as exc:
        return {"refused": str(exc)}
    kept = opened.get("values")
    return {
        "form": form_description(),
        "values": kept or values,
        "text": text,
        "name": name,
        "source": opened.get("source"),
        "chart": chart,
    }


def register_form(app: dash.Dash) -> None:
    """Adds the callbacks that read what is opened, and draw the form."""

    @app.callback(
        Output("plan-shape", "data"), Input("plan-opened", "data"), prevent_initial_call=True
    )
    @reading
    async def read(opened: dict[str, Any] | None) -> dict[str, Any]:
        if not opened:
            raise PreventUpdate
        return await asyncio.to_thread(opened_form, opened)

    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="plan", function_name="draw"),
        Output("plan-drawn", "title"),
        Input("plan-shape", "data"),
        prevent_initial_call=True,
    )
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="plan", function_name="mark"),
        Output("plan-drawn", "lang"),
        Input("plan-checked", "data"),
        prevent_initial_call=True,
    )


def _described(entry: Field | Group) -> dict[str, Any]:
    said = {
        "key": entry.key,
        "kind": entry.kind,
        "label": entry.words.label,
        "hint": entry.words.hint,
        "rare": entry.words.rare,
    }
    if isinstance(entry, Field):
        return said | {
            "required": entry.required,
            "usual": entry.usual,
            "options": [list(option) for option in entry.options],
        }
    return said | {
        "optional": entry.optional,
        "entries": [_described(e) for e in entry.entries],
    }
