"""Reactions of the truck model over the slew angle, as each run loaded it.

Nothing measures a reaction: they are computed from the truck model of the run's own test file with
the load and radius of each hold, and say so. A reaction that comes to zero is a lift foreseen.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.capacity.truck.truck_model import reactions_n
from dashboard.figures.palette import Palette
from dashboard.figures.run_marks import MOST_DRAWN
from dashboard.figures.run_overlay import (
    AngleLine,
    OverlaidRun,
    angle_axis,
    joined,
    run_line,
    run_numbers,
)
from dashboard.figures.trace_rows import Row, axis_of, row_title, stacked_layout, y_axes
from dashboard.figures.trace_windows import Numbers
from dashboard.figures.units import SI, Units
from dashboard.figures.words import drawn_name
from logger.readings.model_table import TruckModel

Result = dict[str, Any]

_ROW_PX = 112
_STEP_DEG = 1.0
MOST_SUPPORTS = 10


def reaction_lines(result: Result, model: TruckModel | None) -> tuple[AngleLine, ...]:
    """Reactions at each support, broken between the holds of the sweeps that count.

    Args:
        result: the run's result.
        model: the truck model of its test file; None gives no line.
    """
    if model is None:
        return ()
    return joined(
        line
        for sweep in result["sweeps"]
        if sweep["counts"]
        for hold in sweep["holds"]
        if hold["radius_m"] is not None
        for line in _of_hold(hold, model)
    )


def _of_hold(hold: Result, model: TruckModel) -> Iterator[AngleLine]:
    angle_deg, t_s = _through(hold)
    found = reactions_n(model, angle_deg, hold["load_kg"], hold["radius_m"])
    for place, support in enumerate(model.supports[:MOST_SUPPORTS]):
        yield AngleLine(
            quantity=support.name,
            angle_deg=angle_deg.astype(np.float32),
            value=found[:, place].astype(np.float32),
            t_s=t_s,
        )


def _through(hold: Result) -> tuple[Numbers, Numbers]:
    """Angles of a hold and about when each was passed."""
    count = max(2, round(abs(hold["to_deg"] - hold["from_deg"]) / _STEP_DEG) + 1)
    return (
        np.linspace(hold["from_deg"], hold["to_deg"], count),
        np.linspace(hold["start_s"], hold["end_s"], count),
    )


def reactions_figure(
    runs: Sequence[OverlaidRun], palette: Palette, *, units: Units = SI, narrow: bool = False
) -> go.Figure:
    """Draws the reactions of runs, a row for each support.

    Args:
        runs: with their lines of reactions; at most :data:`MOST_DRAWN` are drawn.
        palette: colours.
        units: what values are drawn in.
        narrow: for a screen of a hand's breadth.
    """
    supports = list(dict.fromkeys(line.quantity for run in runs for line in run.lines))
    rows = tuple(Row(name=name, height_px=_ROW_PX) for name in supports)
    axes = y_axes(rows, palette)
    layout = stacked_layout(rows, palette, units, narrow=narrow)
    layout["annotations"] = [
        _title(name, axes[axis_of(rows, name).replace("y", "yaxis")]["domain"][1], palette, units)
        for name in supports
    ]
    placed = [(run, line) for run in runs[:MOST_DRAWN] for line in run.lines]
    factor = 1 / units.force.si_in_one
    return go.Figure(
        data=[
            make(run, line, palette, axis=axis_of(rows, line.quantity), factor=factor)
            for make in (run_line, run_numbers)
            for run, line in placed
        ],
        layout=go.Layout(
            **layout,
            hovermode="closest",
            uirevision="reactions",
            xaxis=angle_axis(palette, axis_of(rows, rows[-1].name), narrow=narrow),
            **axes,
        ),
    )


def _title(name: str, top: float, palette: Palette, units: Units) -> dict[str, Any]:
    return row_title(f"<b>{drawn_name(name)}</b>, {units.force.unit}", top, palette)
