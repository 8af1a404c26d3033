"""The figure of a plan for print: weight against radius as SVG, without a browser to draw it.

Plain elements and text as text, so that it can be searched, read aloud and set into a record.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from dashboard.figures.palette import LIGHT, Palette
from dashboard.figures.plan_curve import (
    Frame,
    PlanCurve,
    PlanDocument,
    Point,
    inside,
    plan_curve,
    ticks,
)
from dashboard.figures.svg_paper import LEFT, RIGHT, segment, sheet, text
from dashboard.figures.words import moment_words, plain_number

_HEIGHT = 540
_TOP, _BOTTOM = 104, 480
_WINDOW = (544, 770, 152, 266)
"""Left, right, top and bottom of the window around the planned point, px: above the curve."""
_SMALL = 14
_LETTER = 7.7
"""Width of a small letter in the widest of the fonts, px."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Paper:
    """Where the radii and loads of a rectangle stand on the paper.

    Attributes:
        frame: the rectangle.
        left, right, top, bottom: its edges on the paper, px.
    """

    frame: Frame
    left: float
    right: float
    top: float
    bottom: float

    def at(self, point: Point) -> Point:
        """Place of a radius and a load, px."""
        (left, right), (low, high) = self.frame.x_m, self.frame.y_kg
        x = self.left + (point[0] - left) / (right - left) * (self.right - self.left)
        y = self.bottom - (point[1] - low) / (high - low) * (self.bottom - self.top)
        return round(x, 2), round(y, 2)


