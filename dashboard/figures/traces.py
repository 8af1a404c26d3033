"""Slew, load, radius and contacts over time, one above the other on one time axis.

What was found stands in lanes above the traces, a shape for each kind, and the two kinds that
decide the result are drawn down through all traces. The traces that a zoom or another run laid
over this one changes come first and in a fixed order, so that a page can put new arrays into
them and need not draw the figure anew.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.moments import LANE_OF_KIND, SYMBOL_OF_KIND, WORDS_OF_KIND, Moment
from dashboard.figures.overview import Overview
from dashboard.figures.palette import Palette
from dashboard.figures.trace_rows import (
    LANES,
    Row,
    axis_of,
    line_style,
    rows_of,
    stacked_layout,
    y_axes,
)
from dashboard.figures.trace_windows import NOTHING, Drawn, bars, whole_of
from dashboard.figures.units import SI, Units
from dashboard.figures.words import number_words

MOST_LINES = 40
"""Lines drawn down through all traces; more would hide them."""


def traces_figure(
    overview: Overview,
    moments: Sequence[Moment],
    palette: Palette,
    *,
    units: Units = SI,
    run_id: str = "",
    narrow: bool = False,
) -> go.Figure:
    """Draws the traces of a whole run.

    Args:
        overview: the run.
        moments: what was found in it so far.
        palette: colours.
        units: what values are drawn in.
        run_id: keeps the zoom while it stays the same.
        narrow: for a screen of a hand's breadth: shorter words.
    """
    rows = rows_of(overview)
    layout = go.Layout(
        **stacked_layout(rows, palette, units, narrow=narrow),
        hovermode="x",
        uirevision=run_id,
        shapes=lines_of(moments, palette),
        xaxis=_time_axis(overview, rows, palette),
        **y_axes(rows, palette),
    )
    drawn = [
        *_moving(overview, whole_of(overview, units), palette, rows, other=False),
        *_moving(overview, [NOTHING] * moving_count(overview), palette, rows, other=True),
        *_still(overview, palette, rows),
        *(go.Scatter(lane, yaxis=axis_of(rows, "moments")) for lane in lanes_of(moments, palette)),
    ]
    return go.Figure(data=drawn, layout=layout)


def moving_count(overview: Overview) -> int:
    """How many traces of a run a zoom changes; another run's have the next so many places."""
    return len(overview.lines) + (2 if overview.wheels else 0)


def lanes_place(overview: Overview) -> int:
    """Place of the first lane of moments in the figure's data."""
    return 2 * moving_count(overview) + (2 if overview.wheels else 0)


def lanes_of(moments: Sequence[Moment], palette: Palette) -> list[dict[str, Any]]:
    """The lanes of moments, always as many, as plotly's traces without their axis."""
    return [_lane(moments, lane, palette) for lane in range(len(LANES))]


def lines_of(moments: Sequence[Moment], palette: Palette) -> list[dict[str, Any]]:
    """Lines down through all traces, where a wheel lifted first and where the radius changed."""
    drawn = [m for m in moments if m.kind in ("first_lift", "radius_change")][:MOST_LINES]
    return [
        {
            "type": "line",
            "xref": "x",
            "yref": "paper",
            "x0": moment.t_s,
            "x1": moment.t_s,
            "y0": 0,
            "y1": 1,
            "line": {
                "color": palette.act if moment.kind == "first_lift" else palette.muted,
                "width": 1.5,
                "dash": "dash" if moment.kind == "first_lift" else "dot",
            },
            "layer": "below",
        }
        for moment in drawn
    ]


def traces_summary(overview: Overview, moments: Sequence[Moment], units: Units = SI) -> str:
    """The traces in a sentence, for those who don't see them."""
    lifts = [m for m in moments if m.kind in ("first_lift", "lift")]
    start_s, end_s = overview.span_s
    parts = [f"{end_s - start_s:.1f} s of readings"]
    for name, line in overview.lines.items():
        if line.extent is not None:
            parts.append(f"{name} from {' to '.join(_value(name, v, units) for v in line.extent)}")
    openings = sum(w.open_ns.shape[0] for w in overview.wheels)
    parts.append(f"{openings} openings of contacts")
    words = "; ".join(f"{m.words} at {m.t_s:.2f} s" for m in lifts[:4])
    return ", ".join(parts) + (f". Lifts: {words}." if words else ".")


def _value(name: str, value: float, units: Units) -> str:
    if name == "load":
        return units.mass.words(value)
    return units.length.words(value) if name == "radius" else number_words(value, "°", digits=1)


