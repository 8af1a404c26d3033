"""Replay of a run: traces, plan and numbers at one moment, which a scrubber moves.

Everything that has to follow the scrubber is drawn in the browser, from a compact copy of the
run that is sent once. The server is asked again for what needs the readings themselves: the
traces of a stretch that was zoomed into, another run laid over this one, the exact readings at
the moment where the scrubber came to rest, and the times of the readings next to it. The page
opens from the run's overview and does not wait for its result, which is added when it is there.
"""

from __future__ import annotations

import dash
from dash import dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.pages import replay_drawing, replay_notes, replay_reading
from dashboard.pages.page import Page, Query, number_of
from dashboard.pages.replay_parts import at_moment, traces_card, transport
from dashboard.pages.replay_tools import tools_card
from dashboard.pages.title import run_title
from dashboard.run_library import RunLibrary
from logger.recording.run import Run

_STORES = ("traces", "copy", "found", "rest", "exact", "noted", "asked-times", "times")


def layout(library: RunLibrary, run: Run | None, query: Query) -> Component:
    """The page, still without figures."""
    if run is None:
        raise PreventUpdate
    library.prepare(run)
    asked = {
        "run": run.header.run_id,
        "t_s": query.t_s,
        "units": query.units.name,
        **{key: number_of(query.words.get(key)) for key in ("from", "to", "pin")},
        "marks": query.words.get("marks", ""),
    }
    return html.Div(
        [
            dcc.Store(id="replay-run", data=asked),
            *(dcc.Store(id=f"replay-{name}") for name in _STORES),
            run_title(run, "Replay"),
            html.P(id="replay-error", className="invalid"),
            html.Div(
                [
                    at_moment(query.units),
                    html.Div([traces_card(library, run, query), tools_card(run)]),
                ],
                className="replay",
            ),
            transport(),
        ],
        id="replay",
    )


def _register(app: dash.Dash, library: RunLibrary) -> None:
    replay_drawing.register(app, library)
    replay_reading.register(app, library)
    replay_notes.register(app, library)


PAGE = Page(path="/replay", of_run=True, layout=layout, register=_register)
