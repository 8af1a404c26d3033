"""Capacity against slew angle: what the model says, over what the test proved.

Left sweep on the left, right sweep on the right, over the rear in the middle. Steps are the
sectors that the test proved; the line is the moment of the first lift by the model, with its
95 % band; marks are the measured lifts, at the moment they happened with. The figure says the
same in black and white: steps are hatched by their basis, the line is drawn, marks have a shape.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.capacity.fit.capacity_curve import CapacityCurve
from dashboard.capacity.fit.measured_lifts import MeasuredLift
from dashboard.figures.palette import FONT, Palette, see_through
from dashboard.figures.sectors_of_result import Result, Sector, sectors_of
from dashboard.figures.units import SI, Units
from dashboard.figures.words import angle_words, drawn_name, plain_number, wheel_words
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

HEIGHT_PX, NARROW_PX = 430, 420
_HATCH = {"proved": "", "reduced": "/"}
_EXPANDED = 2.0
"""Error bars are two standard uncertainties."""


def capacity_figure(
    curve: CapacityCurve,
    palette: Palette,
    *,
    lifts: Sequence[MeasuredLift] = (),
    result: Result | None = None,
    narrow: bool = False,
    units: Units = SI,
) -> go.Figure:
    """Draws the capacity of a truck all the way round.

    Args:
        curve: by the model.
        palette: colours.
        lifts: measured lifts.
        result: the test's result, for its sectors.
        narrow: for a screen of a hand's breadth.
        units: what the marks' words are read in.
    """
    top = _top(curve, lifts)
    axis = {
        "gridcolor": palette.grid,
        "zeroline": False,
        "linecolor": palette.muted,
        "tickcolor": palette.muted,
        "fixedrange": True,
    }
    layout = go.Layout(
        template="none",
        font={"family": FONT, "size": 12 if narrow else 13, "color": palette.ink},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        height=NARROW_PX if narrow else HEIGHT_PX,
        margin={"l": 52, "r": 30, "t": 8, "b": 190 if narrow else 104},
        legend={
            "orientation": "h",
            "x": 0,
            "y": -0.28 if narrow else -0.2,
            "yanchor": "top",
            "font": {"size": 12},
        },
        hovermode="closest",
        shapes=[_full_line(palette)],
        xaxis=axis
        | {
            "range": [-180, 180],
            "tickvals": list(range(-180, 181, 90 if narrow else 45)),
            "ticktext": [_tick(a) for a in range(-180, 181, 90 if narrow else 45)],
            "title": {"text": "Slew angle", "standoff": 6},
        },
        yaxis=axis | {"range": [0, top], "title": {"text": "% of required moment", "standoff": 6}},
    )
    return go.Figure(
        data=[
            *(_steps(sectors_of(result), palette) if result else ()),
            *_band(curve, palette, top),
            _line(curve, palette, top),
            *_marks(curve, lifts, palette, units),
        ],
        layout=layout,
    )


def capacity_summary(curve: CapacityCurve, lifts: Sequence[MeasuredLift] = ()) -> str:
    """The curve in sentences, for those who don't see it."""
    worst = int(curve.percent.argmin())
    least = float(curve.percent[worst])
    text = f"By the model the least is {least:.0f} % of the required moment, at "
    text += f"{angle_words(float(curve.slew_deg[worst]), digits=0)}"
    band = curve.band_percent()
    if band is not None:
        text += f" (95 % band: {band[0][worst]:.0f} to {band[1][worst]:.0f} %)"
    marks = [
        f"{wheel_words(m.wheel)} at {angle_words(m.slew_deg)} with {_percent_of(curve, m):.0f} %"
        for m in lifts
    ]
    return f"{text}. " + (f"Measured lifts: {'; '.join(marks)}." if marks else "No lift measured.")


def _top(curve: CapacityCurve, lifts: Sequence[MeasuredLift]) -> float:
    """Upper end of the scale: what matters lies around 100 %."""
    least = float(curve.percent.min())
    highest = max([100.0, least, *(_percent_of(curve, m) for m in lifts)])
    return float(np.ceil(1.6 * highest / 10) * 10)


def _percent_of(curve: CapacityCurve, lift: MeasuredLift) -> float:
    return 100 * lift.load_kg * lift.radius_m * STANDARD_GRAVITY_MPS2 / curve.required_nm


