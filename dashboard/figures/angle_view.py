"""Load, radius, moment and contacts over the slew angle: what a sweep proves, where.

Each sweep is a line of its own, and only what was read with the load hanging is drawn, since
nothing else proves anything. A line keeps the order of time, so a boom that went back and forth
is seen to have done so; each point carries its time, so that a page can go there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.envelope import envelope
from dashboard.figures.palette import Palette
from dashboard.figures.readings import Readings, Trace
from dashboard.figures.trace_rows import (
    TRACE_PX,
    Row,
    axis_of,
    contact_rows,
    line_style,
    stacked_layout,
    y_axes,
)
from dashboard.figures.trace_windows import Numbers
from dashboard.figures.units import SI, Units
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.spans import Spans

Result = dict[str, Any]

POINTS_OF_SWEEP = 1_500
MOST_SWEEPS = 12
QUANTITIES = ("load", "radius", "moment")
_DASHES = ("solid", "7px,3px", "2px,3px", "9px,3px,2px,3px")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """One sweep as it is drawn.

    Attributes:
        words: what it is called: ``right``, ``left 2``, with the run before it if another's.
        readings: the run.
        hanging: when the load hung in it.
        dash: how its lines are drawn.
        other: whether it is of a run laid over.
    """

    words: str
    readings: Readings
    hanging: Spans
    dash: str
    other: bool = False


def sweeps_of(result: Result | None, readings: Readings, *, other: bool = False) -> list[Sweep]:
    """The sweeps of a run that have a stretch with the load hanging, by time."""
    sides: list[str] = []
    drawn: list[Sweep] = []
    for sweep in (result or {}).get("sweeps", ())[:MOST_SWEEPS]:
        sides.append(sweep["side"])
        count = sides.count(sweep["side"])
        whole = Spans.of([(round(sweep["start_s"] * 1e9), round(sweep["end_s"] * 1e9))])
        hanging = readings.hanging & whole
        if hanging:
            words = sweep["side"] if count == 1 else f"{sweep['side']} {count}"
            dash = _DASHES[min(count - 1, len(_DASHES) - 1)]
            drawn.append(
                Sweep(words=words, readings=readings, hanging=hanging, dash=dash, other=other)
            )
    return drawn


def angle_figure(
    sweeps: Sequence[Sweep],
    readings: Readings,
    result: Result | None,
    palette: Palette,
    *,
    units: Units = SI,
    narrow: bool = False,
) -> go.Figure:
    """Draws sweeps over the slew angle.

    Args:
        sweeps: what to draw, those of this run first.
        readings: this run, for its contacts.
        result: its result, for the first lifts and what is required.
        palette: colours.
        units: what values are drawn in.
        narrow: for a screen of a hand's breadth: shorter words.
    """
    rows = (
        *(Row(name=name, height_px=TRACE_PX + 30) for name in QUANTITIES),
        *contact_rows(readings.wheels),
    )
    layout = go.Layout(
        **stacked_layout(rows, palette, units, narrow=narrow),
        hovermode="closest",
        uirevision="angles",
        shapes=[*_lifts(result, palette), *_required(result, rows, palette, units)],
        xaxis=line_style(palette)
        | {
            "anchor": axis_of(rows, rows[-1].name),
            "title": {
                "text": "Slew angle, °: left −, right +",
                "standoff": 6,
                "font": {"size": 13},
            },
            "zeroline": True,
            "dtick": 30,
        },
        **y_axes(rows, palette),
    )
    drawn = [line for sweep in sweeps for line in _lines(sweep, palette, rows, units)]
    return go.Figure(data=[*drawn, *_openings(sweeps, palette, rows)], layout=layout)


def angle_summary(sweeps: Sequence[Sweep]) -> str:
    """The figure in a sentence."""
    if not sweeps:
        return "No sweep with the load hanging was found: there is nothing to draw over the angle."
    own = ", ".join(s.words for s in sweeps if not s.other)
    laid = ", ".join(s.words for s in sweeps if s.other)
    return (
        f"Sweeps: {own}{f'; of the other run, dashed: {laid}' if laid else ''}. Drawn is what was "
        "read with the load hanging; the dashed line across the moment is what is required."
    )


def _lines(
    sweep: Sweep, palette: Palette, rows: Sequence[Row], units: Units
) -> Iterator[go.Scatter]:
    colour = palette.muted if sweep.other else palette.data
    for name in QUANTITIES:
        angle_deg, value, t_s = points_over_angle(sweep, name, units=units)
        if not t_s.size:
            continue
        yield go.Scatter(
            x=angle_deg,
            y=value,
            customdata=t_s,
            yaxis=axis_of(rows, name),
            mode="lines",
            line={
                "color": colour,
                "width": 1.3 if sweep.other else 1.6,
                "dash": "5px,3px" if sweep.other else sweep.dash,
            },
            connectgaps=False,
            hovertemplate="%{x:.1f}°: %{y:.2f}, at %{customdata:.2f} s<extra>" + name + "</extra>",
            name=f"{'other ' if sweep.other else ''}{sweep.words} {name}",
        )


def points_over_angle(
    sweep: Sweep, name: str, *, units: Units = SI, points: int = POINTS_OF_SWEEP
) -> tuple[Numbers, Numbers, Numbers]:
    """One quantity of a sweep over the slew angle, in the order of time.

    Args:
        sweep: the sweep.
        name: ``load``, ``radius`` or ``moment``.
        units: what values are in.
        points: the most points of each stretch with the load hanging; even.

    Returns:
        Angles (deg, float32), values (float32) and times (s), same shape, NaN between stretches;
        empty where there is nothing to draw.
    """
    slew = sweep.readings.slew
    parts = [_part(sweep.readings, name, span, units, points) for span in sweep.hanging]
    parts = [p for p in parts if p[0].size]
    if slew is None or not parts:
        nothing = np.empty(0)
        return nothing, nothing, nothing
    t_s = np.concatenate([np.append(t, np.nan) for t, _ in parts])
    value = np.concatenate([np.append(v, np.float32(np.nan)) for _, v in parts])
    known = np.isfinite(t_s)
    angle_deg = np.full(t_s.size, np.nan)
    angle_deg[known] = slew.at(np.round(t_s[known] * 1e9).astype(np.int64))
    return angle_deg.astype(np.float32), value, t_s


def _part(
    readings: Readings, name: str, span: tuple[int, int], units: Units, points: int
) -> tuple[Numbers, Numbers]:
    trace, factor = _quantity(readings, name, units, span)
    if trace is None or not trace.t_ns.size:
        return np.empty(0), np.empty(0, np.float32)
    t_s, value = envelope(trace, start_ns=span[0], end_ns=span[1] - 1, points=points)
    inside = (t_s >= span[0] / 1e9) & (t_s < span[1] / 1e9)
    return t_s[inside], value[inside] / np.float32(factor)


def _quantity(
    readings: Readings, name: str, units: Units, span: tuple[int, int]
) -> tuple[Trace | None, float]:
    if name == "load":
        return readings.load, units.mass.si_in_one
    if name == "radius":
        return readings.radius, units.length.si_in_one
    return moment_trace(readings, span), units.moment.si_in_one


def moment_trace(readings: Readings, span: tuple[int, int]) -> Trace | None:
    """Load × g × the radius last read, at the load's readings between two times, N·m.

    It is what is shown beside a moment of the replay; what a hold proves is worked out from
    quasi-static loads and less its uncertainty, and may be less.
    """
    load, radius = readings.load, readings.radius
    if load is None or radius is None:
        return None
    part = slice(*np.searchsorted(load.t_ns, span))
    t_ns = load.t_ns[part]
    moment = load.value[part] * STANDARD_GRAVITY_MPS2 * radius.at(t_ns)
    return Trace(t_ns=t_ns, value=moment, stale_after_ns=load.stale_after_ns)


def _openings(
    sweeps: Sequence[Sweep], palette: Palette, rows: Sequence[Row]
) -> Iterator[go.Scatter]:
    """Openings with the load hanging, at the angles between which the contact was open."""
    own = [s for s in sweeps if not s.other]
    if not own or not own[0].readings.wheels or own[0].readings.slew is None:
        return
    readings, slew = own[0].readings, own[0].readings.slew
    hanging = [pair for s in own for pair in s.hanging]
    x: list[float | None] = []
    y: list[int] = []
    ticks: list[tuple[float, int, float]] = []
    for lane, wheel in enumerate(readings.wheels):
        for start_ns, end_ns in wheel.open_ns.tolist()[:2_000]:
            if any(a <= start_ns < b for a, b in hanging):
                from_deg, to_deg = slew.at(np.array([start_ns, end_ns], np.int64)).tolist()
                x += [from_deg, to_deg, None]
                y += [lane] * 3
                ticks.append((from_deg, lane, start_ns / 1e9))
    axis = axis_of(rows, "contacts")
    yield go.Scatter(
        x=x,
        y=y,
        yaxis=axis,
        mode="lines",
        line={"color": palette.act, "width": 13},
        hoverinfo="skip",
        name="open",
    )
    yield go.Scatter(
        x=[t[0] for t in ticks],
        y=[t[1] for t in ticks],
        customdata=[t[2] for t in ticks],
        yaxis=axis,
        mode="markers",
        marker={"symbol": "line-ns", "size": 17, "line": {"color": palette.act, "width": 2}},
        hovertemplate="opens at %{x:.2f}°, %{customdata:.4f} s<extra></extra>",
        name="opens",
    )


def _lifts(result: Result | None, palette: Palette) -> Iterator[dict[str, Any]]:
    for sweep in (result or {}).get("sweeps", ())[:MOST_SWEEPS]:
        lift = sweep.get("first_lift")
        if lift:
            yield _across("x", lift["slew_deg"]) | {
                "line": {"color": palette.act, "width": 1.5, "dash": "dash"}
            }


def _required(
    result: Result | None, rows: Sequence[Row], palette: Palette, units: Units
) -> Iterator[dict[str, Any]]:
    required = ((result or {}).get("plan") or {}).get("required_moment_nm")
    if required:
        yield {
            "type": "line",
            "xref": "paper",
            "yref": axis_of(rows, "moment"),
            "x0": 0,
            "x1": 1,
            "y0": units.moment.of(required),
            "y1": units.moment.of(required),
            "line": {"color": palette.ink, "width": 1.5, "dash": "dash"},
        }


def _across(axis: str, at: float) -> dict[str, Any]:
    return {
        "type": "line",
        "xref": axis,
        "yref": "paper",
        "x0": at,
        "x1": at,
        "y0": 0,
        "y1": 1,
        "layer": "below",
    }