def _moving(
    overview: Overview,
    drawn: Sequence[Drawn],
    palette: Palette,
    rows: Sequence[Row],
    *,
    other: bool,
) -> Iterator[go.Scatter]:
    """The run's traces, or empty places for those of another run: thin, dashed, standing back."""
    colour = palette.muted if other else palette.data
    called = "other " if other else ""
    for (name, line), (x, y) in zip(overview.lines.items(), drawn, strict=False):
        dash = "5px,3px" if other else "solid" if line.sensed else "dash"
        yield go.Scatter(
            x=x,
            y=y,
            yaxis=axis_of(rows, name),
            mode="lines",
            line={"color": colour, "width": 1.3 if other else 1.6, "dash": dash},
            connectgaps=False,
            hovertemplate="%{y:.2f}<extra>" + called + name + "</extra>",
            name=called + name,
        )
    if overview.wheels:
        yield from _contacts(drawn[-2], drawn[-1], palette, axis_of(rows, "contacts"), other=other)


def _contacts(
    bar: Drawn, tick: Drawn, palette: Palette, axis: str, *, other: bool
) -> Iterator[go.Scatter]:
    """Bars and ticks; those of another run are lower and hollow-looking, in ink and not in red."""
    colour, called = (palette.muted, "other ") if other else (palette.act, "")
    yield go.Scatter(
        x=bar[0],
        y=bar[1],
        yaxis=axis,
        mode="lines",
        line={"color": colour, "width": 4 if other else 13},
        connectgaps=False,
        hoverinfo="skip",
        name=called + "open",
    )
    yield go.Scatter(
        x=tick[0],
        y=tick[1],
        yaxis=axis,
        mode="markers",
        marker={
            "symbol": "line-ns",
            "size": 9 if other else 17,
            "line": {"color": colour, "width": 2},
        },
        hovertemplate=called + "opens at %{x:.4f} s<extra></extra>",
        name=called + "opens",
    )


def _still(overview: Overview, palette: Palette, rows: Sequence[Row]) -> Iterator[go.Scatter]:
    """The contacts' ground, and where nothing is known of them."""
    if not overview.wheels:
        return
    axis = axis_of(rows, "contacts")
    start_s, end_s = overview.span_s
    count = len(overview.wheels)
    yield go.Scatter(
        x=[start_s, end_s, None] * count,
        y=[lane for lane in range(count) for _ in range(3)],
        yaxis=axis,
        mode="lines",
        line={"color": palette.muted, "width": 2},
        hoverinfo="skip",
        name="closed",
    )
    x, y = bars((i, np.array(w.unknown.pairs)) for i, w in enumerate(overview.wheels))
    yield go.Scatter(
        x=x,
        y=y,
        yaxis=axis,
        mode="lines",
        line={"color": palette.abnormal_ink, "width": 9, "dash": "2px,4px"},
        hoverinfo="skip",
        name="unknown",
    )


def _lane(moments: Sequence[Moment], lane: int, palette: Palette) -> dict[str, Any]:
    mine = [m for m in moments if LANE_OF_KIND[m.kind] == lane]
    colours = [
        palette.act if m.kind in ("first_lift", "lift", "finding") else palette.ink for m in mine
    ]
    return {
        "x": [m.t_s for m in mine],
        "y": [lane] * len(mine),
        "mode": "markers",
        "marker": {
            "symbol": [SYMBOL_OF_KIND[m.kind] for m in mine],
            "size": 13,
            "color": colours,
            "line": {"color": colours, "width": 2},
        },
        # Words from files stay out of figures, which read markup: lifts name their wheel.
        "text": [
            escape(m.words)
            if m.kind in ("first_lift", "lift", "radius_change")
            else WORDS_OF_KIND[m.kind]
            for m in mine
        ],
        "hovertemplate": "%{text} at %{x:.2f} s<extra></extra>",
        "cliponaxis": False,
        "name": LANES[lane],
    }


def _time_axis(overview: Overview, rows: Sequence[Row], palette: Palette) -> dict[str, Any]:
    start_s, end_s = overview.span_s
    if end_s == start_s:
        end_s = start_s + 1.0
    return line_style(palette) | {
        "range": [start_s, end_s],
        "minallowed": start_s,
        "maxallowed": end_s,
        "anchor": axis_of(rows, rows[-1].name),
        "title": {"text": "Time since the start, s", "standoff": 6, "font": {"size": 13}},
        "showspikes": False,
        "zeroline": False,
    }