def _tick(slew_deg: int) -> str:
    if slew_deg == 0:
        return "0° rear"
    if abs(slew_deg) == 180:
        return "180° cab"
    return f"{abs(slew_deg)}° {'right' if slew_deg > 0 else 'left'}"


def _full_line(palette: Palette) -> dict[str, Any]:
    return {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": 100,
        "y1": 100,
        "line": {"color": palette.muted, "width": 1.5, "dash": "dash"},
    }


def _steps(sectors: Sequence[Sector], palette: Palette) -> Iterator[go.Scatter]:
    shown: set[str] = set()
    for sector in sectors:
        if sector.percent <= 0:
            continue
        proved = sector.basis == "proved"
        fill, ink = (
            (palette.safe, palette.safe_ink) if proved else (palette.abnormal, palette.abnormal_ink)
        )
        ends = [sector.sign * sector.from_deg, sector.sign * sector.to_deg]
        words = f"{plain_number(sector.percent)} % {sector.basis}"
        yield go.Scatter(
            x=[ends[0], ends[0], ends[1], ends[1]],
            y=[0, sector.percent, sector.percent, 0],
            mode="lines",
            fill="toself",
            fillcolor=fill,
            fillpattern={
                "shape": _HATCH.get(sector.basis, "."),
                "fgcolor": ink,
                "bgcolor": fill,
                "size": 9,
                "solidity": 0.12,
                "fillmode": "overlay",
            }
            if not proved
            else None,
            line={"color": ink, "width": 1.5},
            hoveron="fills",
            hoverinfo="text",
            text=words,
            name="proved by the test" if proved else f"{sector.basis} by the test",
            legendgroup=sector.basis,
            showlegend=sector.basis not in shown,
        )
        shown.add(sector.basis)


def _band(curve: CapacityCurve, palette: Palette, top: float) -> Iterator[go.Scatter]:
    band = curve.band_percent()
    if band is None:
        return
    # Far above the scale plotly would draw lines through what is not there.
    low, high = (np.minimum(edge, 2 * top) for edge in band)
    yield go.Scatter(
        x=np.concatenate((curve.slew_deg, curve.slew_deg[::-1])),
        y=np.concatenate((high, low[::-1])),
        mode="lines",
        fill="toself",
        fillcolor=see_through(palette.data, 0.25),
        line={"width": 0.8, "color": palette.data, "dash": "dot"},
        hoverinfo="skip",
        name="95 % band of the model",
    )


def _line(curve: CapacityCurve, palette: Palette, top: float) -> go.Scatter:
    what = "radius" if curve.growing == "radius" else "load"
    percent = np.minimum(curve.percent, 2 * top)
    return go.Scatter(
        x=curve.slew_deg,
        y=percent,
        mode="lines",
        line={"color": palette.data, "width": 2.5},
        text=[
            f"{angle_words(float(a))}: {p:.0f} % by the model"
            for a, p in zip(curve.slew_deg, curve.percent, strict=True)
        ],
        hoverinfo="text",
        name=f"first lift by the model, {what} growing",
    )


def _marks(
    curve: CapacityCurve, lifts: Sequence[MeasuredLift], palette: Palette, units: Units
) -> Iterator[go.Scatter]:
    if not lifts:
        return
    percent = [_percent_of(curve, m) for m in lifts]
    u_percent = [
        p * float(np.hypot(m.u_load_kg / m.load_kg, m.u_radius_m / m.radius_m))
        for p, m in zip(percent, lifts, strict=True)
    ]
    bar = {"color": palette.act, "thickness": 1.5, "width": 4}
    yield go.Scatter(
        x=[m.slew_deg for m in lifts],
        y=percent,
        mode="markers",
        error_x=bar | {"type": "data", "array": [_EXPANDED * m.u_deg for m in lifts]},
        error_y=bar | {"type": "data", "array": [_EXPANDED * u for u in u_percent]},
        marker={
            "symbol": "triangle-up",
            "size": 12,
            "color": palette.act,
            "line": {"color": palette.ground, "width": 1.5},
        },
        text=[
            f"{drawn_name(m.wheel)} lifted at {angle_words(m.slew_deg)} with "
            f"{units.mass.words(m.load_kg)} at {units.length.words(m.radius_m)}"
            for m in lifts
        ],
        hoverinfo="text",
        name="measured lifts (± 2 u)",
    )
