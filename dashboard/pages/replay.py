"""Replay of a run: traces, plan and numbers at one moment, which a scrubber moves.

Everything that has to follow the scrubber is drawn in the browser, from a compact copy of the
run that is sent once. The server is asked again for two things only: the traces of a stretch
that was zoomed into, and the exact readings at the moment where the scrubber came to rest.
"""

from __future__ import annotations

import asyncio
from concurrent.futures import Future
from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Input, Output, Patch, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.figures.envelope import encode
from dashboard.figures.moments import WORDS_OF_KIND, Moment, moments_of
from dashboard.figures.palette import palette_of
from dashboard.figures.plan_view import plan_figure, plan_summary
from dashboard.figures.readings import Readings
from dashboard.figures.replay_copy import plan_state_at, reading_at, replay_copy, ring_of
from dashboard.figures.traces import traces_figure, traces_summary, window_of
from dashboard.figures.truck_outline import outline_of
from dashboard.figures.words import clock_words
from dashboard.pages.attributes import aria, data
from dashboard.pages.page import Page, Query
from dashboard.pages.title import run_title
from dashboard.run_library import Result, RunLibrary, failure_words
from logger.errors import RunUnreadable
from logger.recording.run import Run

_SPEEDS = ("0.25", "0.5", "1", "2", "5", "10")
_NUMBERS = (
    ("slew", "Slew", "deg"),
    ("load", "Load", "kg"),
    ("radius", "Radius", "m"),
    ("moment", "Moment", "kN·m"),
    ("share", "Of the required moment", "%"),
)
_TRACES: Any = {
    "displaylogo": False,
    "displayModeBar": False,
    "responsive": True,
    "doubleClick": "reset",
    "showTips": False,
}
_PLAN: Any = _TRACES | {"staticPlot": True}


def layout(_library: RunLibrary, run: Run | None, query: Query) -> Component:
    """The page, still without figures."""
    if run is None:
        raise PreventUpdate
    return html.Div(
        [
            dcc.Store(id="replay-run", data={"run": run.header.run_id, "t_s": query.t_s}),
            dcc.Store(id="replay-copy"),
            dcc.Store(id="replay-rest"),
            dcc.Store(id="replay-exact"),
            run_title(run, "Replay"),
            html.P(id="replay-error", className="invalid"),
            html.Div([_left(), _right()], className="replay"),
            _transport(),
        ],
        id="replay",
    )


def _left() -> Component:
    return html.Section(
        [
            html.Div([_number(*n) for n in _NUMBERS], className="numbers"),
            html.Div(id="readout-load-place", className="place", **aria(live="off")),
            html.Figure(
                [
                    html.Div(id="plan-frame", className="plan"),
                    html.Figcaption(id="plan-words", className="muted small"),
                ],
                **aria(label="The truck seen from above"),
            ),
        ],
        className="card at-moment",
    )


def _number(key: str, words: str, unit: str) -> Component:
    return html.Div(
        [
            html.Div(words, className="muted small"),
            html.Div(
                [html.Span("—", id=f"readout-{key}", className="value"), html.Span(f" {unit}")]
                if key != "slew"
                else html.Span("—", id=f"readout-{key}", className="value"),
                className="figure",
            ),
        ],
        className=f"number of-{key}",
    )


def _right() -> Component:
    return html.Section(
        [
            html.Figure(
                [
                    html.Div(
                        [
                            html.Div(id="traces-frame", className="traces"),
                            html.Div(id="cursor", className="cursor", **aria(hidden="true")),
                        ],
                        className="traces-frame",
                    ),
                    html.Figcaption(id="traces-words", className="muted small"),
                ],
                **aria(label="Readings over time"),
            ),
            html.P(
                "Drag across the traces to zoom, double-click to see all, click to go there.",
                className="muted small",
            ),
            html.H2("Moments"),
            html.Div(id="moments"),
        ],
        className="card",
    )


def _transport() -> Component:
    """The bar that moves the moment; its targets are large enough for gloves."""
    return html.Div(
        [
            html.Button("◂ Event", id="previous-event", title="Previous event (key p)"),
            html.Button("Play", id="play", className="main", title="Play or pause (space bar)"),
            html.Button("Event ▸", id="next-event", title="Next event (key n)"),
            html.Label(
                [
                    html.Span("Time, s", className="muted small"),
                    dmc.NumberInput(
                        id="go-to",
                        value=0,
                        decimalScale=4,
                        hideControls=True,
                        size="md",
                        debounce=True,
                        **aria(label="Time since the start, seconds"),
                    ),
                ],
                className="go-to",
            ),
            html.Output("0:00.0", id="readout-time", className="time"),
            html.Div(id="scrubber", className="scrubber"),
            dmc.SegmentedControl(
                id="speed",
                value="1",
                data=[{"value": s, "label": f"{s}×"} for s in _SPEEDS],
                size="md",
                **aria(label="Speed"),
            ),
        ],
        className="transport",
        role="group",
        **aria(label="Replay"),
    )


