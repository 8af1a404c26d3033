"""The figure of a plan for a page: weight against radius, the planned point on the curve."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import plotly.graph_objects as go

from dashboard.figures.palette import FONT, Palette
from dashboard.figures.plan_curve import Frame, PlanCurve, PlanDocument, Point, inside, plan_curve
from dashboard.figures.units import SI, Units
from dashboard.figures.words import plain_number

_HEIGHT_PX = 460
_NARROW_HEIGHT_PX = 420
_WINDOW_X, _WINDOW_Y = (0.58, 0.97), (0.58, 0.91)
"""Where the window around the planned point stands, shares of the figure: above the curve."""


def plan_load_figure(
    plan: PlanDocument, palette: Palette, *, narrow: bool = False, units: Units = SI
) -> go.Figure:
    """Draws weight against radius.

    Args:
        plan: a ``slewtrace.plan/1`` document.
        palette: colours.
        narrow: for a screen of a hand's breadth: smaller words.
        units: what the figure is read in.
    """
    curve = _in_units(plan_curve(plan), units)
    size = 12 if narrow else 14
    layout = go.Layout(
        template="none",
        font={"family": FONT, "size": size, "color": palette.ink},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor=palette.ground,
        height=_NARROW_HEIGHT_PX if narrow else _HEIGHT_PX,
        margin={"l": 52 if narrow else 68, "r": 16, "t": 8, "b": 112 if narrow else 84},
        legend={
            "orientation": "h",
            "x": 0,
            "y": -0.16 if not narrow else -0.2,
            "yanchor": "top",
            "traceorder": "normal",
            "font": {"size": size - 1, "color": palette.ink},
            "itemclick": False,
            "itemdoubleclick": False,
        },
        hovermode="closest",
        hoverlabel={"font": {"family": FONT, "size": 13}},
        dragmode=False,
        annotations=[*_labels(curve, palette, size, units)],
        **_axes(curve, palette, size, units),
    )
    return go.Figure(data=[*_traces(curve, palette, units)], layout=layout)


def plan_load_summary(plan: PlanDocument, units: Units = SI) -> str:
    """The figure in sentences, for those who don't see it."""
    curve = plan_curve(plan)
    reach = ""
    if curve.reach_m is not None:
        reach_words = f"{units.length.of(curve.reach_m):.2f} {units.length.unit}"
        reach = f" The crane reaches {reach_words}."
    radius = units.length.words(curve.planned[0], digits=curve.digits)
    return (
        f"Load against radius for a moment of {units.moment.words(curve.required_nm)}: "
        f"{units.mass.words(curve.planned[1])} at {radius} is planned.{reach}"
    )


def _in_units(curve: PlanCurve, units: Units) -> PlanCurve:
    """The same lines and points with radii and loads in other units; moments stay in SI."""
    if units.name == "si":
        return curve
    length, mass = units.length.of, units.mass.of

    def point(place: Point) -> Point:
        return length(place[0]), mass(place[1])

    def line(points: tuple[Point, ...]) -> tuple[Point, ...]:
        return tuple(map(point, points))

    def frame(of: Frame) -> dict[str, Any]:
        x, y = ((ends[0], ends[1]) for ends in (of.x_m, of.y_kg))
        return {"x_m": (length(x[0]), length(x[1])), "y_kg": (mass(y[0]), mass(y[1]))}

    window = replace(
        curve.window,
        bare=line(curve.window.bare),
        guarded=line(curve.window.guarded),
        tested=point(curve.window.tested),
        planned=point(curve.window.planned),
        **frame(curve.window),
    )
    return replace(
        curve,
        bare=line(curve.bare),
        window=window,
        planned=point(curve.planned),
        others=line(curve.others),
        chart=line(curve.chart),
        asked=line(curve.asked),
        reach_m=None if curve.reach_m is None else length(curve.reach_m),
        **frame(curve),
    )


def _axes(curve: PlanCurve, palette: Palette, size: int, units: Units) -> dict[str, Any]:
    """The figure's axes, and those of the window around the planned point."""
    axis = {
        "showgrid": True,
        "gridcolor": palette.grid,
        "zeroline": False,
        "fixedrange": True,
        "tickfont": {"size": size - 1, "color": palette.muted},
    }
    title = {"standoff": 6, "font": {"size": size, "color": palette.muted}}
    window = curve.window
    framed = axis | {"showline": True, "mirror": True, "linecolor": palette.muted, "ticks": ""}
    radii = sorted({window.tested[0], window.planned[0]})
    return {
        "xaxis": axis
        | {"range": curve.x_m, "title": title | {"text": f"radius, {units.length.unit}"}},
        "yaxis": axis
        | {"range": curve.y_kg, "title": title | {"text": f"load, {units.mass.unit}"}},
        "xaxis2": framed
        | {
            "domain": _WINDOW_X,
            "anchor": "y2",
            "range": window.x_m,
            "tickvals": radii,
            "ticktext": [f"{r:.{curve.digits}f} {units.length.unit}" for r in radii],
            "tickangle": 0,
            "tickfont": {"size": size - 1, "color": palette.ink},
        },
        "yaxis2": framed
        | {
            "domain": _WINDOW_Y,
            "anchor": "x2",
            "range": window.y_kg,
            "tickvals": [window.planned[1]],
            "showticklabels": False,
        },
    }


