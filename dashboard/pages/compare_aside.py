"""The form by which a run is set aside with a reason, or taken back."""

from __future__ import annotations

import asyncio
from typing import Any

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, ctx, html
from dash.development.base_component import Component

from dashboard.access.callbacks import changing
from dashboard.exclusions import TAKEN_BACK, decide
from dashboard.pages.locked import lock, why_locked
from dashboard.run_library import RunLibrary
from logger.errors import BadInput
from logger.recording.run import Run

_FIELD = {"size": "md", "className": "field"}


def setting_aside() -> Component:
    """The form by which a run is left out of the statistics, with a reason."""
    return html.Details(
        [
            html.Summary("Set a run aside, or take it back"),
            html.P(
                "A run that is set aside stays in sight and out of the statistics. The reason is "
                "kept beside the run, with the date; the recording itself is never changed.",
                className="muted small",
            ),
            html.Div(
                [
                    dmc.Select(id="aside-run", label="Run", data=[], **_FIELD, **lock()),
                    dmc.TextInput(id="aside-reason", label="Reason", **_FIELD, **lock()),
                    dmc.TextInput(id="aside-by", label="By", **_FIELD, **lock()),
                    _button("Set aside", "aside-out"),
                    _button("Take back", "aside-in"),
                ],
                className="aside-form",
            ),
            *why_locked(),
            html.P(id="aside-said", role="status"),
        ],
        className="card setting-aside",
        id="setting-aside",
        hidden=True,
    )


def _button(words: str, key: str) -> Component:
    return html.Button(words, id=key, className="button", type="button", **lock())


def register_aside(app: dash.Dash, library: RunLibrary) -> None:
    """Adds the callback that keeps what was decided."""

    @app.callback(
        Output("compare-decided", "data"),
        Output("aside-said", "children"),
        Output("aside-reason", "value"),
        Input("aside-out", "n_clicks"),
        Input("aside-in", "n_clicks"),
        State("aside-run", "value"),
        State("aside-reason", "value"),
        State("aside-by", "value"),
        State("compare-decided", "data"),
        prevent_initial_call=True,
    )
    @changing
    async def keep(
        _out: int | None,
        _in: int | None,
        run_id: str | None,
        reason: str | None,
        by: str | None,
        decided: int | None,
    ) -> tuple[Any, ...]:
        excluded = ctx.triggered_id == "aside-out"
        run = await asyncio.to_thread(library.find, run_id or "")
        if run is None:
            return dash.no_update, "✖ Choose the run first.", dash.no_update
        words = reason or ("" if excluded else TAKEN_BACK)
        try:
            await asyncio.to_thread(_keep, run, excluded=excluded, words=words, by=by or "")
        except BadInput as exc:
            return dash.no_update, f"✖ {exc}", dash.no_update
        said = "set aside" if excluded else "taken back"
        return (decided or 0) + 1, f"✓ {run.header.run_id} is {said}.", ""


def _keep(run: Run, *, excluded: bool, words: str, by: str) -> None:
    decide(run.path, excluded=excluded, reason=words, by=by)
