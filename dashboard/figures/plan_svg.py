"""The figure of a plan for print: weight against radius as SVG, without a browser to draw it.

Plain elements and text as text, so that it can be searched, read aloud and set into a record.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

from dashboard.figures.palette import FONT, LIGHT, Palette
from dashboard.figures.plan_curve import (
    Frame,
    PlanCurve,
    PlanDocument,
    Point,
    inside,
    plan_curve,
    ticks,
)
from dashboard.figures.words import moment_words, plain_number

_WIDTH, _HEIGHT = 820, 540
_LEFT, _RIGHT, _TOP, _BOTTOM = 74, 796, 104, 480
_WINDOW = (544, 770, 152, 266)
"""Left, right, top and bottom of the window around the planned point, px: above the curve."""
_SMALL, _TEXT, _STRONG = 14, 15, 19
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
    curve = plan_curve(plan)
    paper = _Paper(frame=curve, left=_LEFT, right=_RIGHT, top=_TOP, bottom=_BOTTOM)
    parts = [
        *_head(plan, palette),
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


def _head(plan: PlanDocument, palette: Palette) -> Iterator[str]:
    title = f"Test load against radius: {plan['test']}, {plan['truck']}"
    family = escape(FONT, quote=True)
    yield (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
        f'width="{_WIDTH}" height="{_HEIGHT}" role="img" font-family="{family}" '
        f'font-size="{_TEXT}" fill="{palette.ink}">'
    )
    yield f"<title>{_said(title)}</title>"
    yield f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="{palette.ground}"/>'
    shown = title if len(title) < 70 else title[:68] + "…"
    yield _text(shown, (_LEFT, 32), size=_STRONG, weight="600")


def _grid(curve: PlanCurve, paper: _Paper, palette: Palette) -> Iterator[str]:
    for radius_m in ticks(curve.x_m, about=8):
        x, _ = paper.at((radius_m, 0))
        yield _segment((x, _TOP), (x, _BOTTOM), palette.grid)
        yield _text(
            f"{radius_m:g}", (x, _BOTTOM + 20), anchor="middle", size=_SMALL, fill=palette.muted
        )
    for load_kg in ticks(curve.y_kg, about=6):
        _, y = paper.at((curve.x_m[0], load_kg))
        yield _segment((_LEFT, y), (_RIGHT, y), palette.grid)
        yield _text(
            f"{load_kg:g}", (_LEFT - 8, y + 5), anchor="end", size=_SMALL, fill=palette.muted
        )
    middle = (_LEFT + _RIGHT) / 2
    yield _text("radius, m", (middle, _BOTTOM + 44), anchor="middle", fill=palette.muted)
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
        f'<rect x="{x}" y="{_TOP}" width="{_RIGHT - x:.2f}" height="{_BOTTOM - _TOP}" '
        f'fill="{palette.barred}"/>'
    )
    yield _segment((x, _TOP), (x, _BOTTOM), palette.barred_ink, width=1.5)


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
    yield _text("falls short", (_LEFT + 10, _BOTTOM - 12), fill=palette.muted)
    yield _text("proves the moment", (_WINDOW[0] - 22, _TOP + 62), anchor="end", fill=palette.muted)


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
    yield _segment((left, y), (right, y), palette.grid)
    for radius in sorted({window.tested[0], radius_m}):
        x, _ = paper.at((radius, load_kg))
        yield _segment((x, y), (x, bottom), palette.muted)
        words = f"{radius:.{curve.digits}f} m"
        yield _text(words, (x, bottom + 20), anchor="middle", size=_SMALL)
    yield _path(paper, inside(window.bare, window), palette.data, width=2.5)
    guarded = inside(window.guarded, window)
    yield _path(paper, guarded, palette.abnormal_ink, width=1.5, dash="7 4")
    yield f'{frame} fill="none" stroke="{palette.muted}"/>'
    yield _diamond(paper.at(window.tested), palette.ground, stroke=palette.ink)
    yield _diamond(paper.at(window.planned), palette.ink)
    words = f"{load_kg:.0f} kg at {radius_m:.{curve.digits}f} m"
    yield _text(words, ((left + right) / 2, top - 12), anchor="middle", weight="600", size=17)


def _legend(curve: PlanCurve, palette: Palette) -> Iterator[str]:
    """Signs and words over the figure, in rows as wide as it is."""
    x, y = float(_LEFT), 60
    for words, sign in _legend_entries(curve, palette):
        width = 32 + _LETTER * len(words)
        if x + width > _RIGHT:
            x, y = float(_LEFT), y + 24
        yield f'<g transform="translate({x:g} {y})">{sign}</g>'
        yield _text(words, (x + 32, y + 5), size=_SMALL)
        x += width + 16


def _legend_entries(curve: PlanCurve, palette: Palette) -> Iterator[tuple[str, str]]:
    ends = (0.0, 0.0), (26.0, 0.0)
    yield f"needs {moment_words(curve.required_nm)}", _segment(*ends, palette.data, width=2.5)
    swatch = f'<rect y="-6" width="26" height="12" fill="{palette.abnormal}"/>'
    edge = _segment((0, -6), (26, -6), palette.abnormal_ink, width=1.5, dash="7 4")
    yield "guard", swatch + edge
    yield "other loads", _ring((13, 0), palette)
    if curve.chart:
        yield "crane's chart", _segment(*ends, palette.muted, width=2)
        name = f"chart × {plain_number(round(curve.factor, 2))}"
        yield name, _segment(*ends, palette.muted, width=1.5, dash="2 4")
    if curve.reach_m is not None and curve.reach_m < curve.x_m[1]:
        field = f'<rect y="-6" width="26" height="12" fill="{palette.barred}"/>'
        yield (
            f"beyond the reach, {curve.reach_m:.2f} m",
            field + _segment((0, -6), (0, 6), palette.barred_ink, width=1.5),
        )


def _text(
    words: str,
    at: Point,
    *,
    anchor: str = "start",
    size: int = _TEXT,
    weight: str = "",
    fill: str = "",
) -> str:
    said = {
        "text-anchor": "" if anchor == "start" else anchor,
        "font-size": "" if size == _TEXT else str(size),
        "font-weight": weight,
        "fill": fill,
    }
    attributes = "".join(f' {name}="{value}"' for name, value in said.items() if value)
    return f'<text x="{at[0]:g}" y="{at[1]:g}"{attributes}>{_said(words)}</text>'


def _said(words: str) -> str:
    """Words for XML, which knows no control characters."""
    return escape(
        "".join(c if c.isprintable() or c in "\u00a0\u2009\u202f" else "�" for c in words)
    )


def _segment(a: Point, b: Point, colour: str, *, width: float = 1, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{a[0]:g}" y1="{a[1]:g}" x2="{b[0]:g}" y2="{b[1]:g}" stroke="{colour}" '
        f'stroke-width="{width:g}"{dashed}/>'
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