def _traces(curve: PlanCurve, palette: Palette, units: Units) -> Iterator[go.Scatter]:
    needs = f"needs {units.moment.words(curve.required_nm)}"
    yield from _reach(curve, palette, units)
    yield _card(curve, palette)
    yield _line(inside(curve.bare, curve), palette.data, needs, width=2.5)
    if curve.chart:
        yield _line(inside(curve.chart, curve), palette.muted, "crane's chart", width=2)
        name = f"chart × {plain_number(round(curve.factor, 2))}"
        yield _line(inside(curve.asked, curve), palette.muted, name, width=1.5, dash="dot")
    yield _points(curve.others, palette, name="other loads", symbol="circle-open", size=9)
    yield _points((curve.planned,), palette, name="planned", symbol="diamond", size=14)
    window, there = curve.window, {"xaxis": "x2", "yaxis": "y2"}
    bare = _line(window.bare, palette.data, needs, width=2.5)
    yield bare.update(showlegend=False, **there)
    guarded = _line(window.guarded, palette.abnormal_ink, "guard", width=1.5, dash="dash")
    yield guarded.update(fill="tonexty", fillcolor=palette.abnormal, **there)
    tested = _points((window.tested,), palette, name="bare", symbol="diamond-open", size=12)
    yield tested.update(showlegend=False, **there)
    planned = _points((window.planned,), palette, name="planned", symbol="diamond", size=14)
    yield planned.update(showlegend=False, **there)


def _reach(curve: PlanCurve, palette: Palette, units: Units) -> Iterator[go.Scatter]:
    """What lies beyond the crane's reach, as a field."""
    if curve.reach_m is None or curve.reach_m >= curve.x_m[1]:
        return
    (left, right), (low, high) = curve.x_m, curve.y_kg
    left = max(curve.reach_m, left)
    yield go.Scatter(
        x=[left, left, right, right],
        y=[low, high, high, low],
        mode="lines",
        line={"color": palette.barred_ink, "width": 1},
        fill="toself",
        fillcolor=palette.barred,
        hoverinfo="skip",
        legendrank=2000,
        name=f"beyond the reach, {curve.reach_m:.2f} {units.length.unit}",
    )


def _card(curve: PlanCurve, palette: Palette) -> go.Scatter:
    """Clear ground under the window and its words, whatever lies there."""
    (left, right), (low, high) = curve.x_m, curve.y_kg
    x0, x1 = (left + s * (right - left) for s in (_WINDOW_X[0] - 0.01, 0.995))
    y0, y1 = (low + s * (high - low) for s in (_WINDOW_Y[0] - 0.065, 0.995))
    return go.Scatter(
        x=[x0, x0, x1, x1],
        y=[y0, y1, y1, y0],
        mode="none",
        fill="toself",
        fillcolor=palette.ground,
        hoverinfo="skip",
        showlegend=False,
        name="ground",
    )


def _line(
    points: tuple[Point, ...], colour: str, name: str, *, width: float, dash: str = "solid"
) -> go.Scatter:
    return go.Scatter(
        x=[x for x, _ in points],
        y=[y for _, y in points],
        mode="lines",
        line={"color": colour, "width": width, "dash": dash},
        name=name,
        hovertemplate="%{y:.0f} at %{x:.2f}<extra>" + name + "</extra>",
    )


def _points(
    points: tuple[Point, ...], palette: Palette, *, name: str, symbol: str, size: int
) -> go.Scatter:
    return go.Scatter(
        x=[x for x, _ in points],
        y=[y for _, y in points],
        mode="markers",
        marker={
            "symbol": symbol,
            "size": size,
            "color": palette.ink,
            "line": {"color": palette.ink, "width": 2},
        },
        name=name,
        hovertemplate="%{y:.1f} at %{x:.2f}<extra>" + name + "</extra>",
    )


def _labels(
    curve: PlanCurve, palette: Palette, size: int, units: Units
) -> Iterator[dict[str, Any]]:
    soft = {"size": size, "color": palette.muted}
    radius_m, load_kg = curve.planned
    yield {
        "x": sum(_WINDOW_X) / 2,
        "y": _WINDOW_Y[1],
        "xref": "paper",
        "yref": "paper",
        "text": f"<b>{load_kg:.0f} {units.mass.unit} at "
        f"{radius_m:.{curve.digits}f} {units.length.unit}</b>",
        "showarrow": False,
        "xanchor": "center",
        "yanchor": "bottom",
        "bgcolor": palette.ground,
        "font": {"size": size + 1, "color": palette.ink},
    }
    left, low = curve.x_m[0], curve.y_kg[0]
    yield _still("falls short", left, low, soft) | {"xanchor": "left", "yanchor": "bottom"}
    yield _still("proves the moment", _WINDOW_X[0] - 0.03, 0.86, soft) | {
        "xref": "paper",
        "yref": "paper",
        "xanchor": "right",
    }


def _still(text: str, x: float, y: float, font: dict[str, Any]) -> dict[str, Any]:
    return {"text": text, "x": x, "y": y, "font": font, "showarrow": False, "borderpad": 6}
