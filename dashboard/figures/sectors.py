"""The sectors seen from above: what the truck may carry in which direction.

Cab at the top. Every sector has its percentage and its basis written in it, and a hatch of its
own kind; its bounds stand in degrees at the rim. What is too narrow has its words and its bounds
in a column beside the ring, with a line to it. Over the cab both sides meet in one stretch
without lifting. The figure says the same in black and white.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.palette import FONT, Palette
from dashboard.figures.words import plain_number, wheel_words

Result = dict[str, Any]

_INNER, _OUTER = 0.46, 1.0
_HALF_TURN_DEG = 180.0
_LOWEST, _HIGHEST = -1.1, 1.3
"""Between these the columns beside the ring may stand, radii."""
_HATCH = {"proved": "", "reduced": "/", "untested": "x"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sizes:
    """Sizes for a screen: px, and half the width in radii of the figure."""

    height_px: int
    half_width: float
    half_width_beside: float
    """The same where words stand beside the ring."""
    small: int
    text: int
    strong: int
    rim: float
    """Where the bounds stand, radii."""
    column: float
    """Where the columns beside the ring begin, radii from the middle."""
    apart: float
    """How far apart the lines of a column stand, radii."""
    narrow_deg: float
    """Narrower sectors have their words outside."""
    aside_deg: float
    """How far a bound by the cab steps aside for the words over it."""
    short: bool
    """Whether the words of a column are as short as can be."""


_WIDE = _Sizes(
    height_px=560,
    half_width=1.4,
    half_width_beside=1.8,
    small=13,
    text=14,
    strong=20,
    rim=1.11,
    column=1.15,
    apart=0.21,
    narrow_deg=30.0,
    aside_deg=7.0,
    short=False,
)
_NARROW = _Sizes(
    height_px=330,
    half_width=1.34,
    half_width_beside=1.62,
    small=11,
    text=12,
    strong=15,
    rim=1.16,
    column=1.05,
    apart=0.27,
    narrow_deg=40.0,
    aside_deg=13.0,
    short=True,
)


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
    def width_deg(self) -> float:
        """How wide it is, deg."""
        return self.to_deg - self.from_deg

    @property
    def is_over_the_cab(self) -> bool:
        """Whether it is the stretch without lifting that reaches to over the cab."""
        return self.basis == "untested" and self.to_deg >= _HALF_TURN_DEG

    @property
    def words(self) -> str:
        """Percentage and basis."""
        if self.basis == "untested":
            return "no lifting"
        return f"{plain_number(self.percent)} %"


_OVER_THE_CAB = Sector(side="right", from_deg=180.0, to_deg=180.0, percent=0.0, basis="untested")


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
    beside = any(_stands_beside(s, sizes) for s in sectors)
    half_width = sizes.half_width_beside if beside else sizes.half_width
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
        xaxis=hidden | {"range": [-half_width, half_width]},
        yaxis=hidden | {"range": [-1.2, 1.42], "scaleanchor": "x", "scaleratio": 1},
    )
    return go.Figure(
        data=[
            *(_wedge(s, palette) for s in sectors),
            *_seam(sectors, palette),
            *_lifts(result, palette),
        ],
        layout=layout,
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


def _seam(sectors: Sequence[Sector], palette: Palette) -> Iterator[go.Scatter]:
    """Hides the line between the two halves of the one stretch over the cab."""
    if sum(s.is_over_the_cab for s in sectors) > 1:
        yield go.Scatter(
            x=[0, 0],
            y=[_INNER + 0.008, _OUTER - 0.008],
            mode="lines",
            line={"color": palette.barred, "width": 2},
            hoverinfo="skip",
            name="over the cab",
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
        yield from _inside([s for s in mine if s.width_deg >= sizes.narrow_deg], palette, sizes)
        yield from _beside([s for s in mine if _stands_beside(s, sizes)], palette, sizes)
    if any(s.width_deg < sizes.narrow_deg and s.is_over_the_cab for s in sectors):
        yield _note(
            _text(_OVER_THE_CAB, sizes), 0, 1.24, {"size": sizes.text, "color": palette.ink}
        )
    yield _note("0° rear", 0, -sizes.rim, soft) | {"yshift": -4}
    if not sectors:
        yield _note("not swept:<br><b>no lifting</b>", 0, 0.75, {"size": 16, "color": palette.ink})


def _stands_beside(sector: Sector, sizes: _Sizes) -> bool:
    """Whether a sector's words stand beside the ring."""
    return sector.width_deg < sizes.narrow_deg and not sector.is_over_the_cab


