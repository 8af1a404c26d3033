"""The truck, the boom and the load seen from above: an SVG whose parts a script moves.

Cab at the top, rear at the bottom, so that the truck's right side is on the right. Drawn once for
a run or a recording: the boom points to the rear and is turned; each wheel and the load are there
in every shape, and a style sheet shows the one of its state. Colours are the page's own, so a
change of them draws nothing anew. Sizes are in hundredths of a metre.
"""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from math import cos, radians, sin
from typing import Literal

from dashboard.figures.truck_outline import TruckOutline, on_screen, outline_of
from dashboard.figures.words import short_name
from logger.readings.test_file import TestFile

LoadPlace = Literal["hanging", "ground", "unknown"]

_CM = 100.0
_OUT = 48
"""How far outside the ring its angles stand: beyond the load."""
_RING_WORDS_DEG = 22.5
_LABEL_CM = 38
_MARGIN_CM = 30


def truck_plan_svg(
    test: TestFile, *, ring_m: float, ring_words: str = "", begins: bool = False
) -> str:
    """Draws the plan.

    Args:
        test: the test file.
        ring_m: radius of the ring that carries the angles, m.
        ring_words: what is written beside the ring, its radius for one.
        begins: whether it shows a test that begins, every wheel down, the load hanging over the
            ring, and lines to how far it may slew; else nothing is known until a script says.
    """
    outline = outline_of(test)
    x0, y0 = _at(outline.column)
    left, top, width, height = _window(outline, ring_m)
    head = (
        f'<svg viewBox="{left:.0f} {top:.0f} {width:.0f} {height:.0f}" role="img" '
        f'aria-label="The truck seen from above" data-x="{x0:.1f}" data-y="{y0:.1f}" '
        f'data-ring="{ring_m * _CM:.1f}">'
    )
    parts = (
        head,
        *_ring((x0, y0), ring_m * _CM),
        *(() if begins else _limits((x0, y0), test, (ring_m * _CM - 28, ring_m * _CM + 28))),
        *_body(outline),
        *_angles(outline, (x0, y0), ring_m * _CM),
        *_ring_words((x0, y0), ring_m * _CM, ring_words),
        *(_limits((x0, y0), test, (26, ring_m * _CM)) if begins else ()),
        *_boom((x0, y0), ring_m * _CM, load="hanging" if begins else "unknown"),
        *_wheels(outline, test.truck.wheels, state="down" if begins else "unknown"),
        "</svg>",
    )
    return "".join(parts)


def _at(place: tuple[float, float]) -> tuple[float, float]:
    """A place in the vehicle frame, m, as SVG x and y."""
    x, y = on_screen(place)
    return x * _CM, -y * _CM


def _window(outline: TruckOutline, ring_m: float) -> tuple[float, float, float, float]:
    rear, front, half, _ = outline.body
    x0, y0 = _at(outline.column)
    reach = ring_m * _CM + 75
    side = max(reach + abs(x0), half * _CM + 190)
    top = min(y0 - reach, -front * _CM - _MARGIN_CM)
    bottom = max(y0 + reach, -rear * _CM + 60)
    return -side, top, 2 * side, bottom - top


def _on_ring(centre: tuple[float, float], radius: float, slew_deg: float) -> tuple[float, float]:
    psi = radians(slew_deg)
    return centre[0] + radius * sin(psi), centre[1] + radius * cos(psi)


def _ring(centre: tuple[float, float], ring: float) -> Iterator[str]:
    (x0, y0) = centre
    yield f'<circle class="ring" cx="{x0:.1f}" cy="{y0:.1f}" r="{ring:.1f}"/>'
    for side in ("right", "left"):
        yield f'<path class="swept" data-side="{side}"/>'


def _angles(outline: TruckOutline, centre: tuple[float, float], ring: float) -> Iterator[str]:
    """Angles around the ring, but for those that the truck would hide."""
    rear, front, half, _ = (_CM * v for v in outline.body)
    for angle in (0, 45, -45, 90, -90, 135, -135, 180):
        x, y = _on_ring(centre, ring + _OUT, angle)
        if abs(x) < half and -front < y < -rear:
            continue
        place, said = f"translate({x:.1f} {y + 12:.1f})", f"{abs(angle)}°"
        if abs(angle) == 90:
            side = 1 if angle > 0 else -1
            place = f"translate({x - 12 * side:.1f} {y:.1f}) rotate({90 * side})"
            said += " right" if side > 0 else " left"
        yield f'<text class="angle" transform="{place}">{said}</text>'


