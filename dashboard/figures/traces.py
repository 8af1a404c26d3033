"""Slew, load, radius and contacts over time, one above the other on one time axis.

What was found stands in lanes of its own above the traces, a shape and a word for each kind,
and the two kinds that decide the result are drawn down through all traces. Contacts are bars
from the first open reading to the first closed one, each with a tick of fixed width, so that an
opening of a single reading is seen at every zoom.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboard.figures.envelope import envelope, stretches
from dashboard.figures.moments import SYMBOL_OF_KIND, WORDS_OF_KIND, Moment
from dashboard.figures.palette import FONT, Palette
from dashboard.figures.readings import Readings, Trace, Wheel
from dashboard.figures.words import wheel_words

Numbers = NDArray[np.float64] | NDArray[np.float32]

COLUMNS_OF_CONTACTS = 1_000
MOST_LINES = 40
"""Lines drawn down through all traces; more would hide them."""

_LANE_PX, _TRACE_PX, _SPACE_PX = 26, 118, 34
_TITLES = {
    "slew": ("Slew, °", "  right of the rear +, left −"),
    "load": ("Load, kg", "  all that hangs below the boom tip"),
    "radius": ("Radius, m", ""),
    "contacts": ("Contacts", "  a bar where the tyre is off the ground"),
}


def traces_figure(
    readings: Readings,
    moments: Sequence[Moment],
    palette: Palette,
    *,
    run_id: str = "",
    narrow: bool = False,
) -> go.Figure:
    """Draws the traces of a whole run.

    Args:
        readings: the run.
        moments: what was found in it.
        palette: colours.
        run_id: keeps the zoom while it stays the same.
        narrow: for a screen of a hand's breadth: shorter words.
    """
    rows = _rows(readings, moments)
    height = sum(px for _, px in rows) + _SPACE_PX * len(rows) + 46
    layout = go.Layout(
        template="none",
        font={"family": FONT, "size": 13, "color": palette.ink},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        height=height,
        margin={"l": 94 if narrow else 104, "r": 14, "t": 6, "b": 46},
        showlegend=False,
        hovermode="x",
        hoverlabel={"font": {"family": FONT, "size": 13}},
        dragmode="zoom",
        uirevision=run_id,
        shapes=[*_lines(moments, palette)],
        annotations=[*_titles(rows, height, palette, narrow=narrow)],
        **_axes(readings, moments, rows, height, palette),
    )
    return go.Figure(
        data=[*_moving(readings, palette, rows), *_still(readings, moments, palette, rows)],
        layout=layout,
    )


def window_of(readings: Readings, start_s: float, end_s: float) -> list[tuple[Numbers, Numbers]]:
    """Times (s) and values of each trace that depends on the zoom, in the figure's order.

    Args:
        readings: the run.
        start_s: left edge of what is seen, s.
        end_s: right edge, s.
    """
    start_ns, end_ns = round(start_s * 1e9), round(end_s * 1e9)
    drawn: list[tuple[Numbers, Numbers]] = [
        envelope(trace, start_ns=start_ns, end_ns=end_ns) for _, trace in _analogue(readings)
    ]
    bars = [
        (
            index,
            stretches(wheel.open_ns, start_ns=start_ns, end_ns=end_ns, most=COLUMNS_OF_CONTACTS),
        )
        for index, wheel in enumerate(readings.wheels)
    ]
    return [*drawn, _bars(bars), _ticks(bars)]


def traces_summary(readings: Readings, moments: Sequence[Moment]) -> str:
    """The traces in a sentence, for those who don't see them."""
    lifts = [m for m in moments if m.kind in ("first_lift", "lift")]
    parts = [f"{readings.duration_s:.1f} s of readings"]
    for name, trace in _analogue(readings):
        finite = trace.value[np.isfinite(trace.value)]
        if finite.size:
            low, high = (f"{v:.2f}".replace("-", "−") for v in (finite.min(), finite.max()))
            parts.append(f"{name} from {low} to {high}")
    openings = sum(w.open_ns.shape[0] for w in readings.wheels)
    parts.append(f"{openings} openings of contacts")
    words = "; ".join(f"{m.words} at {m.t_s:.2f} s" for m in lifts[:4])
    return ", ".join(parts) + (f". Lifts: {words}." if words else ". No wheel lifted.")