def _bounds(sectors: Sequence[Sector], palette: Palette, sizes: _Sizes) -> Iterator[dict[str, Any]]:
    """Bounds at the rim, but for those that stand in the words of a narrow sector."""
    for inner, outer in pairwise(sectors):
        if not (_stands_beside(inner, sizes) or _stands_beside(outer, sizes)):
            # By the cab a bound steps aside for the words over it.
            aside_deg = sizes.aside_deg if outer.width_deg < sizes.narrow_deg else 0.0
            x, y = _at(sizes.rim, outer.sign * (outer.from_deg - aside_deg))
            font = {"size": sizes.small, "color": palette.ink}
            yield _note(f"{plain_number(outer.from_deg)}°", x, y, font)


def _inside(sectors: Sequence[Sector], palette: Palette, sizes: _Sizes) -> Iterator[dict[str, Any]]:
    for sector in sectors:
        x, y = _at((_INNER + _OUTER) / 2, sector.sign * (sector.from_deg + sector.to_deg) / 2)
        fill, ink = _colours(sector.basis, palette)
        yield _note(_text(sector, sizes), x, y, {"size": sizes.text, "color": ink}) | {
            "bgcolor": fill,
            "borderpad": 3,
        }


def _beside(sectors: Sequence[Sector], palette: Palette, sizes: _Sizes) -> Iterator[dict[str, Any]]:
    """Words in a column beside the ring, each with a line to its sector, kept apart."""
    tips = [_at(0.96, s.sign * (s.from_deg + s.to_deg) / 2) for s in sectors]
    places = _apart([y for _, y in tips], apart=sizes.apart)
    for sector, (tip_x, tip_y), place in zip(sectors, tips, places, strict=True):
        _, ink = _colours(sector.basis, palette)
        yield _note(
            _text_beside(sector, sizes), tip_x, tip_y, {"size": sizes.small, "color": palette.ink}
        ) | {
            "showarrow": True,
            "axref": "x",
            "ayref": "y",
            "ax": sector.sign * sizes.column,
            "ay": place,
            "xanchor": "left" if sector.sign > 0 else "right",
            "align": "left" if sector.sign > 0 else "right",
            "arrowhead": 6,
            "arrowsize": 0.8,
            "arrowwidth": 1.5,
            "arrowcolor": ink,
            "borderpad": 2,
        }


def _apart(wanted: Sequence[float], *, apart: float) -> list[float]:
    """Places in rising order, so far apart, as near to the wanted ones as that allows."""
    places: list[float] = []
    for place in wanted:
        places.append(max(place, places[-1] + apart) if places else max(place, _LOWEST))
    if not places:
        return []
    # Where they crowd they spread to both sides of their middle.
    middle_shift = sum(p - w for p, w in zip(places, wanted, strict=True)) / len(places)
    highest = min(places[-1] - middle_shift, _HIGHEST)
    moved: list[float] = []
    for place in reversed(places):
        limit = moved[-1] - apart if moved else highest
        moved.append(min(place, limit))
    return moved[::-1]


def _text_beside(sector: Sector, sizes: _Sizes) -> str:
    if sizes.short:
        bounds = f"{plain_number(sector.from_deg)}–{plain_number(sector.to_deg)}°"
        words = "none" if sector.basis == "untested" else sector.words
        return f"<b><span style='font-size:{sizes.small + 2}px'>{words}</span></b><br>{bounds}"
    bounds = f"{plain_number(sector.from_deg)}° to {plain_number(sector.to_deg)}°"
    head = f"<b><span style='font-size:{sizes.text + 1}px'>{sector.words}</span></b>"
    basis = "" if sector.basis == "untested" else f" {sector.basis}"
    return f"{head}{basis}<br>{bounds}"


def _text(sector: Sector, sizes: _Sizes) -> str:
    size = sizes.strong if sector.basis != "untested" else sizes.text + 2
    return f"<b><span style='font-size:{size}px'>{sector.words}</span></b><br>{sector.basis}"


def _note(text: str, x: float, y: float, font: dict[str, Any]) -> dict[str, Any]:
    return {"text": text, "x": x, "y": y, "font": font, "showarrow": False}
