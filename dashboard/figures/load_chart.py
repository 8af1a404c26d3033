"""The derated load chart as curves: load against radius, one for each percentage.

Every curve is stepped as the chart is read: between two radii the load of the next larger one.
A curve has its own dash and mark besides its colour, and its percentage stands beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import plotly.graph_objects as go

from dashboard.capacity.sectors.load_chart import (
    SectorLike,
    derated_kg,
    percentages,
    places_words,
)
from dashboard.figures.derated_chart import length_at_most, load_at_most
from dashboard.figures.palette import FONT, Palette
from dashboard.figures.units import SI, Units
from dashboard.figures.words import plain_number
from logger.readings.load_chart import ChartRow, LoadChart

_DASHES = ("dash", "dot", "dashdot", "longdash", "longdashdot")
_MARKS = ("diamond", "square", "triangle-up", "cross", "pentagon")
_LABEL_PX = 20
"""Height of a label beside a curve."""
_HEADROOM = 1.06
_MARGIN_PX = {"l": 68, "r": 128, "t": 10, "b": 52}
_FULL_PERCENT = 100.0


def load_chart_figure(
    chart: LoadChart,
    sectors: Sequence[SectorLike],
    palette: Palette,
    *,
    units: Units = SI,
    boom_length_m: float | None = None,
    narrow: bool = False,
) -> go.Figure:
    """Draws a crane's chart and what is left of it for each percentage.

    Args:
        chart: the crane's chart.
        sectors: of both sides.
        palette: colours.
        units: in which it is read.
        boom_length_m: which of the chart's boom lengths, m; the first by default.
        narrow: for a screen of a hand's breadth.
    """
    lengths_m = chart.boom_lengths_m
    length_m = lengths_m[0] if lengths_m and boom_length_m is None else boom_length_m
    drawn = _Drawn(chart, chart.rows_of(length_m if lengths_m else None), units)
    shares = [p for p in percentages(sectors) if p < _FULL_PERCENT]
    full = _FULL_PERCENT in percentages(sectors)
    curves = [
        _chart_curve(drawn, palette, full=full, places=places_words(sectors, _FULL_PERCENT)),
        *(
            _curve(drawn, palette, percent=p, places=places_words(sectors, p), index=i)
            for i, p in enumerate(shares)
        ),
    ]
    height_px = 320 if narrow else 400
    figure = go.Figure(data=curves, layout=_layout(drawn, palette, height_px=height_px))
    figure.update_layout(annotations=[*_labels(curves, palette, height_px=height_px)])
    return figure


def load_chart_summary(sectors: Sequence[SectorLike]) -> str:
    """The figure in sentences, for those who don't see it."""
    told = [f"{plain_number(p)} % {places_words(sectors, p)}" for p in percentages(sectors)]
    if not told:
        return "No sector allows any lifting, so nothing of the crane's chart is left."
    barred = places_words(sectors, 0.0)
    none = f" No lifting {barred}." if barred else ""
    return f"Of the crane's chart, rounded down: {'; '.join(told)}.{none}"


class _Drawn(NamedTuple):
    """The lines of a chart that are drawn, and in which units."""

    chart: LoadChart
    rows: Sequence[ChartRow]
    units: Units


def _chart_curve(drawn: _Drawn, palette: Palette, *, full: bool, places: str) -> go.Scatter:
    name = "chart = 100 %" if full else "chart"
    where = places if full else "the crane's own chart, allowed nowhere in full"
    curve = _stepped(drawn, percent=_FULL_PERCENT, name=name, where=where)
    curve.update(
        line={"color": palette.safe_ink if full else palette.muted, "width": 3, "shape": "vh"},
        marker={"symbol": "circle", "size": 8},
    )
    return curve


def _curve(
    drawn: _Drawn, palette: Palette, *, percent: float, places: str, index: int
) -> go.Scatter:
    name = f"{plain_number(percent)} %"
    curve = _stepped(drawn, percent=percent, name=name, where=places)
    curve.update(
        line={
            "color": palette.abnormal_ink,
            "width": 2.5,
            "shape": "vh",
            "dash": _DASHES[index % len(_DASHES)],
        },
        marker={"symbol": _MARKS[index % len(_MARKS)], "size": 9},
    )
    return curve


