"""The sectors seen from above, for print: SVG that says the same in black and white.

Cab at the top, right side on the right. A sector's percentage stands in it, or beside it with a
line to it where it is too narrow; hatch and words tell the basis, colour only repeats it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from dashboard.figures.sectors_of_result import Result, Sector, sectors_of, sectors_summary
from dashboard.figures.svg_paper import TEXT, Place, segment, text
from dashboard.figures.words import plain_number

PRINT_FONT = "Source Sans Pro, sans-serif"
_INNER, _OUTER = 46.0, 100.0
_MIDDLE = (_INNER + _OUTER) / 2 + 1
_RIM = 111.0
_NARROW_DEG = 30.0
"""Narrower sectors have their words beside the ring."""
_APART = 21.0
"""How far apart words beside the ring stand."""
_TOP, _BOTTOM = -138.0, 118.0
_HALF_WIDTH, _HALF_WIDTH_BESIDE = 142.0, 178.0
_OVER_CAB_APART_DEG = 30.0
"""A bound nearer to the cab than this stands beside the words over it, not at the rim's top."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RingInk:
    """How the ring is inked, CSS colours.

    Attributes:
        ink: lines and words.
        fill: ground of each basis.
        hatch: lines over it, by basis; none where a basis is missing.
        words: colour of the words in a sector, by basis.
        truck: the truck's body.
        lift: marks of first lifts; none where it is empty.
    """

    ink: str
    fill: dict[str, str]
    hatch: dict[str, str]
    words: dict[str, str]
    truck: str
    lift: str


RECORD_INK = RingInk(
    ink="#15202b",
    fill={"proved": "#e3f4e7", "reduced": "#fff3cf", "untested": "#dde2e7"},
    hatch={"reduced": "#8a6a1c", "untested": "#7b8690"},
    words={"proved": "#15202b", "reduced": "#15202b", "untested": "#15202b"},
    truck="#eef2f5",
    lift="#b3201a",
)
PLACARD_INK = RingInk(
    ink="#000000",
    fill={"proved": "#ffffff", "reduced": "#ffffff", "untested": "#000000"},
    hatch={"reduced": "#000000"},
    words={"proved": "#000000", "reduced": "#000000", "untested": "#ffffff"},
    truck="#ffffff",
    lift="",
)


def sectors_svg(result: Result, ink: RingInk = RECORD_INK) -> str:
    """Draws the sectors of a result.

    Args:
        result: a ``slewtrace.result/1`` document.
        ink: how it is inked.
    """
    sectors = sectors_of(result)
    half = _HALF_WIDTH_BESIDE if any(map(_stands_beside, sectors)) else _HALF_WIDTH
    parts = (
        *_head(half, ink, said=sectors_summary(result)),
        *(_wedge(s, ink) for s in sectors),
        *_seam(sectors, ink),
        *(_hatch(s) for s in sectors if s.basis in ink.hatch),
        *_bounds(sectors, ink),
        *_truck(ink),
        *_lift_marks(result, ink),
        *(w for s in sectors if s.width_deg >= _NARROW_DEG for w in _inside(s, ink)),
        *(w for side in ("right", "left") for w in _beside(sectors, side, ink)),
        *_over_the_cab(sectors),
        "</svg>",
    )
    return "\n".join(parts)


def _head(half: float, ink: RingInk, *, said: str) -> Iterator[str]:
    size = f'width="{4 * half:g}" height="{2 * (_BOTTOM - _TOP):g}"'
    yield (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="{-half:g} {_TOP:g} '
        f'{2 * half:g} {_BOTTOM - _TOP:g}" role="img" font-family="{PRINT_FONT}" '
        f'font-size="{TEXT}" fill="{ink.ink}">'
    )
    yield f"<title>{said}</title>"
    yield "<defs>"
    for basis, colour in ink.hatch.items():
        second = '<line x1="0" y1="0" x2="5" y2="0"' if basis == "untested" else ""
        crossed = f'{second} stroke="{colour}" stroke-width="0.6"/>' if second else ""
        yield (
            f'<pattern id="{basis}" width="5" height="5" patternUnits="userSpaceOnUse" '
            f'patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="5" '
            f'stroke="{colour}" stroke-width="0.9"/>{crossed}</pattern>'
        )
    yield "</defs>"