def _register(app: dash.Dash, library: RunLibrary) -> None:
    _register_drawing(app, library)
    _register_reading(app, library)
    outputs = {
        "load": (Output("replay", "data-ready"), [Input("replay-copy", "data")]),
        "goTo": (Output("replay", "data-goto"), [Input("go-to", "value")]),
        "speed": (Output("replay", "data-speed"), [Input("speed", "value")]),
        "exact": (Output("replay", "data-exact"), [Input("replay-exact", "data")]),
        "drawn": (Output("replay", "data-drawn"), [Input("plan", "figure")]),
    }
    for name, (output, inputs) in outputs.items():
        app.clientside_callback(  # type: ignore[no-untyped-call]
            ClientsideFunction(namespace="replay", function_name=name), output, *inputs
        )


def _register_drawing(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output("plan-frame", "children"),
        Output("traces-frame", "children"),
        Output("replay-copy", "data"),
        Output("plan-words", "children"),
        Output("traces-words", "children"),
        Output("moments", "children"),
        Output("replay-error", "children"),
        Input("replay-run", "data"),
        Input("screen", "data"),
    )
    async def draw(asked: dict[str, Any] | None, screen: dict[str, Any] | None) -> tuple[Any, ...]:
        if not asked or not screen:
            raise PreventUpdate
        run = library.find(asked["run"])
        if run is None:
            raise PreventUpdate
        analysis = library.result(run)  # goes on while the readings are read
        try:
            readings = await asyncio.to_thread(library.readings, run)
        except RunUnreadable as exc:
            return (*[dash.no_update] * 6, f"✖ {exc}")
        result, failure = await _done(analysis)
        drawn = await asyncio.to_thread(_draw, run, readings, result, screen, asked["t_s"])
        return (*drawn, failure)


async def _done(analysis: Future[Result]) -> tuple[Result | None, str]:
    await asyncio.wait([asyncio.wrap_future(analysis)])
    failure = failure_words(analysis)
    return (None, f"✖ Not analysed: {failure}") if failure else (analysis.result(), "")


def _draw(
    run: Run, readings: Readings, result: Result | None, screen: dict[str, Any], t_s: float | None
) -> tuple[Any, ...]:
    palette = palette_of(screen["scheme"])
    test = run.header.test
    moments = moments_of(result, readings, run.notes)
    start_s, end_s = (t / 1e9 for t in readings.span_ns)
    at_s = min(max(start_s if t_s is None else t_s, start_s), end_s)
    state = plan_state_at(readings, round(at_s * 1e9))
    names = [w.name for w in readings.wheels]
    plan = plan_figure(
        outline_of(test), state, palette, names=names, ring_m=ring_of(readings, result)
    )
    traces = traces_figure(
        readings, moments, palette, run_id=run.header.run_id, narrow=screen["narrow"]
    )
    copy = replay_copy(readings, moments, result) | {"t_s": at_s, "run": run.header.run_id}
    return (
        dcc.Graph(id="plan", figure=plan, config=_PLAN, className="plan"),
        dcc.Graph(id="traces", figure=traces, config=_TRACES, className="traces"),
        copy,
        plan_summary(state, names),
        traces_summary(readings, moments),
        _moment_list(moments),
    )


def _moment_list(moments: tuple[Moment, ...]) -> Component:
    if not moments:
        return html.P("Nothing was found in this run.", className="muted")
    rows = [
        html.Button(
            [
                html.Span(clock_words(m.t_s), className="when"),
                html.Span(WORDS_OF_KIND[m.kind], className="kind"),
                html.Bdi(m.words, className="what"),
            ],
            className="moment",
            **data(seek=repr(m.t_s)),
        )
        for m in moments
    ]
    return html.Div(rows, className="moments")


def _register_reading(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output("traces", "figure", allow_duplicate=True),
        Input("traces", "relayoutData"),
        State("replay-run", "data"),
        prevent_initial_call=True,
    )
    async def zoom(view: dict[str, Any] | None, asked: dict[str, Any] | None) -> Patch:
        readings = await _readings_of(library, asked)
        window = _window_seen(view or {}, readings)
        if window is None:
            raise PreventUpdate
        drawn = await asyncio.to_thread(window_of, readings, *window)
        patch = Patch()
        for index, (x, y) in enumerate(drawn):
            patch["data"][index]["x"] = encode(x)
            patch["data"][index]["y"] = encode(y)
        return patch

    @app.callback(
        Output("replay-exact", "data"),
        Input("replay-rest", "data"),
        State("replay-run", "data"),
        prevent_initial_call=True,
    )
    async def exact(t_s: float | None, asked: dict[str, Any] | None) -> dict[str, Any]:
        readings = await _readings_of(library, asked)
        if t_s is None:
            raise PreventUpdate
        return reading_at(readings, round(t_s * 1e9)) | {"t_s": t_s}


async def _readings_of(library: RunLibrary, asked: dict[str, Any] | None) -> Readings:
    run = library.find(asked["run"]) if asked else None
    if run is None:
        raise PreventUpdate
    return await asyncio.to_thread(library.readings, run)


def _window_seen(view: dict[str, Any], readings: Readings) -> tuple[float, float] | None:
    """What is seen after a zoom, s; None where the zoom did not change."""
    whole = readings.span_ns[0] / 1e9, readings.span_ns[1] / 1e9
    if view.get("xaxis.autorange"):
        return whole
    low = view.get("xaxis.range[0]", (view.get("xaxis.range") or [None])[0])
    high = view.get("xaxis.range[1]", (view.get("xaxis.range") or [None])[-1])
    if low is None or high is None:
        return None
    return float(low), float(high)


PAGE = Page(path="/replay", of_run=True, layout=layout, register=_register)
