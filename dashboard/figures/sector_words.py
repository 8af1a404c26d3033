"""The words in and beside the ring of sectors, and the sizes that make room for them.

Every wide sector has its percentage and its basis written in it, its bounds at the rim. What is
too narrow has its words and its bounds in a column beside the ring, with a line to it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from dashboard.figures.palette import Palette
from dashboard.figures.sector_ring import INNER, OUTER, colours_of, place_at
from dashboard.figures.sectors_of_result import Sector
from dashboard.figures.words import plain_number

_LOWEST, _HIGHEST = -1.1, 1.3
"""Between these the columns beside the ring may stand, radii."""
_OVER_THE_CAB = Sector(side="right", from_deg=180.0, to_deg=180.0, percent=0.0, basis="untested")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
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


WIDE = Sizes(
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


NARROW = Sizes(
    height_px=330,
    half_width=1.34,
    half_width_beside=1.54,
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


def sector_words(
    sectors: Sequence[Sector], palette: Palette, sizes: Sizes
) -> Iterator[dict[str, Any]]:
    """All words of the figure, as annotations."""
    soft = {"size": sizes.small, "color": palette.muted}
    yield _note("CAB", 0, 0.23, {"size": sizes.small - 1, "color": palette.ink})
    yield _note("rear", 0, -0.38, soft)
    yield _note("front", 0, 0.39, soft)
    for side in ("right", "left"):
        mine = sorted((s for s in sectors if s.side == side), key=lambda s: s.from_deg)
        yield from _bounds(mine, palette, sizes)
        yield from _inside([s for s in mine if s.width_deg >= sizes.narrow_deg], palette, sizes)
        yield from _beside([s for s in mine if stands_beside(s, sizes)], palette, sizes)
    if any(s.width_deg < sizes.narrow_deg and s.is_over_the_cab for s in sectors):
        yield _note(
            _text(_OVER_THE_CAB, sizes), 0, 1.24, {"size": sizes.text, "color": palette.ink}
        )
    yield _note("0° rear", 0, -sizes.rim, soft) | {"yshift": -4}
    if not sectors:
        yield _note("not swept:<br><b>no lifting</b>", 0, 0.75, {"size": 16, "color": palette.ink})


def stands_beside(sector: Sector, sizes: Sizes) -> bool:
    """Whether a sector's words stand beside the ring."""
    return sector.width_deg < sizes.narrow_deg and not sector.is_over_the_cab


def _bounds(sectors: Sequence[Sector], palette: Palette, sizes: Sizes) -> Iterator[dict[str, Any]]:
    """Bounds at the rim, but for those that stand in the words of a narrow sector."""
    for inner, outer in pairwise(sectors):
        if not (stands_beside(inner, sizes) or stands_beside(outer, sizes)):
            # By the cab a bound steps aside for the words over it.
            aside_deg = sizes.aside_deg if outer.width_deg < sizes.narrow_deg else 0.0
            x, y = place_at(sizes.rim, outer.sign * (outer.from_deg - aside_deg))
            font = {"size": sizes.small, "color": palette.ink}
            yield _note(f"{plain_number(outer.from_deg)}°", x, y, font)


def _inside(sectors: Sequence[Sector], palette: Palette, sizes: Sizes) -> Iterator[dict[str, Any]]:
    for sector in sectors:
        x, y = place_at((INNER + OUTER) / 2, sector.sign * (sector.from_deg + sector.to_deg) / 2)
        fill, ink = colours_of(sector.basis, palette)
        yield _note(_text(sector, sizes), x, y, {"size": sizes.text, "color": ink}) | {
            "bgcolor": fill,
            "borderpad": 3,
        }


def _beside(sectors: Sequence[Sector], palette: Palette, sizes: Sizes) -> Iterator[dict[str, Any]]:
    """Words in a column beside the ring, each with a line to its sector, kept apart."""
    tips = [place_at(0.96, s.sign * (s.from_deg + s.to_deg) / 2) for s in sectors]
    places = _apart([y for _, y in tips], apart=sizes.apart)
    for sector, (tip_x, tip_y), place in zip(sectors, tips, places, strict=True):
        _, ink = colours_of(sector.basis, palette)
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


def _text_beside(sector: Sector, sizes: Sizes) -> str:
    if sizes.short:
        bounds = f"{plain_number(sector.from_deg)}–{plain_number(sector.to_deg)}°"
        words = "none" if sector.basis == "untested" else sector.words
        return f"<b><span style='font-size:{sizes.small + 2}px'>{words}</span></b><br>{bounds}"
    bounds = f"{plain_number(sector.from_deg)}° to {plain_number(sector.to_deg)}°"
    head = f"<b><span style='font-size:{sizes.text + 1}px'>{sector.words}</span></b>"
    basis = "" if sector.basis == "untested" else f" {sector.basis}"
    return f"{head}{basis}<br>{bounds}"


def _text(sector: Sector, sizes: Sizes) -> str:
    if sector.basis != "untested":
        size, words = sizes.strong, sector.words
    else:
        # On a small screen the ring is narrower than these two words.
        narrow = sizes.short and sector.width_deg > 0
        size = sizes.text + 2
        words = sector.words.replace(" ", "<br>") if narrow else sector.words
    return f"<b><span style='font-size:{size}px'>{words}</span></b><br>{sector.basis}"


def _note(text: str, x: float, y: float, font: dict[str, Any]) -> dict[str, Any]:
    return {"text": text, "x": x, "y": y, "font": font, "showarrow": False}
