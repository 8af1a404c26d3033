"""The truck, the boom and the load seen from above at one moment of a run.

Cab at the top, rear at the bottom, so that the truck's right side is on the right. Each wheel
is drawn with a shape and a word for its state, the load full where it hangs and hollow where it
stands on the ground. The traces that move come first and in a fixed order, and every wheel and
the load are there in each of their states, one of them seen: a page that replays a run moves
and uncovers what is drawn, and need not draw anew.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.palette import FONT, Palette
from dashboard.figures.truck_outline import TruckOutline, on_screen
from dashboard.figures.units import SI, Units
from dashboard.figures.words import angle_words, drawn_name, wheel_words

BOOM, LOAD, WHEELS = 0, 1, 2
"""Places of the moving traces in the figure."""

WheelState = Literal["closed", "open", "unknown"]
LoadPlace = Literal["hanging", "ground", "unknown"]

WHEEL_STATES: tuple[WheelState, ...] = ("closed", "open", "unknown")
LOAD_PLACES: tuple[LoadPlace, ...] = ("hanging", "ground", "unknown")
WORD_OF_WHEEL: dict[str, str] = {"closed": "down", "open": "LIFTED", "unknown": "UNKNOWN"}
WORD_OF_LOAD: dict[str, str] = {
    "hanging": "load hanging",
    "ground": "load on the ground",
    "unknown": "load unknown",
}
_WHEEL_SYMBOL = {"closed": "square", "open": "triangle-up", "unknown": "circle-open-dot"}
_WHEEL_SIZE = {"closed": 13, "open": 22, "unknown": 20}
_WHEEL_LINE = {"closed": 1, "open": 1, "unknown": 4}
_LOAD_SYMBOL = {"hanging": "circle", "ground": "square-open", "unknown": "circle-open-dot"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanState:
    """What the plan shows.

    Attributes:
        slew_deg: slew angle, deg; None where unknown.
        radius_m: radius, m; None where unknown: the boom is then drawn to the ring.
        load: where the load is.
        wheels: state of each wheel, in the outline's order.
    """

    slew_deg: float | None
    radius_m: float | None
    load: LoadPlace
    wheels: tuple[WheelState, ...]


def plan_figure(
    outline: TruckOutline,
    state: PlanState,
    palette: Palette,
    *,
    names: Sequence[str],
    ring_m: float,
    units: Units = SI,
) -> go.Figure:
    """Draws the plan.

    Args:
        outline: the truck.
        state: the moment.
        palette: colours.
        names: the wheels' names, in the outline's order.
        ring_m: radius of the ring that carries the angles, m: the farthest the load goes.
        units: what the ring's radius is written in.
    """
    layout = go.Layout(
        template="none",
        font={"family": FONT, "size": 13, "color": palette.ink},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        margin={"l": 8, "r": 8, "t": 8, "b": 8},
        showlegend=False,
        hovermode=False,
        dragmode=False,
        shapes=[*_body(outline, palette)],
        annotations=[*_labels(outline, palette, ring_m, units)],
        meta=_meta(outline, palette, ring_m, names),
        uirevision="plan",
        **_axes(outline, ring_m),
    )
    return go.Figure(
        data=[
            _boom(outline, state, palette, ring_m),
            _load(outline, state, palette, ring_m),
            _wheels(outline, state, palette, names),
            _ring(outline, palette, ring_m),
        ],
        layout=layout,
    )


def plan_summary(state: PlanState, names: Sequence[str], units: Units = SI) -> str:
    """The plan in a sentence, for those who don't see it."""
    lifted = [wheel_words(n) for n, s in zip(names, state.wheels, strict=True) if s == "open"]
    unknown = [wheel_words(n) for n, s in zip(names, state.wheels, strict=True) if s == "unknown"]
    parts = [
        f"Boom at {angle_words(state.slew_deg)}",
        f"radius {units.length.words(state.radius_m)}",
        WORD_OF_LOAD[state.load],
        f"lifted: {', '.join(lifted)}" if lifted else "no wheel lifted",
    ]
    if unknown:
        parts.append(f"unknown: {', '.join(unknown)}")
    return "; ".join(parts) + "."


