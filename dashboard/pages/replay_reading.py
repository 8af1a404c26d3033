"""What the replay page asks of the readings themselves, when the moment has come to rest."""

from __future__ import annotations

import asyncio
from typing import Any

import dash
import numpy as np
from dash import ClientsideFunction, Input, Output, State
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.figures.angle_view import moment_trace
from dashboard.figures.readings import Readings, Trace
from dashboard.figures.replay_copy import reading_at
from dashboard.run_library import RunLibrary
from dashboard.run_readings import times_around
from logger.recording.run import Run

_IN_THE_BROWSER = {
    "load": (Output("replay", "data-ready"), [Input("replay-copy", "data")]),
    "found": (Output("replay", "data-result"), [Input("replay-found", "data")]),
    "speed": (Output("replay", "data-speed"), [Input("speed", "value")]),
    "axis": (Output("replay", "data-axis"), [Input("replay-axis", "value")]),
    "overlay": (
        Output("replay", "data-overlay"),
        [Input("overlay-run", "value"), Input("overlay-way", "value")],
    ),
    "exact": (Output("replay", "data-exact"), [Input("replay-exact", "data")]),
    "times": (Output("replay", "data-times"), [Input("replay-times", "data")]),
    "drawn": (Output("replay", "data-drawn"), [Input("plan", "figure")]),
    "traces": (Output("replay", "data-traces"), [Input("replay-traces", "data")]),
    "angles": (Output("replay", "data-angles"), [Input("angles-frame", "children")]),
}


def register(app: dash.Dash, library: RunLibrary) -> None:
    """Adds the callbacks."""
    for name, (output, inputs) in _IN_THE_BROWSER.items():
        app.clientside_callback(  # type: ignore[no-untyped-call]
            ClientsideFunction(namespace="replay", function_name=name), output, *inputs
        )

    @app.callback(
        Output("replay-exact", "data"),
        Input("replay-rest", "data"),
        State("replay-run", "data"),
        prevent_initial_call=True,
    )
    @reading
    async def exact(rest: dict[str, Any] | None, asked: dict[str, Any] | None) -> dict[str, Any]:
        run = await asyncio.to_thread(_run, library, asked)
        if not rest:
            raise PreventUpdate
        return await asyncio.to_thread(_exact, library, run, rest["t_s"], rest.get("pin_s"))

    @app.callback(
        Output("replay-times", "data"),
        Input("replay-asked-times", "data"),
        State("replay-run", "data"),
        prevent_initial_call=True,
    )
    @reading
    async def times(t_s: float | None, asked: dict[str, Any] | None) -> dict[str, Any]:
        run = await asyncio.to_thread(_run, library, asked)
        if t_s is None:
            raise PreventUpdate
        return await asyncio.to_thread(_times, library, run, t_s)


def _run(library: RunLibrary, asked: dict[str, Any] | None) -> Run:
    run = library.find(asked["run"]) if asked else None
    if run is None:
        raise PreventUpdate
    return run


def _exact(library: RunLibrary, run: Run, t_s: float, pin_s: float | None) -> dict[str, Any]:
    readings = library.readings(run)
    told = reading_at(readings, round(t_s * 1e9)) | {"t_s": t_s}
    if pin_s is None:
        return told
    low_ns, high_ns = sorted((round(t_s * 1e9), round(pin_s * 1e9)))
    return told | {
        "pin": reading_at(readings, round(pin_s * 1e9)) | {"t_s": pin_s},
        "between": _between(readings, low_ns, high_ns + 1),
    }


def _times(library: RunLibrary, run: Run, t_s: float) -> dict[str, Any]:
    found = times_around(run, library.readings(run), round(t_s * 1e9))
    return {"run": run.header.run_id, "asked_s": t_s, "times_s": (found / 1e9).tolist()}


def _between(readings: Readings, low_ns: int, high_ns: int) -> dict[str, Any]:
    """Least, greatest and mean of the readings between two times (ns)."""
    span = (low_ns, high_ns)
    named: dict[str, Trace | None] = {
        "slew_deg": readings.slew,
        "load_kg": readings.load,
        "radius_m": readings.radius if readings.radius and readings.radius.sensed else None,
        "moment_nm": moment_trace(readings, span),
    }
    return {name: _extent(trace, span) for name, trace in named.items() if trace is not None}


def _extent(trace: Trace, span: tuple[int, int]) -> list[float] | None:
    values = trace.value[slice(*np.searchsorted(trace.t_ns, span))]
    values = values if trace.whole else values[np.isfinite(values)]
    if not values.size:
        return None
    return [float(values.min()), float(values.max()), float(values.mean())]
