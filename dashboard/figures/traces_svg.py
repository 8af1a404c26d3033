"""Slew, load, radius and every wheel's contact over a whole run, for print: one compact SVG.

Each trace keeps its extremes (see :mod:`dashboard.figures.envelope`), each opening of a contact
is drawn at least as wide as a hair, so that a peak or a short opening is not lost on paper.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

import numpy as np

from dashboard.figures.envelope import envelope, stretches
from dashboard.figures.plan_curve import ticks
from dashboard.figures.readings import Readings, Trace, Wheel
from dashboard.figures.sectors_svg import PRINT_FONT
from dashboard.figures.svg_paper import TEXT, segment, text
from dashboard.figures.units import Units
from dashboard.figures.words import plain_number, short_name
from logger.readings.block import Nanoseconds

_WIDTH, _LEFT, _RIGHT = 820.0, 104.0, 808.0
_STRIP, _BETWEEN, _ROW = 88.0, 16.0, 19.0
_TOP, _FOOT = 10.0, 36.0
_POINTS = 1200
_INK, _MUTED, _GRID, _DATA, _ACT = "#15202b", "#4f5d6b", "#dfe5ea", "#0b4f9e", "#b3201a"
_SIZE = 13
_HAIR = 1.2
"""Least width of an opening, px."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Strip:
    """One trace and its scale."""

    name: str
    unit: str
    trace: Trace
    si_in_one: float


def traces_svg(readings: Readings, units: Units, *, said: str) -> str:
    """Draws what a run shows over its whole time.

    Args:
        readings: the run's readings.
        units: in which values stand.
        said: what it shows, for readers who don't see it.
    """
    strips = [*_strips(readings, units)]
    top = _TOP + len(strips) * (_STRIP + _BETWEEN)
    rows_end = top + _ROW * (len(readings.wheels) + 1)
    height = rows_end + _FOOT
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:g}" '
        f'width="{_WIDTH:g}" height="{height:g}" role="img" font-family="{PRINT_FONT}" '
        f'font-size="{TEXT}" fill="{_INK}">'
    )
    parts = (
        head,
        f"<title>{escape(said)}</title>",
        *_time_axis(readings, rows_end),
        *(
            line
            for i, strip in enumerate(strips)
            for line in _drawn(strip, readings, _TOP + i * (_STRIP + _BETWEEN))
        ),
        *_hanging(readings, top),
        *(
            line
            for i, wheel in enumerate(readings.wheels, start=1)
            for line in _contact(wheel, readings, top + i * _ROW)
        ),
        "</svg>",
    )
    return "\n".join(parts)


def _strips(readings: Readings, units: Units) -> Iterator[_Strip]:
    told = (
        ("slew", "deg", readings.slew, 1.0),
        ("load", units.mass.unit, readings.load, units.mass.si_in_one),
        ("radius", units.length.unit, readings.radius, units.length.si_in_one),
    )
    for name, unit, trace, si_in_one in told:
        if trace is not None and np.isfinite(trace.value).any():
            yield _Strip(name=name, unit=unit, trace=trace, si_in_one=si_in_one)


def _x(t_s: float, readings: Readings) -> float:
    start_s, end_s = (t / 1e9 for t in readings.span_ns)
    whole_s = (end_s - start_s) or 1.0
    return round(_LEFT + (t_s - start_s) / whole_s * (_RIGHT - _LEFT), 2)


def _drawn(strip: _Strip, readings: Readings, top: float) -> Iterator[str]:
    start_ns, end_ns = readings.span_ns
    t_s, value = envelope(strip.trace, start_ns=start_ns, end_ns=end_ns, points=_POINTS)
    shown = value.astype(np.float64) / strip.si_in_one
    low, high = _range(shown)
    for tick in ticks((low, high), about=4):
        y = _y(tick, (low, high), top)
        yield segment((_LEFT, y), (_RIGHT, y), _GRID)
        yield text(plain_number(tick), (_LEFT - 6, y + 4), anchor="end", size=12, fill=_MUTED)
    yield text(strip.name, (6, top + 14), size=_SIZE, weight="700")
    yield text(strip.unit, (6, top + 30), size=12, fill=_MUTED)
    for t_part, part in _unbroken(t_s, shown):
        points = " ".join(
            f"{_x(t, readings):g},{_y(v, (low, high), top):g}"
            for t, v in zip(t_part.tolist(), part.tolist(), strict=True)
        )
        yield (
            f'<polyline points="{points}" fill="none" stroke="{_DATA}" stroke-width="1.3" '
            'stroke-linejoin="round"/>'
        )
    yield (
        f'<rect x="{_LEFT:g}" y="{top:g}" width="{_RIGHT - _LEFT:g}" height="{_STRIP:g}" '
        f'fill="none" stroke="{_MUTED}" stroke-width="0.8"/>'
    )