def _boom(outline: TruckOutline, state: PlanState, palette: Palette, ring_m: float) -> go.Scatter:
    (x0, y0), (x1, y1) = on_screen(outline.column), _tip(outline, state, ring_m)
    return go.Scatter(
        x=[x0, x1],
        y=[y0, y1],
        mode="lines",
        line={"color": palette.boom, "width": 7},
        opacity=1.0 if state.slew_deg is not None else 0.0,
        name="boom",
    )


def _load(outline: TruckOutline, state: PlanState, palette: Palette, ring_m: float) -> go.Scatter:
    x, y = _tip(outline, state, ring_m)
    return go.Scatter(
        x=[x] * len(LOAD_PLACES),
        y=[y] * len(LOAD_PLACES),
        mode="markers",
        marker={
            "symbol": [_LOAD_SYMBOL[p] for p in LOAD_PLACES],
            "size": 24,
            "color": palette.ink,
            "line": {"color": palette.ink, "width": 3},
            "opacity": [1 if p == state.load else 0 for p in LOAD_PLACES],
        },
        opacity=1.0 if state.slew_deg is not None else 0.0,
        name="load",
    )


def _tip(outline: TruckOutline, state: PlanState, ring_m: float) -> tuple[float, float]:
    radius_m = ring_m if state.radius_m is None else state.radius_m
    return on_screen(outline.boom_tip(state.slew_deg or 0.0, radius_m))


def _wheels(
    outline: TruckOutline, state: PlanState, palette: Palette, names: Sequence[str]
) -> go.Scatter:
    drawn = [
        (on_screen(place), name, drawn_state, drawn_state == is_state)
        for place, name, is_state in zip(outline.wheels, names, state.wheels, strict=True)
        for drawn_state in WHEEL_STATES
    ]
    states = [s for _, _, s, _ in drawn]
    colours = {"closed": palette.ink, "open": palette.act, "unknown": palette.abnormal_ink}
    return go.Scatter(
        x=[x for (x, _), _, _, _ in drawn],
        y=[y for (_, y), _, _, _ in drawn],
        mode="markers+text",
        text=[f"{drawn_name(n)}<br><b>{WORD_OF_WHEEL[s]}</b>" for _, n, s, _ in drawn],
        textposition=["middle right" if x > 0 else "middle left" for (x, _), _, _, _ in drawn],
        textfont={
            "size": 13,
            "color": [palette.ink if seen else "rgba(0,0,0,0)" for _, _, _, seen in drawn],
        },
        marker={
            "symbol": [_WHEEL_SYMBOL[s] for s in states],
            "size": [_WHEEL_SIZE[s] for s in states],
            "color": [colours[s] for s in states],
            "line": {"color": palette.ground, "width": [_WHEEL_LINE[s] for s in states]},
            "opacity": [1 if seen else 0 for _, _, _, seen in drawn],
        },
        cliponaxis=False,
        name="wheels",
    )


def _ring(outline: TruckOutline, palette: Palette, ring_m: float) -> go.Scatter:
    psi = np.linspace(-math.pi, math.pi, 181)
    x0, y0 = on_screen(outline.column)
    return go.Scatter(
        x=x0 + ring_m * np.sin(psi),
        y=y0 - ring_m * np.cos(psi),
        mode="lines",
        line={"color": palette.muted, "width": 1, "dash": "dot"},
        name="ring",
    )


def _body(outline: TruckOutline, palette: Palette) -> Iterator[dict[str, Any]]:
    rear, front, half, cab = outline.body
    line = {"color": palette.muted, "width": 1.5}
    yield _box((-half, rear, half, cab - 0.08), 0.12, palette.body, line)
    yield _box((-half, cab, half, front), 0.35, palette.body, line)
    # The windscreen tells front from rear without a word.
    yield {
        "type": "line",
        "x0": -0.72 * half,
        "x1": 0.72 * half,
        "y0": front - 0.42,
        "y1": front - 0.42,
        "line": {"color": palette.muted, "width": 3},
        "layer": "below",
    }
    for place in outline.outriggers:
        x, y = on_screen(place)
        yield {
            "type": "line",
            "x0": 0,
            "x1": x,
            "y0": y,
            "y1": y,
            "line": {"color": palette.muted, "width": 4},
            "layer": "below",
        }
        yield _box((x - 0.18, y - 0.18, x + 0.18, y + 0.18), 0.03, palette.body, line)
    x, y = on_screen(outline.column)
    yield {
        "type": "circle",
        "x0": x - 0.28,
        "x1": x + 0.28,
        "y0": y - 0.28,
        "y1": y + 0.28,
        "fillcolor": palette.ground,
        "line": {"color": palette.boom, "width": 3},
        "layer": "below",
    }