def _ring_words(centre: tuple[float, float], ring: float, words: str) -> Iterator[str]:
    if words:
        x, y = _on_ring(centre, ring + 22, _RING_WORDS_DEG)
        yield f'<text class="angle of-ring" x="{x:.1f}" y="{y + 22:.1f}">{escape(words)}</text>'


def _limits(
    centre: tuple[float, float], test: TestFile, reach: tuple[float, float]
) -> Iterator[str]:
    """How far the boom may slew on each side, as a line between two distances from its axis."""
    truck = test.truck
    for limit_deg in (truck.slew_limit_right_deg, -truck.slew_limit_left_deg):
        ends = (_on_ring(centre, r, limit_deg) for r in reach)
        yield '<line class="limit" ' + _ends(*ends) + "/>"


def _ends(a: tuple[float, float], b: tuple[float, float]) -> str:
    return f'x1="{a[0]:.1f}" y1="{a[1]:.1f}" x2="{b[0]:.1f}" y2="{b[1]:.1f}"'


def _body(outline: TruckOutline) -> Iterator[str]:
    rear, front, half, cab = (_CM * v for v in outline.body)
    yield _box(-half, -cab + 8, 2 * half, cab - 8 - rear, 12)
    yield _box(-half, -front, 2 * half, front - cab, 35)
    # The windscreen tells front from rear without a word.
    glass = [(-0.72 * half, -front + 42), (0.72 * half, -front + 42)]
    yield '<line class="glass" ' + _ends(*glass) + "/>"
    for place in outline.outriggers:
        x, y = _at(place)
        yield '<line class="leg" ' + _ends((0, y), (x, y)) + "/>"
        yield _box(x - 18, y - 18, 36, 36, 3)
    yield f'<text class="side" x="0" y="{(-front - cab) / 2 + 28:.1f}">CAB</text>'
    # Beside the middle, where the boom lies at the start.
    yield f'<text class="side at-rear" x="{-half + 8:.1f}" y="{-rear - 14:.1f}">REAR</text>'
    x, y = _at(outline.column)
    yield f'<circle class="column" cx="{x:.1f}" cy="{y:.1f}" r="26"/>'
    if not outline.to_scale:
        where = f'x="{-half - 290:.1f}" y="{-front + 20:.1f}"'
        yield f'<text class="angle of-scale" {where}>not to scale</text>'


def _box(x: float, y: float, width: float, height: float, rounded: float) -> str:
    return (
        f'<rect class="body" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" '
        f'rx="{rounded:g}"/>'
    )


def _boom(centre: tuple[float, float], ring: float, *, load: LoadPlace) -> Iterator[str]:
    x0, y0 = centre
    yield f'<g class="boom" data-load="{load}" transform="rotate(0 {x0:.1f} {y0:.1f})">'
    yield '<line class="beam" ' + _ends((x0, y0), (x0, y0 + ring)) + "/>"
    yield f'<g class="load" transform="translate({x0:.1f} {y0 + ring:.1f})">'
    yield '<circle class="hanging" r="26"/>'
    yield '<rect class="ground" x="-24" y="-24" width="48" height="48"/>'
    yield '<g class="unknown"><circle r="26"/><circle class="dot" r="7"/></g>'
    yield "</g></g>"


def _wheels(outline: TruckOutline, names: tuple[str, ...], *, state: str) -> Iterator[str]:
    for number, (place, name) in enumerate(zip(outline.wheels, names, strict=True)):
        x, y = _at(place)
        outward = 1 if x >= 0 else -1
        anchor = "start" if x >= 0 else "end"
        yield f'<g class="wheel" data-number="{number}" data-state="{state}" '
        yield f'transform="translate({x:.1f} {y:.1f})">'
        yield '<rect class="down" x="-15" y="-27" width="30" height="54" rx="6"/>'
        yield '<path class="opening" d="M0,-38 L36,26 L-36,26 Z"/>'
        yield '<path class="lifted" d="M0,-48 L45,32 L-45,32 Z"/>'
        yield '<g class="unknown"><circle r="38"/><text y="19">?</text></g>'
        where = f'x="{outward * 52}" text-anchor="{anchor}"'
        yield f'<text class="name" {where} y="-2">{escape(short_name(name))}</text>'
        yield f'<text class="word" {where} y="{_LABEL_CM - 2}"/>'
        yield "</g>"
