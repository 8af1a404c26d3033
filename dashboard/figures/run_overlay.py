"""Several runs over the slew angle: load, radius and moment, each run a line with its number on it.

Lines of repeat tests lie nearly on top of one another, so each carries its number at places of its
own: run 2 a little beside run 1, and so on. Only what was read with the load hanging is drawn.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.angle_view import QUANTITIES, points_over_angle, sweeps_of
from dashboard.figures.palette import Palette
from dashboard.figures.readings import Readings
from dashboard.figures.run_marks import MOST_DRAWN, RunMark, mark_of
from dashboard.figures.trace_rows import Row, axis_of, line_style, stacked_layout, y_axes
from dashboard.figures.trace_windows import Numbers
from dashboard.figures.units import SI, Units

Result = dict[str, Any]

ROW_PX = 170
POINTS_OF_STRETCH = 240
_NUMBER_EVERY_DEG = 60.0
_NEAR_DEG = 3.0
_FIRST_NUMBER_DEG = -180.0
_NUMBER_APART_DEG = 16.0
"""Numbers of two runs are this far apart, so that the lines are seen between them."""
_LEAST_SPAN_SHARE = 0.02
_ROWS = tuple(Row(name=name, height_px=ROW_PX) for name in QUANTITIES)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AngleLine:
    """One quantity of one sweep over the slew angle.

    Attributes:
        quantity: ``load``, ``radius``, ``moment``, or the name of a support.
        angle_deg: shape (n,), deg, right positive; NaN between stretches.
        value: shape (n,), in the unit that is written in SI; NaN likewise.
        t_s: shape (n,), s.
    """

    quantity: str
    angle_deg: Numbers
    value: Numbers
    t_s: Numbers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OverlaidRun:
    """A run as it is laid over others.

    Attributes:
        number: its place in the comparison, from 1.
        of: how many runs there are.
        lines: of its sweeps.
        lifts_deg: where wheels lifted first, deg, signed.
        set_aside: whether it is left out of the statistics; it is drawn paler.
    """

    number: int
    of: int
    lines: tuple[AngleLine, ...]
    lifts_deg: tuple[float, ...]
    set_aside: bool


def lines_of_run(result: Result, readings: Readings) -> tuple[AngleLine, ...]:
    """The lines of a run, few points each, so that many runs can be drawn at once."""
    return joined(
        AngleLine(quantity=name, angle_deg=angle_deg, value=value, t_s=t_s)
        for sweep in sweeps_of(result, readings)
        for name in QUANTITIES
        for angle_deg, value, t_s in (points_over_angle(sweep, name, points=POINTS_OF_STRETCH),)
        if t_s.size
    )


def joined(lines: Iterable[AngleLine]) -> tuple[AngleLine, ...]:
    """One line a quantity, broken where one of the given ends: a figure takes long for many."""
    parts: dict[str, list[AngleLine]] = {}
    for line in lines:
        parts.setdefault(line.quantity, []).append(line)
    return tuple(
        AngleLine(
            quantity=quantity,
            angle_deg=_broken([line.angle_deg for line in of_it]),
            value=_broken([line.value for line in of_it]),
            t_s=_broken([line.t_s for line in of_it]),
        )
        for quantity, of_it in parts.items()
    )


def _broken(parts: Sequence[Numbers]) -> Numbers:
    return np.concatenate([np.append(part, part.dtype.type(np.nan)) for part in parts])


def overlay_figure(
    runs: Sequence[OverlaidRun], palette: Palette, *, units: Units = SI, narrow: bool = False
) -> go.Figure:
    """Draws runs over the slew angle.

    Args:
        runs: at most :data:`MOST_DRAWN` are drawn.
        palette: colours.
        units: what values are drawn in.
        narrow: for a screen of a hand's breadth.
    """
    factors = {
        "load": SI.mass.si_in_one / units.mass.si_in_one,
        "radius": SI.length.si_in_one / units.length.si_in_one,
        "moment": SI.moment.si_in_one / units.moment.si_in_one,
    }
    layout = go.Layout(
        **stacked_layout(_ROWS, palette, units, narrow=narrow),
        hovermode="closest",
        uirevision="overlay",
        xaxis=angle_axis(palette, axis_of(_ROWS, _ROWS[-1].name), narrow=narrow),
        **_rows_to_zoom(runs[:MOST_DRAWN], palette, factors["load"]),
    )
    placed = [(run, line) for run in runs[:MOST_DRAWN] for line in run.lines]
    drawn = [
        make(run, line, palette, axis=axis_of(_ROWS, line.quantity), factor=factors[line.quantity])
        for make in (run_line, run_numbers)
        for run, line in placed
    ]
    lifts = [_lifts(run, palette, factors["moment"]) for run in runs[:MOST_DRAWN] if run.lifts_deg]
    return go.Figure(data=[*drawn, *lifts], layout=layout)


def _rows_to_zoom(
    runs: Sequence[OverlaidRun], palette: Palette, load_factor: float
) -> dict[str, Any]:
    """An axis for each row; that of the load keeps to what hangs at rest, not to jerks."""
    axes = y_axes(_ROWS, palette)
    for axis in axes.values():
        axis["fixedrange"] = False
    loads = [line.value for run in runs for line in run.lines if line.quantity == "load"]
    if loads:
        low, middle, high = np.nanpercentile(np.concatenate(loads), (2, 50, 98)) * load_factor
        span = max(high - low, _LEAST_SPAN_SHARE * middle)
        axes["yaxis"]["range"] = [float(low - span), float(high + span)]
    return axes


def angle_axis(palette: Palette, anchor: str, *, narrow: bool) -> dict[str, Any]:
    """The axis of signed slew angles below stacked rows."""
    words = "Slew angle, °: left −, right +"
    return line_style(palette) | {
        "anchor": anchor,
        "title": {"text": words, "standoff": 6, "font": {"size": 13}},
        "zeroline": True,
        "range": [-184, 184],
        "dtick": 60 if narrow else 30,
    }


def run_line(
    run: OverlaidRun, line: AngleLine, palette: Palette, *, axis: str, factor: float
) -> go.Scatter:
    """A line of a run.

    Args:
        run: whose line it is.
        line: the line.
        palette: colours.
        axis: plotly's name of the axis.
        factor: from the line's unit to the one that is drawn.
    """
    mark = mark_of(run.number, palette)
    aside = ", set aside" if run.set_aside else ""
    return go.Scatter(
        x=line.angle_deg,
        y=line.value * np.float32(factor),
        customdata=line.t_s,
        yaxis=axis,
        mode="lines",
        line={"color": mark.colour, "width": mark.width_px, "dash": mark.dash},
        opacity=0.45 if run.set_aside else 1,
        connectgaps=False,
        hovertemplate=(
            f"run {run.number}{aside}: "
            "%{y:.3f} at %{x:.1f}°, %{customdata:.1f} s<extra></extra>"
        ),
        name=f"run {run.number}",
    )


def run_numbers(
    run: OverlaidRun, line: AngleLine, palette: Palette, *, axis: str, factor: float
) -> go.Scatter:
    """The run's number at places of its own along a line; drawn after all lines, so above them.

    Args:
        run: whose line it is.
        line: the line.
        palette: colours.
        axis: plotly's name of the axis.
        factor: from the line's unit to the one that is drawn.
    """
    mark = mark_of(run.number, palette)
    at = _number_places(line.angle_deg, mark, min(run.of, MOST_DRAWN))
    number = f"<s>{run.number}</s>" if run.set_aside else str(run.number)
    return go.Scatter(
        x=line.angle_deg[at],
        y=line.value[at] * np.float32(factor),
        yaxis=axis,
        mode="markers+text",
        marker={
            "symbol": "circle",
            "size": 17,
            "color": palette.ground,
            "line": {"color": mark.colour, "width": 1.2},
        },
        text=[number] * at.size,
        textfont={"size": 11, "color": palette.ink},
        textposition="middle center",
        hoverinfo="skip",
        name=f"number {run.number}",
    )


def overlay_summary(runs: Sequence[OverlaidRun]) -> str:
    """The figure in a sentence."""
    drawn = [r for r in runs[:MOST_DRAWN] if r.lines]
    if not drawn:
        return "No sweep with the load hanging was found in these runs."
    numbers = ", ".join(str(r.number) for r in drawn)
    more = len(runs) - MOST_DRAWN
    return (
        f"Runs {numbers}, by the number on each line; ▲ where a wheel lifted first. Drawn is what "
        "was read with the load hanging; the load's scale keeps to what hangs at rest."
        + (f" {more} more are in the tables only." if more > 0 else "")
    )


def _number_places(
    angle_deg: Numbers, mark: RunMark, runs: int
) -> np.ndarray[Any, np.dtype[np.intp]]:
    """Indices nearest to the angles at which this run's number stands."""
    known = np.flatnonzero(np.isfinite(angle_deg))
    if not known.size:
        return known
    low, high = float(angle_deg[known].min()), float(angle_deg[known].max())
    every = max(_NUMBER_EVERY_DEG, _NUMBER_APART_DEG * runs)
    first = _FIRST_NUMBER_DEG + every * (mark.number - 0.5) / runs
    wanted = np.arange(first + every * np.ceil((low - first) / every), high, every)
    nearest = (known[np.abs(angle_deg[known] - at).argmin()] for at in wanted)
    near = [i for i, at in zip(nearest, wanted, strict=True) if abs(angle_deg[i] - at) < _NEAR_DEG]
    return np.array(sorted(set(near)), dtype=np.intp)


def _lifts(run: OverlaidRun, palette: Palette, factor: float) -> go.Scatter:
    """Triangles on the moment's line, where wheels lifted first."""
    moments = [line for line in run.lines if line.quantity == "moment"]
    x, y = [], []
    for at in run.lifts_deg:
        for line in moments:
            known = np.flatnonzero(np.isfinite(line.value))
            apart = np.abs(line.angle_deg[known] - at)
            if known.size and apart.min() < 1:
                x.append(at)
                y.append(float(line.value[known[apart.argmin()]]) * factor)
    return go.Scatter(
        x=x,
        y=y,
        yaxis=axis_of(_ROWS, "moment"),
        mode="markers",
        marker={"symbol": "triangle-up", "size": 12, "color": palette.act},
        hovertemplate=f"run {run.number}: first lift at %{{x:.1f}}°<extra></extra>",
        name=f"first lifts of run {run.number}",
    )
