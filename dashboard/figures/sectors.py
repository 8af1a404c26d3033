"""The sectors seen from above: what the truck may carry in which direction.

Cab at the top. Every sector has its percentage and its basis written in it, or beside it with a
line where it is too narrow, and a hatch of its own kind; its bounds stand in degrees at the
rim. The figure says the same in black and white.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.palette import FONT, Palette
from dashboard.figures.words import plain_number, wheel_words

Result = dict[str, Any]

_INNER, _OUTER, _RIM = 0.46, 1.0, 1.09
_NARROW_DEG = 22.0
"""Narrower sectors have their words outside."""
_APART_DEG = 17.0
"""Words outside stand at least so far apart."""
_HATCH = {"proved": "", "reduced": "/", "untested": "x"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sector:
    """One sector, as the result gives it, angles from over the rear on its side, deg."""

    side: str
    from_deg: float
    to_deg: float
    percent: float
    basis: str

    @property
    def sign(self) -> int:
        """Sign of its slew angles."""
        return 1 if self.side == "right" else -1

    @property
    def words(self) -> str:
        """Percentage and basis."""
        if self.basis == "untested":
            return "no lifting"
        return f"{plain_number(self.percent)} %"


def sectors_of(result: Result) -> tuple[Sector, ...]:
    """The sectors of a result, those without width left out."""
    return tuple(
        Sector(
            side=s["side"],
            from_deg=float(s["from_deg"]),
            to_deg=float(s["to_deg"]),
            percent=float(s["percent"]),
            basis=s["basis"],
        )
        for s in result.get("sectors", ())
        if s["to_deg"] > s["from_deg"]
    )


def sectors_figure(result: Result, palette: Palette) -> go.Figure:
    """Draws the sectors of a result."""
    sectors = sectors_of(result)
    figure = go.Figure(data=[*(_wedge(s, palette) for s in sectors), *_lifts(result, palette)])
    hidden = {"visible": False, "fixedrange": True}
    figure.update_layout(
        template="none",
        font={"family": FONT, "size": 14, "color": palette.ink},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        height=560,
        margin={"l": 4, "r": 4, "t": 4, "b": 4},
        showlegend=False,
        hovermode="closest",
        dragmode=False,
        shapes=[*_truck(palette)],
        annotations=[*_words(sectors, palette)],
        xaxis=hidden | {"range": [-1.62, 1.62]},
        yaxis=hidden | {"range": [-1.36, 1.36], "scaleanchor": "x", "scaleratio": 1},
    )
    return figure


def sectors_summary(result: Result) -> str:
    """The sectors in sentences, for those who don't see them."""
    sectors = sectors_of(result)
    if not sectors:
        return "No sectors: nothing was swept, so there is no lifting anywhere."
    return " ".join(_side_words(side, sectors) for side in ("right", "left"))


def _side_words(side: str, sectors: Sequence[Sector]) -> str:
    parts = [
        f"{plain_number(s.from_deg)}° to {plain_number(s.to_deg)}°: "
        + ("no lifting (untested)" if s.basis == "untested" else f"{s.words} ({s.basis})")
        for s in sectors
        if s.side == side
    ]
    return f"{side.capitalize()} side: {'; '.join(parts) or 'not swept'}."


def _at(radius: float, slew_deg: float) -> tuple[float, float]:
    """Screen place at a slew angle: 0° straight down, positive to the right."""
    psi = math.radians(slew_deg)
    return radius * math.sin(psi), -radius * math.cos(psi)


def _wedge(sector: Sector, palette: Palette) -> go.Scatter:
    fill, ink = _colours(sector.basis, palette)
    steps = max(int((sector.to_deg - sector.from_deg) / 2), 2)
    psi = np.radians(sector.sign * np.linspace(sector.from_deg, sector.to_deg, steps + 1))
    radius = np.concatenate((np.full(psi.size, _OUTER), np.full(psi.size, _INNER)))
    round_trip = np.concatenate((psi, psi[::-1]))
    x, y = radius * np.sin(round_trip), -radius * np.cos(round_trip)
    pattern = {
        "shape": _HATCH.get(sector.basis, "."),
        "fgcolor": ink,
        "bgcolor": fill,
        "size": 9,
        "solidity": 0.12,
        "fillmode": "overlay",
    }
    return go.Scatter(
        x=np.append(x, x[0]),
        y=np.append(y, y[0]),
        mode="lines",
        fill="toself",
        fillcolor=fill,
        fillpattern=pattern if pattern["shape"] else None,
        line={"color": ink, "width": 1.5},
        hoveron="fills",
        hoverinfo="text",
        text=f"{sector.side} {plain_number(sector.from_deg)}° to "
        f"{plain_number(sector.to_deg)}°: {sector.words}, {sector.basis}",
        name=f"{sector.side} {sector.basis}",
    )


def _colours(basis: str, palette: Palette) -> tuple[str, str]:
    return {
        "proved": (palette.safe, palette.safe_ink),
        "reduced": (palette.abnormal, palette.abnormal_ink),
    }.get(basis, (palette.barred, palette.barred_ink))


