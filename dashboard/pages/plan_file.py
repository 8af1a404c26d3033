"""Saving the form: the file, its text, and the commands that come next.

Only a file that would be accepted is saved. What is not right yet is kept in the browser anyway,
and a half-written test file beside a crane would be taken for a finished one.
"""

from __future__ import annotations

import asyncio
from typing import Any

import dash
from dash import ClientsideFunction, Input, Output, State, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import changing, reading
from dashboard.pages.attributes import aria
from dashboard.pages.locked import lock, why_locked
from dashboard.pages.plan_checks import check_values
from dashboard.test_form.checked import CheckedForm


def file_card() -> Component:
    """The card, its text still to come."""
    return html.Section(
        [
            html.H2("Test file"),
            html.Div(
                [
                    html.Button(
                        "Save the test file", id="plan-save", className="button main", **lock()
                    ),
                    html.Button("Copy its text", id="plan-copy", className="button"),
                ],
                className="plan-tools",
            ),
            html.P(id="plan-saved", className="plan-saved", role="status"),
            *why_locked(),
            html.Details(
                [
                    html.Summary("The file's text"),
                    html.P(id="plan-text-note", className="small muted"),
                    html.Pre(id="plan-text", tabIndex="0", **aria(label="The file's text")),
                ]
            ),
            html.Details(
                [
                    html.Summary("The commands that follow"),
                    html.Pre(id="plan-commands", tabIndex="0", **aria(label="Commands")),
                ]
            ),
        ],
        className="card plan-file",
    )


def file_name(checked: CheckedForm) -> str:
    """What the file is called; the test's id is letters, digits, ``_``, ``.`` and ``-``."""
    return f"test-{checked.test.test.id}.toml" if checked.test is not None else "test.toml"


def commands(name: str) -> str:
    """What to run with a saved file, a command a line."""
    return "\n".join(
        (
            f"slewtrace plan --test {name}",
            f"slewtrace check --rig rig.toml --test {name}",
            f"slewtrace record --rig rig.toml --test {name} -o runs",
        )
    )


def register_file(app: dash.Dash) -> None:
    """Adds the callbacks that show the text and save it."""

    @app.callback(
        Output("plan-text", "children"),
        Output("plan-text-note", "children"),
        Output("plan-commands", "children"),
        Input("plan-checked", "data"),
        State("plan-values", "data"),
        prevent_initial_call=True,
    )
    @reading
    def show(checked: dict[str, Any] | None, asked: dict[str, Any] | None) -> tuple[str, str, str]:
        if not checked or not asked:
            raise PreventUpdate
        notes = []
        if checked["mistakes"]:
            notes.append("Not right yet: no command takes it as it stands.")
        if not checked["remarks_kept"]:
            notes.append("It was written anew: its remarks are not in it.")
        test_id = str(asked["values"].get("test/id", "")).strip()
        name = "test.toml" if checked["mistakes"] else f"test-{test_id}.toml"
        return checked["toml"], " ".join(notes), commands(name)

    @app.callback(
        Output("plan-download", "data"),
        Output("plan-saved", "children"),
        Input("plan-save", "n_clicks"),
        State("plan-values", "data"),
        prevent_initial_call=True,
    )
    @changing
    async def save(clicks: int | None, asked: dict[str, Any] | None) -> tuple[Any, Any]:
        if not clicks or not asked:
            raise PreventUpdate
        checked, _plan = await asyncio.to_thread(check_values, asked)
        count = len(checked.mistakes)
        if count:
            what = "1 mistake is" if count == 1 else f"{count} mistakes are"
            return no_update, (
                f"✖ Not saved: {what} in the form, and no command would take the file. "
                "What you typed is kept in this browser."
            )
        name = file_name(checked)
        return {"content": checked.toml.text, "filename": name}, f"■ Saved as {name}"

    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="plan", function_name="saved"),
        Output("plan-drawn", "dir"),
        Input("plan-saved", "children"),
        prevent_initial_call=True,
    )