def _box(
    corners: tuple[float, float, float, float], round_m: float, fill: str, line: dict[str, Any]
) -> dict[str, Any]:
    """A rectangle with rounded corners, as a plotly shape."""
    (x0, y0, x1, y1), r = corners, round_m
    path = (
        f"M{x0 + r},{y0} L{x1 - r},{y0} Q{x1},{y0} {x1},{y0 + r} L{x1},{y1 - r} "
        f"Q{x1},{y1} {x1 - r},{y1} L{x0 + r},{y1} Q{x0},{y1} {x0},{y1 - r} "
        f"L{x0},{y0 + r} Q{x0},{y0} {x0 + r},{y0} Z"
    )
    return {"type": "path", "path": path, "fillcolor": fill, "line": line, "layer": "below"}


def _labels(
    outline: TruckOutline, palette: Palette, ring_m: float, units: Units
) -> Iterator[dict[str, Any]]:
    rear, front, _, cab = outline.body
    x0, y0 = on_screen(outline.column)
    strong = {"size": 14, "color": palette.ink}
    plate = {"bgcolor": palette.body, "borderpad": 2}
    yield _words("CAB", 0, (cab + front) / 2 - 0.15, strong) | plate
    yield _words("REAR", 0, rear - 0.3, strong)
    soft = {"size": 13, "color": palette.muted}
    reach = ring_m + 0.22
    yield _words("0°", x0, y0 - reach, soft) | {"yanchor": "top", "yshift": 4}
    on_ring = ring_m * math.sqrt(0.5)
    yield _words(units.length.words(ring_m), x0 + on_ring, y0 - on_ring, soft) | {
        "xanchor": "left",
        "yanchor": "top",
        "font": {"size": 12, "color": palette.muted},
    }
    yield _words("90° right", x0 + reach, y0, soft) | {"xanchor": "left", "textangle": 90}
    yield _words("90° left", x0 - reach, y0, soft) | {"xanchor": "right", "textangle": -90}
    if not outline.to_scale:
        yield _words("Truck not<br>to scale", 0, 0, soft) | {
            "xref": "paper",
            "yref": "paper",
            "x": 0,
            "y": 1,
            "xanchor": "left",
            "yanchor": "top",
            "font": {"size": 12, "color": palette.muted},
            "align": "left",
        }


def _words(text: str, x: float, y: float, font: dict[str, Any]) -> dict[str, Any]:
    return {"text": text, "x": x, "y": y, "font": font, "showarrow": False}


def _axes(outline: TruckOutline, ring_m: float) -> dict[str, Any]:
    rear, front, half, _ = outline.body
    x0, y0 = on_screen(outline.column)
    wide = max(ring_m + 0.75 + abs(x0), half + 1.7)
    low, high = min(y0 - ring_m - 0.7, rear), max(y0 + ring_m + 0.2, front + 0.2)
    hidden = {"visible": False, "fixedrange": True}
    return {
        "xaxis": hidden | {"range": [-wide, wide]},
        "yaxis": hidden | {"range": [low, high], "scaleanchor": "x", "scaleratio": 1},
    }


def _meta(
    outline: TruckOutline, palette: Palette, ring_m: float, names: Sequence[str]
) -> dict[str, Any]:
    """What a page needs to move the boom, the load and the wheels by itself."""
    return {
        "column": on_screen(outline.column),
        "ring_m": ring_m,
        "names": [wheel_words(n) for n in names],
        "ink": palette.ink,
        "wheel_states": WHEEL_STATES,
        "wheel_words": WORD_OF_WHEEL,
        "load_places": LOAD_PLACES,
        "load_words": WORD_OF_LOAD,
    }
