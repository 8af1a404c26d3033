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

_INNER, _OUTER = 0.46, 1.0
_NARROW_DEG = 22.0
"""Narrower sectors have their words outside."""
_APART_DEG = 17.0
"""Words outside stand at least so far apart."""
_CROWDED_DEG = 145.0
"""Beyond this the words of both sides come near one another."""
_HATCH = {"proved": "", "reduced": "/", "untested": "x"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sizes:
    """Sizes for a screen: px, and half the width in radii of the figure."""

    height_px: int
    half_width: float
    small: int
    text: int
    strong: int
    rim: float
    """Where the bounds stand, radii."""
    apart: float
    """How far from the middle the words of the narrow sectors by the cab stand, radii."""


_WIDE = _Sizes(height_px=560, half_width=1.62, small=13, text=14, strong=20, rim=1.09, apart=0.36)
_NARROW = _Sizes(height_px=330, half_width=1.34, small=11, text=12, strong=15, rim=1.16, apart=0.4)


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


def sectors_figure(result: Result, palette: Palette, *, narrow: bool = False) -> go.Figure:
    """Draws the sectors of a result.

    Args:
        result: the result.
        palette: colours.
        narrow: for a screen of a hand's breadth: smaller words.
    """
    sizes = _NARROW if narrow else _WIDE
    sectors = sectors_of(result)
    hidden = {"visible": False, "fixedrange": True}
    layout = go.Layout(
        template="none",
        font={"family": FONT, "size": 14, "color": palette.ink},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        height=sizes.height_px,
        margin={"l": 4, "r": 4, "t": 4, "b": 4},
        showlegend=False,
        hovermode="closest",
        dragmode=False,
        shapes=[*_truck(palette)],
        annotations=[*_words(sectors, palette, sizes)],
        xaxis=hidden | {"range": [-sizes.half_width, sizes.half_width]},
        yaxis=hidden | {"range": [-1.2, 1.42], "scaleanchor": "x", "scaleratio": 1},
    )
    return go.Figure(
        data=[*(_wedge(s, palette) for s in sectors), *_lifts(result, palette)], layout=layout
    )


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


def _words(sectors: Sequence[Sector], palette: Palette, sizes: _Sizes) -> Iterator[dict[str, Any]]:
    soft = {"size": sizes.small, "color": palette.muted}
    yield _note("CAB", 0, 0.23, {"size": sizes.small - 1, "color": palette.ink})
    yield _note("rear", 0, -0.38, soft)
    yield _note("front", 0, 0.39, soft)
    for side in ("right", "left"):
        mine = sorted((s for s in sectors if s.side == side), key=lambda s: s.from_deg)
        yield from _bounds(mine, palette, sizes)
        yield from _inside(
            [s for s in mine if s.to_deg - s.from_deg >= _NARROW_DEG], palette, sizes
        )
        yield from _outside(
            [s for s in mine if s.to_deg - s.from_deg < _NARROW_DEG], palette, sizes
        )
    yield _note("0° rear", 0, -sizes.rim, soft) | {"yshift": -4}
    if not sectors:
        yield _note("not swept:<br><b>no lifting</b>", 0, 0.75, {"size": 16, "color": palette.ink})


def _bounds(sectors: Sequence[Sector], palette: Palette, sizes: _Sizes) -> Iterator[dict[str, Any]]:
    for sector in sectors:
        if 0 < sector.from_deg < 180:
            # Near the cab a bound steps aside for the words of the narrow sector behind it.
            narrow = (
                sector.to_deg - sector.from_deg < _NARROW_DEG and sector.from_deg > _CROWDED_DEG
            )
            aside_deg = 7.0 if narrow else 0.0
            x, y = _at(sizes.rim, sector.sign * (sector.from_deg - aside_deg))
            font = {"size": sizes.small, "color": palette.ink}
            yield _note(f"{plain_number(sector.from_deg)}°", x, y, font)


def _inside(sectors: Sequence[Sector], palette: Palette, sizes: _Sizes) -> Iterator[dict[str, Any]]:
    for sector in sectors:
        x, y = _at((_INNER + _OUTER) / 2, sector.sign * (sector.from_deg + sector.to_deg) / 2)
        fill, ink = _colours(sector.basis, palette)
        yield _note(_text(sector, sizes), x, y, {"size": sizes.text, "color": ink}) | {
            "bgcolor": fill,
            "borderpad": 3,
        }


def _outside(
    sectors: Sequence[Sector], palette: Palette, sizes: _Sizes
) -> Iterator[dict[str, Any]]:
    """Words beside the rim, each with a line to its sector, kept apart from one another."""
    last_deg = -_APART_DEG
    for sector in sectors:
        middle = (sector.from_deg + sector.to_deg) / 2
        # Near the cab the words of both sides would meet.
        words_deg = min(max(middle, last_deg + _APART_DEG), 164.5)
        last_deg = words_deg
        x, y = _at(1.29 if words_deg > _CROWDED_DEG else 1.4, sector.sign * words_deg)
        if words_deg > _CROWDED_DEG:
            x = sector.sign * max(abs(x), sizes.apart)
        tip_x, tip_y = _at(0.96, sector.sign * middle)
        _, ink = _colours(sector.basis, palette)
        yield _note(
            _text(sector, sizes), tip_x, tip_y, {"size": sizes.text, "color": palette.ink}
        ) | {
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


def _text(sector: Sector, sizes: _Sizes) -> str:
    size = sizes.strong if sector.basis != "untested" else sizes.text + 2
    return f"<b><span style='font-size:{size}px'>{sector.words}</span></b><br>{sector.basis}"


def _note(text: str, x: float, y: float, font: dict[str, Any]) -> dict[str, Any]:
    return {"text": text, "x": x, "y": y, "font": font, "showarrow": False}