def _at(radius: float, slew_deg: float) -> Place:
    """Place of a slew angle, right positive: 0° straight down."""
    psi = math.radians(slew_deg)
    return round(radius * math.sin(psi), 3), round(radius * math.cos(psi), 3)


def _outline(sector: Sector) -> str:
    """A sector's piece of the ring, as the data of a path."""
    start, end = sector.sign * sector.from_deg, sector.sign * sector.to_deg
    out = 0 if sector.sign > 0 else 1
    corners = (_at(_OUTER, start), _at(_OUTER, end), _at(_INNER, end), _at(_INNER, start))
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    return (
        f"M{ax:g} {ay:g} A{_OUTER:g} {_OUTER:g} 0 0 {out} {bx:g} {by:g} "
        f"L{cx:g} {cy:g} A{_INNER:g} {_INNER:g} 0 0 {1 - out} {dx:g} {dy:g} Z"
    )


def _wedge(sector: Sector, ink: RingInk) -> str:
    fill = ink.fill.get(sector.basis, ink.fill["untested"])
    return f'<path d="{_outline(sector)}" fill="{fill}" stroke="{ink.ink}" stroke-width="1"/>'


def _hatch(sector: Sector) -> str:
    return f'<path d="{_outline(sector)}" fill="url(#{sector.basis})"/>'


def _seam(sectors: Sequence[Sector], ink: RingInk) -> Iterator[str]:
    """Hides the line between the two halves of the one stretch over the cab."""
    if sum(s.is_over_the_cab for s in sectors) > 1:
        colour = ink.fill["untested"]
        yield segment((0, -_INNER - 0.6), (0, -_OUTER + 0.6), colour, width=1.6)


def _bounds(sectors: Sequence[Sector], ink: RingInk) -> Iterator[str]:
    """A heavy line at every bound, and its angle at the rim where it stands nowhere else."""
    yield segment(_at(_INNER, 0), _at(_OUTER + 4, 0), ink.ink, width=1.6)
    yield text("0° over the rear", (0, _OUTER + 13), anchor="middle", size=8)
    for side in ("right", "left"):
        mine = sorted((s for s in sectors if s.side == side), key=lambda s: s.from_deg)
        for inner, outer in pairwise(mine):
            angle = outer.sign * outer.from_deg
            yield segment(_at(_INNER, angle), _at(_OUTER + 4, angle), ink.ink, width=1.6)
            beside = _stands_beside(inner) or _stands_beside(outer)
            if not beside and 180 - outer.from_deg > _OVER_CAB_APART_DEG:
                yield _bound_words(outer)
            elif not beside:
                yield _bound_by_the_cab(outer)


def _bound_words(sector: Sector) -> str:
    x, y = _at(_RIM, sector.sign * sector.from_deg)
    anchor = "start" if x > 0 else "end"
    x = x - 4 * sector.sign
    return text(
        f"{plain_number(sector.from_deg)}°", (x, y + 3), anchor=anchor, size=9, weight="700"
    )


def _bound_by_the_cab(sector: Sector) -> str:
    x, y = _at(_OUTER + 7, sector.sign * (sector.from_deg - 5))
    anchor = "start" if sector.sign > 0 else "end"
    return text(
        f"{plain_number(sector.from_deg)}°", (x, y + 1), anchor=anchor, size=9, weight="700"
    )


def _inside(sector: Sector, ink: RingInk) -> Iterator[str]:
    x, y = _at(_MIDDLE, sector.sign * (sector.from_deg + sector.to_deg) / 2)
    untested = sector.basis == "untested"
    said = "NO LIFTING" if untested else sector.words
    size = 9 if untested else 15
    colour = ink.words.get(sector.basis, ink.ink)
    if sector.basis in ink.hatch:
        width = 25.0
        yield (
            f'<rect x="{x - width:g}" y="{y - 12:g}" width="{2 * width:g}" height="25" rx="3" '
            f'fill="{ink.fill[sector.basis]}"/>'
        )
    yield text(said, (x, y + 2), anchor="middle", size=size, weight="700", fill=colour)
    yield text(sector.basis, (x, y + 10), anchor="middle", size=8, fill=colour)