def _lifts(result: Result, palette: Palette) -> Iterator[go.Scatter]:
    found = [s["first_lift"] for s in result.get("sweeps", ()) if s.get("first_lift")]
    if not found:
        return
    places = [_at(_OUTER, lift["slew_deg"]) for lift in found]
    yield go.Scatter(
        x=[x for x, _ in places],
        y=[y for _, y in places],
        mode="markers",
        marker={
            "symbol": "triangle-up",
            "size": 16,
            "color": palette.act,
            "line": {"color": palette.ground, "width": 1.5},
        },
        text=[f"first lift: {wheel_words(lift['wheel'])}" for lift in found],
        hoverinfo="text",
        name="first lifts",
    )


def _truck(palette: Palette) -> Iterator[dict[str, Any]]:
    line = {"color": palette.muted, "width": 1.5}
    boxes = ((-0.13, -0.27, 0.13, 0.13), (-0.13, 0.15, 0.13, 0.31))
    for x0, y0, x1, y1 in boxes:
        yield {
            "type": "rect",
            "x0": x0,
            "y0": y0,
            "x1": x1,
            "y1": y1,
            "fillcolor": palette.body,
            "line": line,
        }
    for x in (-0.155, 0.155):
        for y in (-0.19, 0.2):
            yield {
                "type": "rect",
                "x0": x - 0.022,
                "x1": x + 0.022,
                "y0": y - 0.055,
                "y1": y + 0.055,
                "fillcolor": palette.ink,
                "line": {"width": 0},
            }
    yield {
        "type": "circle",
        "x0": -0.04,
        "x1": 0.04,
        "y0": -0.2,
        "y1": -0.12,
        "fillcolor": palette.ground,
        "line": {"color": palette.boom, "width": 3},
    }


def _words(sectors: Sequence[Sector], palette: Palette) -> Iterator[dict[str, Any]]:
    soft = {"size": 13, "color": palette.muted}
    yield _note("CAB", 0, 0.23, {"size": 12, "color": palette.ink})
    yield _note("rear", 0, -0.38, soft)
    yield _note("front", 0, 0.39, soft)
    for side in ("right", "left"):
        mine = sorted((s for s in sectors if s.side == side), key=lambda s: s.from_deg)
        yield from _bounds(mine, palette)
        yield from _inside([s for s in mine if s.to_deg - s.from_deg >= _NARROW_DEG], palette)
        yield from _outside([s for s in mine if s.to_deg - s.from_deg < _NARROW_DEG], palette)
    yield _note("0° rear", 0, -_RIM, soft) | {"yshift": -4}
    if not sectors:
        yield _note("not swept:<br><b>no lifting</b>", 0, 0.75, {"size": 16, "color": palette.ink})


def _bounds(sectors: Sequence[Sector], palette: Palette) -> Iterator[dict[str, Any]]:
    for sector in sectors:
        if 0 < sector.from_deg < 180:
            x, y = _at(_RIM, sector.sign * sector.from_deg)
            yield _note(
                f"{plain_number(sector.from_deg)}°", x, y, {"size": 13, "color": palette.ink}
            )


def _inside(sectors: Sequence[Sector], palette: Palette) -> Iterator[dict[str, Any]]:
    for sector in sectors:
        x, y = _at((_INNER + _OUTER) / 2, sector.sign * (sector.from_deg + sector.to_deg) / 2)
        fill, ink = _colours(sector.basis, palette)
        yield _note(_text(sector), x, y, {"size": 14, "color": ink}) | {
            "bgcolor": fill,
            "borderpad": 3,
        }


def _outside(sectors: Sequence[Sector], palette: Palette) -> Iterator[dict[str, Any]]:
    """Words beside the rim, each with a line to its sector, kept apart from one another."""
    last_deg = -_APART_DEG
    for sector in sectors:
        middle = (sector.from_deg + sector.to_deg) / 2
        # Near the cab the words of both sides would meet.
        words_deg = min(max(middle, last_deg + _APART_DEG), 158.0)
        last_deg = words_deg
        x, y = _at(1.3, sector.sign * words_deg)
        tip_x, tip_y = _at(0.96, sector.sign * middle)
        _, ink = _colours(sector.basis, palette)
        yield _note(_text(sector), tip_x, tip_y, {"size": 14, "color": palette.ink}) | {
            "showarrow": True,
            "axref": "x",
            "ayref": "y",
            "ax": x,
            "ay": y,
            "arrowhead": 6,
            "arrowsize": 0.8,
            "arrowwidth": 1.5,
            "arrowcolor": ink,
            "bgcolor": palette.ground,
            "borderpad": 3,
        }


def _text(sector: Sector) -> str:
    size = 20 if sector.basis != "untested" else 16
    return f"<b><span style='font-size:{size}px'>{sector.words}</span></b><br>{sector.basis}"


def _note(text: str, x: float, y: float, font: dict[str, Any]) -> dict[str, Any]:
    return {"text": text, "x": x, "y": y, "font": font, "showarrow": False}