def _range(value: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float, float]:
    low, high = float(np.nanmin(value)), float(np.nanmax(value))
    spare = 0.06 * (high - low) or 0.1 * abs(high) or 1.0
    return low - spare, high + spare


def _y(value: float, ends: tuple[float, float], top: float) -> float:
    low, high = ends
    return round(top + _STRIP - (value - low) / (high - low) * _STRIP, 2)


def _unbroken(
    t_s: np.ndarray[tuple[int], np.dtype[np.float64]],
    value: np.ndarray[tuple[int], np.dtype[np.float64]],
) -> Iterator[
    tuple[
        np.ndarray[tuple[int], np.dtype[np.float64]], np.ndarray[tuple[int], np.dtype[np.float64]]
    ]
]:
    """The pieces of a trace between its breaks (NaN)."""
    breaks = np.flatnonzero(~np.isfinite(value))
    edges = [-1, *breaks.tolist(), value.size]
    for before, after in pairwise(edges):
        if after - before > 1:
            yield t_s[before + 1 : after], value[before + 1 : after]


def _hanging(readings: Readings, top: float) -> Iterator[str]:
    yield text("load hanging", (_LEFT - 6, top + 13), anchor="end", size=12)
    yield segment((_LEFT, top + 9), (_RIGHT, top + 9), _GRID)
    spans = np.array([(a, b) for a, b in readings.hanging], np.int64).reshape(-1, 2)
    yield from _bars(spans, readings, top, fill=_MUTED)


def _contact(wheel: Wheel, readings: Readings, top: float) -> Iterator[str]:
    """A wheel's line: thin while closed, a block while open, a dashed line while unknown."""
    yield text(short_name(wheel.name)[:17], (_LEFT - 6, top + 13), anchor="end", size=12)
    yield segment((_LEFT, top + 9), (_RIGHT, top + 9), _MUTED)
    unknown = np.array([(a, b) for a, b in wheel.unknown], np.int64).reshape(-1, 2)
    for start_ns, end_ns in _seen(unknown, readings):
        a, b = _x(start_ns / 1e9, readings), _x(end_ns / 1e9, readings)
        yield segment((a, top + 9), (b, top + 9), "#ffffff", width=4)
        yield segment((a, top + 9), (b, top + 9), _ACT, width=3, dash="3 3")
    yield from _bars(wheel.open_ns, readings, top, fill=_ACT)


def _seen(spans_ns: Nanoseconds, readings: Readings) -> Sequence[tuple[int, int]]:
    start_ns, end_ns = readings.span_ns
    found = stretches(spans_ns, start_ns=start_ns, end_ns=end_ns, most=_POINTS)
    return [(max(int(a), start_ns), min(int(b), end_ns)) for a, b in found]


def _bars(spans_ns: Nanoseconds, readings: Readings, top: float, *, fill: str) -> Iterator[str]:
    for start_ns, end_ns in _seen(spans_ns, readings):
        a, b = _x(start_ns / 1e9, readings), _x(end_ns / 1e9, readings)
        yield (
            f'<rect x="{a:g}" y="{top + 3:g}" width="{max(b - a, _HAIR):g}" height="12" '
            f'fill="{fill}"/>'
        )


def _time_axis(readings: Readings, bottom: float) -> Iterator[str]:
    """Minutes and seconds since the run's start, and fine lines up through everything."""
    start_s, end_s = (t / 1e9 for t in readings.span_ns)
    for t_s in _round_times(start_s, end_s):
        x = _x(t_s, readings)
        yield segment((x, _TOP), (x, bottom), _GRID)
        minutes, seconds = divmod(round(t_s), 60)
        words = f"{minutes}:{seconds:02d}"
        yield text(words, (x, bottom + 16), anchor="middle", size=12, fill=_MUTED)
    yield text(
        "min:s since the run's start", (_RIGHT, bottom + 32), anchor="end", size=12, fill=_MUTED
    )


def _round_times(start_s: float, end_s: float) -> list[int]:
    """Some eight round times inside a stretch, s."""
    whole_s = end_s - start_s
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)
    step_s = next((s for s in steps if whole_s / s <= 9), 28800)
    first = int(-(-start_s // step_s))
    return [k * step_s for k in range(first, int(end_s // step_s) + 1)][:40]