def plan_svg(plan: PlanDocument, palette: Palette = LIGHT) -> str:
    """Draws weight against radius.

    Args:
        plan: a ``slewtrace.plan/1`` document.
        palette: colours; those for paper by default.
    """
    heading = f"Test load against radius: {plan['test']}, {plan['truck']}"
    curve = plan_curve(plan)
    paper = _Paper(frame=curve, left=LEFT, right=RIGHT, top=_TOP, bottom=_BOTTOM)
    parts = [
        *sheet(heading, height=_HEIGHT, heading_y=32, palette=palette),
        *_reach(curve, paper, palette),
        *_grid(curve, paper, palette),
        *_lines(curve, paper, palette),
        *_points(curve, paper, palette),
        *_words(palette),
        *_window(curve, palette),
        *_legend(curve, palette),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _grid(curve: PlanCurve, paper: _Paper, palette: Palette) -> Iterator[str]:
    for radius_m in ticks(curve.x_m, about=8):
        x, _ = paper.at((radius_m, 0))
        yield segment((x, _TOP), (x, _BOTTOM), palette.grid)
        yield text(
            f"{radius_m:g}", (x, _BOTTOM + 20), anchor="middle", size=_SMALL, fill=palette.muted
        )
    for load_kg in ticks(curve.y_kg, about=6):
        _, y = paper.at((curve.x_m[0], load_kg))
        yield segment((LEFT, y), (RIGHT, y), palette.grid)
        yield text(f"{load_kg:g}", (LEFT - 8, y + 5), anchor="end", size=_SMALL, fill=palette.muted)
    middle = (LEFT + RIGHT) / 2
    yield text("radius, m", (middle, _BOTTOM + 44), anchor="middle", fill=palette.muted)
    y = (_TOP + _BOTTOM) / 2
    yield (
        f'<text x="20" y="{y}" text-anchor="middle" fill="{palette.muted}" '
        f'transform="rotate(-90 20 {y})">load, kg</text>'
    )


def _reach(curve: PlanCurve, paper: _Paper, palette: Palette) -> Iterator[str]:
    if curve.reach_m is None or curve.reach_m >= curve.x_m[1]:
        return
    x, _ = paper.at((max(curve.reach_m, curve.x_m[0]), 0))
    yield (
        f'<rect x="{x}" y="{_TOP}" width="{RIGHT - x:.2f}" height="{_BOTTOM - _TOP}" '
        f'fill="{palette.barred}"/>'
    )
    yield segment((x, _TOP), (x, _BOTTOM), palette.barred_ink, width=1.5)


def _lines(curve: PlanCurve, paper: _Paper, palette: Palette) -> Iterator[str]:
    yield _path(paper, inside(curve.chart, curve), palette.muted, width=2)
    yield _path(paper, inside(curve.asked, curve), palette.muted, width=1.5, dash="2 4")
    yield _path(paper, inside(curve.bare, curve), palette.data, width=2.5)


def _points(curve: PlanCurve, paper: _Paper, palette: Palette) -> Iterator[str]:
    (_, right), (_, high) = curve.x_m, curve.y_kg
    for point in curve.others:
        if point[0] <= right and point[1] <= high:
            yield _ring(paper.at(point), palette)
    yield _diamond(paper.at(curve.planned), palette.ink)


def _words(palette: Palette) -> Iterator[str]:
    yield text("falls short", (LEFT + 10, _BOTTOM - 12), fill=palette.muted)
    yield text("proves the moment", (_WINDOW[0] - 22, _TOP + 62), anchor="end", fill=palette.muted)


def _window(curve: PlanCurve, palette: Palette) -> Iterator[str]:
    """The planned point once more, large: bare radius, guarded radius, the guard between."""
    window = curve.window
    left, right, top, bottom = _WINDOW
    paper = _Paper(frame=window, left=left, right=right, top=top, bottom=bottom)
    yield (
        f'<rect x="{left - 14}" y="{top - 36}" width="{right - left + 28}" rx="6" '
        f'height="{bottom - top + 68}" fill="{palette.ground}" stroke="{palette.grid}"/>'
    )
    frame = f'<rect x="{left}" y="{top}" width="{right - left}" height="{bottom - top}"'
    band = " ".join(f"{x},{y}" for x, y in map(paper.at, (*window.bare, *window.guarded[::-1])))
    yield f'<clipPath id="window">{frame}/></clipPath>'
    yield f'<polygon points="{band}" fill="{palette.abnormal}" clip-path="url(#window)"/>'
    radius_m, load_kg = window.planned
    _, y = paper.at(window.planned)
    yield segment((left, y), (right, y), palette.grid)
    for radius in sorted({window.tested[0], radius_m}):
        x, _ = paper.at((radius, load_kg))
        yield segment((x, y), (x, bottom), palette.muted)
        words = f"{radius:.{curve.digits}f} m"
        yield text(words, (x, bottom + 20), anchor="middle", size=_SMALL)
    yield _path(paper, inside(window.bare, window), palette.data, width=2.5)
    guarded = inside(window.guarded, window)
    yield _path(paper, guarded, palette.abnormal_ink, width=1.5, dash="7 4")
    yield f'{frame} fill="none" stroke="{palette.muted}"/>'
    yield _diamond(paper.at(window.tested), palette.ground, stroke=palette.ink)
    yield _diamond(paper.at(window.planned), palette.ink)
    words = f"{load_kg:.0f} kg at {radius_m:.{curve.digits}f} m"
    yield text(words, ((left + right) / 2, top - 12), anchor="middle", weight="600", size=17)


def _legend(curve: PlanCurve, palette: Palette) -> Iterator[str]:
    """Signs and words over the figure, in rows as wide as it is."""
    x, y = float(LEFT), 60
    for words, sign in _legend_entries(curve, palette):
        width = 32 + _LETTER * len(words)
        if x + width > RIGHT:
            x, y = float(LEFT), y + 24
        yield f'<g transform="translate({x:g} {y})">{sign}</g>'
        yield text(words, (x + 32, y + 5), size=_SMALL)
        x += width + 16


def _legend_entries(curve: PlanCurve, palette: Palette) -> Iterator[tuple[str, str]]:
    ends = (0.0, 0.0), (26.0, 0.0)
    yield f"needs {moment_words(curve.required_nm)}", segment(*ends, palette.data, width=2.5)
    swatch = f'<rect y="-6" width="26" height="12" fill="{palette.abnormal}"/>'
    edge = segment((0, -6), (26, -6), palette.abnormal_ink, width=1.5, dash="7 4")
    yield "guard", swatch + edge
    yield "other loads", _ring((13, 0), palette)
    if curve.chart:
        yield "crane's chart", segment(*ends, palette.muted, width=2)
        name = f"chart × {plain_number(round(curve.factor, 2))}"
        yield name, segment(*ends, palette.muted, width=1.5, dash="2 4")
    if curve.reach_m is not None and curve.reach_m < curve.x_m[1]:
        field = f'<rect y="-6" width="26" height="12" fill="{palette.barred}"/>'
        yield (
            f"beyond the reach, {curve.reach_m:.2f} m",
            field + segment((0, -6), (0, 6), palette.barred_ink, width=1.5),
        )


def _path(
    paper: _Paper, points: tuple[Point, ...], colour: str, *, width: float, dash: str = ""
) -> str:
    places = " ".join(f"{x},{y}" for x, y in map(paper.at, points))
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<polyline points="{places}" fill="none" stroke="{colour}" '
        f'stroke-width="{width:g}"{dashed}/>'
    )


def _ring(at: Point, palette: Palette) -> str:
    return (
        f'<circle cx="{at[0]}" cy="{at[1]}" r="4.5" fill="{palette.ground}" '
        f'stroke="{palette.ink}" stroke-width="1.8"/>'
    )


def _diamond(at: Point, fill: str, *, stroke: str = "") -> str:
    x, y = at
    corners = f"{x},{y - 9} {x + 9},{y} {x},{y + 9} {x - 9},{y}"
    edge = f' stroke="{stroke}" stroke-width="1.8"' if stroke else ""
    return f'<polygon points="{corners}" fill="{fill}"{edge}/>'
