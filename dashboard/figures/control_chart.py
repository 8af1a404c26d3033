"""A control chart: each run's value in order, the moving range beneath, limits a phase, signals.

A signal has a shape of its own and a word in the legend; limits are told apart by how their lines
are drawn and by a label at their end. Each point opens its run.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.control_points import (
    MOST_POINTS,
    ControlChart,
    drawn_in,
    stretches,
)
from dashboard.figures.palette import FONT, Palette, see_through
from dashboard.figures.trace_rows import line_style
from dashboard.figures.words import drawn_name

_VALUE_PX, _RANGE_PX, _GAP_PX, _TOP_PX = 250, 110, 40, 48
_BOTTOM_PX, _NARROW_BOTTOM_PX = 104, 150
_CROWD = 80
"""Marks beyond which they are drawn small."""
_LABELLED = 6
"""Phases whose names stand above them, at most."""

Told = Mapping[int, tuple[str, str]]
"""By number of a run: what is said of it (with breaks, escaped), and the address that opens it."""


def control_chart_figure(
    chart: ControlChart, palette: Palette, *, told: Told, narrow: bool = False
) -> go.Figure:
    """Draws the chart.

    Args:
        chart: values, limits and signals.
        palette: colours.
        told: what is said of each run that is drawn, and where it opens; see :func:`drawn_runs`.
        narrow: for a screen of a hand's breadth.
    """
    data = [
        *_bands(chart, palette),
        *_limits(chart, palette),
        _line(chart, told, palette, of_range=False),
        _line(chart, told, palette, of_range=True),
        *_signals(chart, told, palette),
    ]
    return go.Figure(data=data, layout=_layout(chart, palette, narrow=narrow))


def _line(chart: ControlChart, told: Told, palette: Palette, *, of_range: bool) -> go.Scatter:
    """The runs of a row; joined where each is drawn, though not from build to build."""
    row = chart.ranges if of_range else chart.values
    breaks = {phase.first for phase in chart.phases[1:]}
    numbers = drawn_in(chart, of_range=of_range).tolist()
    if row.size > MOST_POINTS:  # the mark of a signal stands for its run
        marked = {n for s in chart.signals if s.of_range == of_range for n in s.at}
        numbers = [n for n in numbers if n not in marked]
    points: list[int | None] = []
    for number in numbers:
        points += [None, number] if number in breaks else [number]
    return go.Scatter(
        x=[None if n is None else n + 1 for n in points],
        y=[None if n is None or np.isnan(row[n]) else float(row[n]) for n in points],
        yaxis="y2" if of_range else "y",
        # A line would join runs that don't follow each other.
        mode="markers" if row.size > MOST_POINTS else "lines+markers",
        line={"color": palette.data, "width": 1.2},
        marker={"color": palette.data, "size": 7 if row.size <= _CROWD else 4},
        text=[None if n is None else told[n][0] for n in points],
        customdata=[None if n is None else told[n][1] for n in points],
        hoverinfo="text",
        name="a run",
        showlegend=not of_range,
    )


def _bands(chart: ControlChart, palette: Palette) -> Iterator[go.Scatter]:
    """From the least to the greatest of each stretch, where not every run is drawn."""
    if chart.values.size <= MOST_POINTS:
        return
    for axis, row in (("y", chart.values), ("y2", chart.ranges)):
        ends = stretches(row)
        x = [(low + high) / 2 + 1 for low, high in ends]
        lows, highs = ([float(row[pair[i]]) for pair in ends] for i in (0, 1))
        yield go.Scatter(
            x=[*x, *x[::-1]],
            y=[*highs, *lows[::-1]],
            yaxis=axis,
            mode="lines",
            fill="toself",
            fillcolor=see_through(palette.data, 0.22),
            line={"width": 0.8, "color": palette.data},
            hoverinfo="skip",
            name="all runs lie within",
            showlegend=axis == "y",
        )


def _signals(chart: ControlChart, told: Told, palette: Palette) -> Iterator[go.Scatter]:
    """Marks over the runs that a rule points out."""
    drawn = {r: set(drawn_in(chart, of_range=r).tolist()) for r in (False, True)}
    for signal in chart.signals:
        numbers = [n for n in signal.at if n in drawn[signal.of_range]]
        row = chart.ranges if signal.of_range else chart.values
        few = len(numbers) <= _CROWD
        yield go.Scatter(
            x=[n + 1 for n in numbers],
            y=[float(row[n]) for n in numbers],
            yaxis="y2" if signal.of_range else "y",
            mode="markers",
            marker={
                "symbol": signal.mark,
                "size": 12 if few else 8,
                "color": palette.abnormal,
                "line": {"color": palette.abnormal_ink, "width": 2 if few else 1.2},
            },
            text=[told[n][0] for n in numbers],
            customdata=[told[n][1] for n in numbers],
            hoverinfo="text",
            name=signal.words,
        )


def _limits(chart: ControlChart, palette: Palette) -> Iterator[go.Scatter]:
    """Means and limits as steps from phase to phase, broken between them."""
    spans = [(p.first + 0.5, p.end + 0.5) for p in chart.phases]
    for axis, name, dash, named, levels in (
        ("y", "mean of a phase", "solid", True, [p.mean for p in chart.phases]),
        ("y", "control limits", "dash", True, [p.upper for p in chart.phases]),
        ("y", "control limits", "dash", False, [p.lower for p in chart.phases]),
        ("y2", "mean of a phase", "solid", False, [p.range_mean for p in chart.phases]),
        ("y2", "control limits", "dash", False, [p.range_upper for p in chart.phases]),
    ):
        x: list[float | None] = []
        y: list[float | None] = []
        for (first, end), level in zip(spans, levels, strict=True):
            x += [first, end, None]
            y += [level, level, None]
        yield go.Scatter(
            x=x,
            y=y,
            yaxis=axis,
            mode="lines",
            line={"color": palette.ink, "width": 1.6, "dash": dash},
            hoverinfo="skip",
            name=name,
            legendgroup=name,
            showlegend=named,
        )


def _layout(chart: ControlChart, palette: Palette, *, narrow: bool) -> dict[str, Any]:
    inner = _VALUE_PX + _GAP_PX + _RANGE_PX
    bottom = _NARROW_BOTTOM_PX if narrow else _BOTTOM_PX
    count = chart.values.size
    axis = line_style(palette) | {"zeroline": False, "fixedrange": True}
    return {
        "template": "none",
        "font": {"family": FONT, "size": 12 if narrow else 13, "color": palette.ink},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "height": _TOP_PX + inner + bottom,
        "margin": {
            "l": 58,
            "r": 34 if narrow else 78,
            "t": _TOP_PX,
            "b": bottom,
        },
        "hovermode": "closest",
        "hoverlabel": {"font": {"family": FONT, "size": 13}, "align": "left"},
        "legend": {"orientation": "h", "x": 0, "y": -0.14, "yanchor": "top", "font": {"size": 12}},
        "xaxis": axis
        | {
            "range": [0.5 - 0.01 * count, count + 0.5 + 0.01 * count],
            "anchor": "y2",
            "showgrid": False,
            **_ticks(chart, narrow=narrow),
        },
        "yaxis": axis
        | {"domain": [(_RANGE_PX + _GAP_PX) / inner, 1], "range": _scale(chart), "nticks": 6},
        "yaxis2": axis | {"domain": [0, _RANGE_PX / inner], "rangemode": "tozero", "nticks": 4},
        "shapes": [*_borders(chart, palette)],
        "annotations": [
            *_titles(chart, inner),
            *_phase_names(chart, palette, narrow=narrow),
            *(() if narrow else _limit_names(chart, palette)),
        ],
    }


def _scale(chart: ControlChart) -> list[float]:
    """From the least value or limit to the greatest, with some air."""
    ends = [float(chart.values.min()), float(chart.values.max())]
    ends += [e for p in chart.phases for e in (p.lower, p.upper) if e is not None]
    air = 0.06 * (max(ends) - min(ends)) or max(abs(ends[0]) * 0.05, 1.0)
    return [min(ends) - air, max(ends) + air]


def _ticks(chart: ControlChart, *, narrow: bool) -> dict[str, Any]:
    """Some runs by their number and day."""
    count = chart.values.size
    about = min(count, 3 if narrow else 6)
    numbers = sorted({round(n) for n in np.linspace(0, count - 1, about)})
    words = [f"{n + 1:,}<br>{chart.days[n]}".replace(",", "\u202f") for n in numbers]
    return {"tickvals": [n + 1 for n in numbers], "ticktext": words}


def _borders(chart: ControlChart, palette: Palette) -> Iterator[dict[str, Any]]:
    """A line where the build changes."""
    for phase in chart.phases[1:]:
        yield {
            "type": "line",
            "xref": "x",
            "yref": "paper",
            "x0": phase.first + 0.5,
            "x1": phase.first + 0.5,
            "y0": 0,
            "y1": 1,
            "line": {"color": palette.muted, "width": 1, "dash": "dot"},
        }


def _titles(chart: ControlChart, inner: int) -> Iterator[dict[str, Any]]:
    for top, words, shift in (
        (1.0, chart.value_title, 22),
        (_RANGE_PX / inner, chart.range_title, 4),
    ):
        yield {
            "text": f"<b>{words}</b>",
            "xref": "paper",
            "yref": "paper",
            "x": 0,
            "y": top,
            "xanchor": "left",
            "yanchor": "bottom",
            "yshift": shift,
            "showarrow": False,
        }


def _phase_names(
    chart: ControlChart, palette: Palette, *, narrow: bool
) -> Iterator[dict[str, Any]]:
    """The builds above their phases, where there is room for them."""
    least = chart.values.size / (3 if narrow else _LABELLED + 2)
    for phase in chart.phases:
        if phase.end - phase.first < least and len(chart.phases) > (2 if narrow else _LABELLED):
            continue
        yield {
            "text": drawn_name(phase.name),
            "xref": "x",
            "yref": "paper",
            "x": phase.first + 0.5,
            "y": 1,
            "xanchor": "left",
            "yanchor": "bottom",
            "xshift": 3,
            "yshift": 2,
            "showarrow": False,
            "font": {"size": 12, "color": palette.muted},
        }


def _limit_names(chart: ControlChart, palette: Palette) -> Iterator[dict[str, Any]]:
    """Words at the end of the last phase's lines, to the right of the chart."""
    last = chart.phases[-1]
    for axis, level, words in (
        ("y", last.upper, "upper limit"),
        ("y", last.mean, "mean"),
        ("y", last.lower, "lower limit"),
        ("y2", last.range_upper, "limit"),
        ("y2", last.range_mean, "mean"),
    ):
        if level is not None and (words == "mean" or last.upper is not None):
            yield {
                "text": words,
                "xref": "paper",
                "yref": axis,
                "x": 1,
                "y": level,
                "xanchor": "left",
                "yanchor": "middle",
                "xshift": 4,
                "showarrow": False,
                "font": {"size": 12, "color": palette.ink},
            }