def _analogue(readings: Readings) -> list[tuple[str, Trace]]:
    named = (("slew", readings.slew), ("load", readings.load), ("radius", readings.radius))
    return [(name, trace) for name, trace in named if trace is not None]


def _kinds(moments: Sequence[Moment]) -> list[str]:
    return [k for k in WORDS_OF_KIND if any(m.kind == k for m in moments)]


def _rows(readings: Readings, moments: Sequence[Moment]) -> list[tuple[str, int]]:
    """Name and height in px of each row, from the top."""
    rows = [(name, _TRACE_PX) for name, _ in _analogue(readings)]
    if _kinds(moments):
        rows.insert(0, ("moments", _LANE_PX * len(_kinds(moments)) + 8))
    if readings.wheels:
        rows.append(("contacts", _LANE_PX * len(readings.wheels) + 8))
    return rows


def _axis_names(rows: Sequence[tuple[str, int]]) -> dict[str, str]:
    return {name: "y" if i == 0 else f"y{i + 1}" for i, (name, _) in enumerate(rows)}


def _moving(
    readings: Readings, palette: Palette, rows: Sequence[tuple[str, int]]
) -> Iterator[go.Scatter]:
    axis = _axis_names(rows)
    start_s, end_s = (t / 1e9 for t in readings.span_ns)
    *lines, bars, ticks = window_of(readings, start_s, end_s)
    for (name, trace), (x, y) in zip(_analogue(readings), lines, strict=True):
        yield go.Scatter(
            x=x,
            y=y,
            yaxis=axis[name],
            mode="lines",
            line={"color": palette.data, "width": 1.6, "dash": "solid" if trace.sensed else "dash"},
            connectgaps=False,
            hovertemplate="%{y:.2f}<extra>" + name + "</extra>",
            name=name,
        )
    if not readings.wheels:
        return
    yield go.Scatter(
        x=bars[0],
        y=bars[1],
        yaxis=axis["contacts"],
        mode="lines",
        line={"color": palette.act, "width": 13},
        connectgaps=False,
        hoverinfo="skip",
        name="open",
    )
    yield go.Scatter(
        x=ticks[0],
        y=ticks[1],
        yaxis=axis["contacts"],
        mode="markers",
        marker={"symbol": "line-ns", "size": 17, "line": {"color": palette.act, "width": 2}},
        hovertemplate="opens at %{x:.4f} s<extra></extra>",
        name="opens",
    )


def _still(
    readings: Readings,
    moments: Sequence[Moment],
    palette: Palette,
    rows: Sequence[tuple[str, int]],
) -> Iterator[go.Scatter]:
    axis = _axis_names(rows)
    if readings.wheels:
        yield from _grounds(readings, palette, axis["contacts"])
    for lane, kind in enumerate(_kinds(moments)):
        mine = [m for m in moments if m.kind == kind]
        colour = palette.act if kind in ("first_lift", "lift", "finding") else palette.ink
        yield go.Scatter(
            x=[m.t_s for m in mine],
            y=[lane] * len(mine),
            yaxis=axis["moments"],
            mode="markers",
            marker={
                "symbol": SYMBOL_OF_KIND[mine[0].kind],
                "size": 13,
                "color": colour,
                "line": {"color": colour, "width": 2},
            },
            # Words from files stay out of figures, which read markup: lifts name their wheel.
            text=[m.words if kind in ("first_lift", "lift", "radius_change") else "" for m in mine],
            hovertemplate="%{text} at %{x:.2f} s<extra>" + WORDS_OF_KIND[mine[0].kind] + "</extra>",
            cliponaxis=False,
            name=kind,
        )


def _grounds(readings: Readings, palette: Palette, axis: str) -> Iterator[go.Scatter]:
    start_s, end_s = (t / 1e9 for t in readings.span_ns)
    count = len(readings.wheels)
    x: list[float | None] = [start_s, end_s, None] * count
    y = [i for i in range(count) for _ in range(3)]
    yield go.Scatter(
        x=x,
        y=y,
        yaxis=axis,
        mode="lines",
        line={"color": palette.muted, "width": 2},
        hoverinfo="skip",
        name="closed",
    )
    gaps = [(i, np.array(w.unknown.pairs)) for i, w in enumerate(readings.wheels) if w.unknown]
    x_gap, y_gap = _bars(gaps)
    yield go.Scatter(
        x=x_gap,
        y=y_gap,
        yaxis=axis,
        mode="lines",
        line={"color": palette.abnormal_ink, "width": 9, "dash": "2px,4px"},
        hoverinfo="skip",
        name="unknown",
    )