def _stands_beside(sector: Sector) -> bool:
    return sector.width_deg < _NARROW_DEG and not sector.is_over_the_cab


def _beside(sectors: Sequence[Sector], side: str, ink: RingInk) -> Iterator[str]:
    """Words of narrow sectors in a column beside the ring, from the bottom up."""
    mine = sorted((s for s in sectors if s.side == side and _stands_beside(s)), key=_middle_deg)
    tips = [_at(_OUTER - 4, s.sign * _middle_deg(s)) for s in mine]
    for sector, tip, y in zip(mine, tips, _kept_apart([y for _, y in tips]), strict=True):
        x = sector.sign * 118.0
        yield segment(tip, (x, y), ink.ink, width=0.9)
        yield f'<circle cx="{tip[0]:g}" cy="{tip[1]:g}" r="1.6" fill="{ink.ink}"/>'
        said = "no lifting" if sector.basis == "untested" else f"{sector.words} {sector.basis}"
        anchor = "start" if sector.sign > 0 else "end"
        at_x = x + 3 * sector.sign
        yield text(said, (at_x, y), anchor=anchor, size=9, weight="700")
        bounds = f"{plain_number(sector.from_deg)}° to {plain_number(sector.to_deg)}°"
        yield text(bounds, (at_x, y + 9), anchor=anchor, size=8)


def _middle_deg(sector: Sector) -> float:
    return (sector.from_deg + sector.to_deg) / 2


def _kept_apart(wanted: Sequence[float]) -> list[float]:
    """Heights from the bottom up (falling), so far apart, as near to the wanted ones as goes."""
    places: list[float] = []
    for y in wanted:
        places.append(min(y, places[-1] - _APART) if places else min(y, _BOTTOM - 12))
    over = max(0.0, _TOP + 12 - places[-1]) if places else 0.0
    return [y + over for y in places]


def _over_the_cab(sectors: Sequence[Sector]) -> Iterator[str]:
    """Words over the one stretch without lifting that both sides share at the cab."""
    if not sectors:
        yield text("NO LIFTING", (0, -_MIDDLE), anchor="middle", size=15, weight="700")
        return
    if any(s.is_over_the_cab and s.width_deg < _NARROW_DEG for s in sectors):
        yield text("NO LIFTING", (0, -_OUTER - 26), anchor="middle", size=11, weight="700")
        yield text("over the cab, untested", (0, -_OUTER - 16), anchor="middle", size=8)


def _lift_marks(result: Result, ink: RingInk) -> Iterator[str]:
    """A triangle inside the rim where a wheel lifted first in a sweep that counts."""
    for sweep in result.get("sweeps", ()) if ink.lift else ():
        lift = sweep.get("first_lift")
        if lift and sweep.get("counts", True):
            angle = lift["slew_deg"]
            points = (
                _at(_OUTER - 1, angle),
                _at(_OUTER - 9, angle - 3),
                _at(_OUTER - 9, angle + 3),
            )
            told = " ".join(f"{x:g},{y:g}" for x, y in points)
            yield f'<polygon points="{told}" fill="{ink.lift}" stroke="#fff" stroke-width="0.6"/>'


def _truck(ink: RingInk) -> Iterator[str]:
    """The truck in the middle: body, cab, wheels, the slew axis near the rear."""
    for top, height in ((-13, 43), (-33, 18)):
        yield (
            f'<rect x="-13" y="{top}" width="26" height="{height}" rx="2" '
            f'fill="{ink.truck}" stroke="{ink.ink}" stroke-width="1"/>'
        )
    for x in (-17.5, 13):
        for y in (-27, 14):
            yield f'<rect x="{x}" y="{y}" width="4.5" height="11" rx="1.5" fill="{ink.ink}"/>'
    yield f'<circle cx="0" cy="17" r="4" fill="#fff" stroke="{ink.ink}" stroke-width="1.6"/>'
    yield text("CAB", (0, -21), anchor="middle", size=8, weight="700")
    yield text("rear", (0, 40), anchor="middle", size=8)
    yield text("left", (-22, 5), anchor="end", size=8)
    yield text("right", (22, 5), anchor="start", size=8)
