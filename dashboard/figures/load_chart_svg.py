"""The derated load chart for print: load against radius as SVG, one stepped curve a percentage.

Between two radii the load of the next larger one holds, so a curve falls at the nearer of both.
Each curve has its own dash, and its percentage stands at its end.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

from dashboard.capacity.sectors.load_chart import SectorLike, derated_kg, percentages
from dashboard.figures.plan_curve import ticks
from dashboard.figures.sectors_svg import PRINT_FONT
from dashboard.figures.svg_paper import TEXT, Place, segment, text
from dashboard.figures.units import Units
from dashboard.figures.words import number_words, plain_number
from logger.readings.load_chart import ChartRow, LoadChart

_WIDTH, _HEIGHT = 820.0, 300.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 74.0, 716.0, 12.0, 250.0
_LABEL = 17.0
_DASHES = ("", "9 4", "2 4", "9 3 2 3", "14 4", "4 2")
_INK, _MUTED, _GRID = "#15202b", "#4f5d6b", "#dfe5ea"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Paper:
    """Where radii and loads, in the reader's units, stand on the paper."""

    least: float
    most: float
    top: float

    def at(self, radius: float, load: float) -> Place:
        """Place on the paper, px."""
        x = _LEFT + (radius - self.least) / (self.most - self.least) * (_RIGHT - _LEFT)
        return round(x, 2), round(_BOTTOM - load / self.top * (_BOTTOM - _TOP), 2)


def load_chart_svg(chart: LoadChart, sectors: Sequence[SectorLike], units: Units) -> str:
    """Draws the chart for the first of its boom lengths, derated for each percentage.

    Args:
        chart: the crane's chart.
        sectors: of both sides.
        units: in which radii and loads stand.
    """
    lengths_m = chart.boom_lengths_m
    rows = chart.rows_of(lengths_m[0] if lengths_m else None)
    radii = [units.length.of(r.radius_m) for r in rows]
    spare = 0.03 * (radii[-1] - radii[0]) or 0.1 * radii[0]
    most = max(units.mass.of(r.load_kg) for r in rows) or 1.0
    paper = _Paper(least=radii[0] - spare, most=radii[-1] + spare, top=1.06 * most)
    shares = percentages(sectors)
    said = f"Load against radius for {', '.join(f'{plain_number(p)} %' for p in shares)}"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" '
        f'width="{_WIDTH:g}" height="{_HEIGHT:g}" role="img" font-family="{PRINT_FONT}" '
        f'font-size="{TEXT}" fill="{_INK}">'
    )
    curves = [*_curves(chart, rows, shares, units, paper)]
    return "\n".join(
        (
            head,
            f"<title>{escape(said)}</title>",
            *_axes(paper, units),
            *(line for i, points in enumerate(curves) for line in _drawn(points, i)),
            *_labels(shares, curves),
            "</svg>",
        )
    )


def _curves(
    chart: LoadChart,
    rows: Sequence[ChartRow],
    shares: Sequence[float],
    units: Units,
    paper: _Paper,
) -> Iterator[list[Place]]:
    for percent in shares:
        loads_kg = [derated_kg(r.load_kg, percent, step_kg=chart.load_step_kg) for r in rows]
        yield [
            paper.at(units.length.of(row.radius_m), units.mass.of(load_kg))
            for row, load_kg in zip(rows, loads_kg, strict=True)
        ]


def _drawn(points: Sequence[Place], index: int) -> Iterator[str]:
    """A stepped line: at each radius straight down to what holds beyond it."""
    path = [f"M{points[0][0]:g} {points[0][1]:g}"]
    path += [f"V{y:g} H{x:g}" for _, (x, y) in pairwise(points)]
    dash = _DASHES[index % len(_DASHES)]
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    yield f'<path d="{" ".join(path)}" fill="none" stroke="{_INK}" stroke-width="1.8"{dashed}/>'
    for x, y in points:
        yield f'<circle cx="{x:g}" cy="{y:g}" r="2.4" fill="{_INK}"/>'


def _labels(shares: Sequence[float], curves: Sequence[Sequence[Place]]) -> Iterator[str]:
    """Percentages to the right of the curves' ends, kept apart downwards."""
    last = -_LABEL
    for percent, points in zip(shares, curves, strict=True):
        x, y = points[-1]
        last = max(y, last + _LABEL)
        yield segment((x + 4, y), (_RIGHT + 10, last), _MUTED, width=0.8)
        yield text(f"{plain_number(percent)} %", (_RIGHT + 14, last + 4.5), size=14, weight="700")


def _axes(paper: _Paper, units: Units) -> Iterator[str]:
    for tick in ticks((0.0, paper.top), about=5):
        _, y = paper.at(paper.least, tick)
        yield segment((_LEFT, y), (_RIGHT, y), _GRID)
        yield text(number_words(tick, ""), (_LEFT - 8, y + 4), anchor="end", size=12, fill=_MUTED)
    for tick in ticks((paper.least, paper.most), about=9):
        x, _ = paper.at(tick, 0.0)
        yield segment((x, _BOTTOM), (x, _BOTTOM + 5), _MUTED)
        yield text(plain_number(tick), (x, _BOTTOM + 19), anchor="middle", size=12, fill=_MUTED)
    yield segment((_LEFT, _BOTTOM), (_RIGHT, _BOTTOM), _MUTED)
    yield segment((_LEFT, _TOP), (_LEFT, _BOTTOM), _MUTED)
    yield text(f"radius, {units.length.unit}", (_RIGHT, _BOTTOM + 38), anchor="end", size=13)
    yield text(f"load, {units.mass.unit}", (8, _TOP + 4), size=13)
