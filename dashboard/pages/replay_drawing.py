"""Figures of the replay page: at first sight, with the result, after a zoom, with another run."""

from __future__ import annotations

import asyncio
from concurrent.futures import Future
from typing import Any

import dash
from dash import Input, Output, State, dcc
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.figures.angle_view import angle_figure, angle_summary, sweeps_of
from dashboard.figures.moments import moments_of
from dashboard.figures.overview import Overview
from dashboard.figures.palette import palette_of
from dashboard.figures.replay_copy import moment_marks, replay_copy, ring_of
from dashboard.figures.traces import (
    lanes_of,
    lanes_place,
    lines_of,
    traces_figure,
    traces_summary,
)
from dashboard.figures.truck_plan import truck_plan_svg
from dashboard.figures.units import Units, units_of
from dashboard.pages.drawing import Drawing
from dashboard.pages.inert import Inert
from dashboard.pages.replay_notes import all_notes
from dashboard.pages.replay_tools import moment_list, moments_table
from dashboard.run_library import RunLibrary
from dashboard.shelf.analyses import Result, failure_words
from logger.errors import RunUnreadable
from logger.recording.run import Run

GRAPH: Any = {
    "displaylogo": False,
    "displayModeBar": False,
    "responsive": True,
    "doubleClick": "reset",
    "showTips": False,
}
Asked = dict[str, Any]


def register(app: dash.Dash, library: RunLibrary) -> None:
    """Adds the callbacks."""
    _register_first_sight(app, library)
    _register_result(app, library)
    _register_angles(app, library)


def _register_first_sight(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output("plan-frame", "children"),
        Output("replay-traces", "data"),
        Output("replay-copy", "data"),
        Output("traces-words", "children"),
        Output("replay-error", "children"),
        Input("replay-run", "data"),
        Input("screen", "data"),
    )
    @reading
    async def draw(asked: Asked | None, screen: dict[str, Any] | None) -> tuple[Any, ...]:
        if not asked or not screen:
            raise PreventUpdate
        run = await _run(library, asked)
        try:
            overview = await asyncio.to_thread(library.overview, run)
        except RunUnreadable as exc:
            return (*[dash.no_update] * 4, f"✖ {exc}")
        return (*await asyncio.to_thread(_draw, library, run, overview, screen, asked), "")


async def _run(library: RunLibrary, asked: Asked) -> Run:
    run = await asyncio.to_thread(library.find, asked["run"])
    if run is None:
        raise PreventUpdate
    return run


def _draw(
    library: RunLibrary, run: Run, overview: Overview, screen: dict[str, Any], asked: Asked
) -> tuple[Any, ...]:
    palette, units = palette_of(screen["scheme"]), units_of(asked["units"])
    analysis = library.result(run)
    result = analysis.result() if analysis.done() and not failure_words(analysis) else None
    moments = moments_of(result, overview, all_notes(run), units)
    start_s, end_s = overview.span_s
    at_s = min(max(start_s if asked["t_s"] is None else asked["t_s"], start_s), end_s)
    ring_m = ring_of(overview, result)
    plan = truck_plan_svg(run.header.test, ring_m=ring_m, ring_words=units.length.words(ring_m))
    traces = traces_figure(
        overview,
        moments,
        palette,
        units=units,
        run_id=run.header.run_id,
        narrow=screen["narrow"],
    )
    copy = asked | replay_copy(overview, units) | {"t_s": at_s, "units_name": units.name}
    return (
        Drawing(plan, id="plan", className="truck-plan"),
        traces.to_plotly_json() | {"config": GRAPH},
        copy,
        traces_summary(overview, moments, units),
    )


def _register_result(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output("moments", "children"),
        Output("moments-table", "children"),
        Output("replay-found", "data"),
        Output("traces-words", "children", allow_duplicate=True),
        Output("replay-error", "children", allow_duplicate=True),
        Input("replay-copy", "data"),
        Input("replay-noted", "data"),
        State("replay-run", "data"),
        State("screen", "data"),
        prevent_initial_call=True,
    )
    @reading
    async def found(
        copy: dict[str, Any] | None,
        _noted: int | None,
        asked: Asked | None,
        screen: dict[str, Any] | None,
    ) -> tuple[Any, ...]:
        if not copy or not asked or not screen:
            raise PreventUpdate
        run = await _run(library, asked)
        result, failure = await done(library.result(run))
        try:
            told = await asyncio.to_thread(_found, library, run, result, screen, asked)
        except RunUnreadable as exc:
            return (*[dash.no_update] * 4, f"✖ {exc}")
        return (*told, failure)


async def done(analysis: Future[Result]) -> tuple[Result | None, str]:
    """The result when it is there, or why there is none."""
    await asyncio.wait([asyncio.wrap_future(analysis)])
    failure = failure_words(analysis)
    return (None, f"✖ Not analysed: {failure}") if failure else (analysis.result(), "")


def _found(
    library: RunLibrary, run: Run, result: Result | None, screen: dict[str, Any], asked: Asked
) -> tuple[Any, ...]:
    palette, units = palette_of(screen["scheme"]), units_of(asked["units"])
    overview, readings = library.overview(run), library.readings(run)
    moments = moments_of(result, overview, all_notes(run), units)
    plan = (result or {}).get("plan") or {}
    marks = {
        "run": run.header.run_id,
        "moments": moment_marks(moments),
        "lanes": lanes_of(moments, palette),
        "lanes_place": lanes_place(overview),
        "shapes": lines_of(moments, palette),
        "required_moment_nm": plan.get("required_moment_nm"),
    }
    return (
        Inert(moment_list(moments, whole=True)),
        Inert(moments_table(moments, readings, units)),
        marks,
        traces_summary(overview, moments, units),
    )


def _register_angles(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output("angles-frame", "children"),
        Output("angles-words", "children"),
        Input("replay-axis", "value"),
        Input("overlay-run", "value"),
        Input("screen", "data"),
        State("replay-run", "data"),
    )
    @reading
    async def draw(
        axis: str | None, other_id: str | None, screen: dict[str, Any] | None, asked: Asked | None
    ) -> tuple[Any, ...]:
        if axis != "angle" or not screen or not asked:
            raise PreventUpdate
        run = await _run(library, asked)
        result, failure = await done(library.result(run))
        other = await asyncio.to_thread(library.find, other_id or "")
        others = (await done(library.result(other)))[0] if other else None
        return (
            await asyncio.to_thread(
                _angles, library, (run, result), (other, others), screen, units_of(asked["units"])
            )
            if not failure
            else (None, failure)
        )


def _angles(
    library: RunLibrary,
    own: tuple[Run, Result | None],
    laid: tuple[Run | None, Result | None],
    screen: dict[str, Any],
    units: Units,
) -> tuple[Any, str]:
    (run, result), (other, others) = own, laid
    readings = library.readings(run)
    sweeps = sweeps_of(result, readings)
    if sweeps and other is not None:
        sweeps += sweeps_of(others, library.readings(other), other=True)
    if not sweeps:
        return None, angle_summary(sweeps)
    figure = angle_figure(
        sweeps,
        readings,
        result,
        palette_of(screen["scheme"]),
        units=units,
        narrow=screen["narrow"],
    )
    graph = dcc.Graph(id="angles", figure=figure, config=GRAPH, className="traces")
    return graph, angle_summary(sweeps)