def _stepped(drawn: _Drawn, *, percent: float, name: str, where: str) -> go.Scatter:
    chart, rows, units = drawn
    step_kg = chart.load_step_kg
    loads_kg = [derated_kg(r.load_kg, percent, step_kg=step_kg) for r in rows]
    length, mass = units.length, units.mass
    return go.Scatter(
        x=[length.of(r.radius_m) for r in rows],
        y=[mass.of(load_kg) for load_kg in loads_kg],
        mode="lines+markers",
        name=name,
        text=[
            f"{load_at_most(load_kg, chart, mass)} {mass.unit} up to "
            f"{length_at_most(r.radius_m, chart.radius_unit, length)} {length.unit}: "
            f"{name}<br>{where}"
            for r, load_kg in zip(rows, loads_kg, strict=True)
        ],
        hoverinfo="text",
    )


def _labels(
    curves: Sequence[go.Scatter], palette: Palette, *, height_px: int
) -> Iterator[dict[str, Any]]:
    """The curves' names to the right of their ends, kept apart, each with a line to its end."""
    plot_px = height_px - _MARGIN_PX["t"] - _MARGIN_PX["b"]
    px_per_unit = plot_px / (_HEADROOM * max(max(c.y) for c in curves) or 1.0)
    ends_px = [plot_px - c.y[-1] * px_per_unit for c in curves]
    places_px = _apart(ends_px, bottom_px=plot_px - _LABEL_PX / 2)
    for curve, end_px, place_px in zip(curves, ends_px, places_px, strict=True):
        yield {
            "text": f"<b>{curve.name.replace('chart = ', 'chart =<br>')}</b>"
            if len(curves) == 1
            else f"<b>{curve.name}</b>",
            "x": curve.x[-1],
            "y": curve.y[-1],
            "ax": 22,
            "ay": place_px - end_px,
            "xanchor": "left",
            "showarrow": True,
            "arrowhead": 0,
            "arrowwidth": 1,
            "arrowcolor": palette.muted,
            "standoff": 6,
            "font": {"size": 13, "color": curve.line.color},
        }


def _apart(wanted_px: Sequence[float], *, bottom_px: float) -> list[float]:
    """Places from the top down, as near to the wanted ones as a label's height allows."""
    places: list[float] = []
    for wanted in wanted_px:
        places.append(max(wanted, places[-1] + _LABEL_PX) if places else wanted)
    over_px = max(0.0, places[-1] - bottom_px) if places else 0.0
    moved: list[float] = []
    for place in reversed(places):
        limit = moved[-1] - _LABEL_PX if moved else place - over_px
        moved.append(min(place, limit))
    return moved[::-1]


def _layout(drawn: _Drawn, palette: Palette, *, height_px: int) -> go.Layout:
    axis = {
        "gridcolor": palette.grid,
        "linecolor": palette.muted,
        "tickfont": {"size": 13, "color": palette.muted},
        "zeroline": False,
        "fixedrange": True,
        "showline": True,
    }
    rows, length, load = drawn.rows, drawn.units.length, drawn.units.mass
    first, last = (length.of(r.radius_m) for r in (rows[0], rows[-1]))
    spare = 0.04 * (last - first) or 0.1 * last
    title = {"size": 14, "color": palette.ink}
    most = max(load.of(r.load_kg) for r in rows) or 1.0
    return go.Layout(
        template="none",
        font={"family": FONT, "size": 14, "color": palette.ink},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        height=height_px,
        margin=_MARGIN_PX,
        showlegend=False,
        hovermode="closest",
        dragmode=False,
        hoverlabel={"bgcolor": palette.ground, "font": {"color": palette.ink}},
        xaxis=axis
        | {
            "title": {"text": f"radius, {length.unit}", "font": title},
            "range": [first - spare, last + spare],
        },
        yaxis=axis
        | {
            "title": {"text": f"load, {load.unit}", "font": title},
            "range": [0, _HEADROOM * most],
            "tickformat": ",~f" if most >= 10 else "",
        },
    )