def _bars(spans: Sequence[tuple[int, NDArray[np.int64]]]) -> tuple[Numbers, Numbers]:
    """Spans (lane, shape (n, 2) in ns) as lines with breaks between them: x in s, y."""
    x = [np.insert(s / 1e9, 2, np.nan, axis=1).ravel() for _, s in spans if s.size]
    y = [np.full(3 * s.shape[0], lane, np.float32) for lane, s in spans if s.size]
    if not x:
        return np.empty(0), np.empty(0, np.float32)
    return np.concatenate(x), np.concatenate(y)


def _ticks(spans: Sequence[tuple[int, NDArray[np.int64]]]) -> tuple[Numbers, Numbers]:
    x, y = _bars(spans)
    return x[::3], y[::3]


def _lines(moments: Sequence[Moment], palette: Palette) -> Iterator[dict[str, Any]]:
    drawn = [m for m in moments if m.kind in ("first_lift", "radius_change")][:MOST_LINES]
    for moment in drawn:
        lift = moment.kind == "first_lift"
        yield {
            "type": "line",
            "xref": "x",
            "yref": "paper",
            "x0": moment.t_s,
            "x1": moment.t_s,
            "y0": 0,
            "y1": 1,
            "line": {
                "color": palette.act if lift else palette.muted,
                "width": 1.5,
                "dash": "dash" if lift else "dot",
            },
            "layer": "below",
        }


def _domains(rows: Sequence[tuple[str, int]], height: int) -> Iterator[tuple[str, float, float]]:
    """Name, bottom and top of each row in the figure's paper coordinates."""
    inner = height - 52
    top = inner
    for name, px in rows:
        top -= _SPACE_PX if name != "moments" else 10
        yield name, max((top - px) / inner, 0.0), top / inner
        top -= px


def _titles(
    rows: Sequence[tuple[str, int]], height: int, palette: Palette, *, narrow: bool
) -> Iterator[dict[str, Any]]:
    for name, _, top in _domains(rows, height):
        if name in _TITLES:
            title, more = _TITLES[name]
            yield {
                "text": f"<b>{title}</b>" if narrow else f"<b>{title}</b>{more}",
                "xref": "paper",
                "yref": "paper",
                "x": 0,
                "y": top,
                "xanchor": "left",
                "yanchor": "bottom",
                "yshift": 3,
                "showarrow": False,
                "font": {"size": 13, "color": palette.ink},
            }


def _axes(
    readings: Readings,
    moments: Sequence[Moment],
    rows: Sequence[tuple[str, int]],
    height: int,
    palette: Palette,
) -> dict[str, Any]:
    line = {
        "gridcolor": palette.grid,
        "linecolor": palette.muted,
        "zerolinecolor": palette.grid,
        "tickfont": {"color": palette.muted, "size": 12},
    }
    axes: dict[str, Any] = {}
    for index, (name, low, high) in enumerate(_domains(rows, height)):
        axis = line | {"domain": [low, high], "fixedrange": True, "nticks": 5}
        if name == "moments":
            axis |= _lanes([WORDS_OF_KIND[k] for k in WORDS_OF_KIND if k in _kinds(moments)])
        elif name == "contacts":
            axis |= _lanes([wheel_words(_short(w)) for w in readings.wheels])
        axes["yaxis" if index == 0 else f"yaxis{index + 1}"] = axis
    start_s, end_s = (t / 1e9 for t in readings.span_ns)
    if end_s == start_s:
        end_s = start_s + 1.0
    axes["xaxis"] = line | {
        "range": [start_s, end_s],
        "minallowed": start_s,
        "maxallowed": end_s,
        "anchor": "y" if len(rows) == 1 else f"y{len(rows)}",
        "title": {"text": "Time since the start, s", "standoff": 6, "font": {"size": 13}},
        "showspikes": False,
        "zeroline": False,
    }
    return axes


def _lanes(names: Sequence[str]) -> dict[str, Any]:
    return {
        "tickvals": list(range(len(names))),
        "ticktext": list(names),
        "range": [len(names) - 0.4, -0.6],
        "showgrid": False,
        "zeroline": False,
        "tickfont": {"size": 13},
    }


def _short(wheel: Wheel) -> str:
    longest = 16
    return wheel.name if len(wheel.name) <= longest else wheel.name[: longest - 1] + "…"
