"""What the figure of a plan shows, before anybody draws it: weight against radius.

The curve is W = M_q / (g R). Above its guarded twin a load proves the required moment after its
uncertainty is taken off; below the bare one it falls short. What lies between them, the guard, is
a hair at the scale of a crane, so the planned point stands once more in a window that is drawn
some hundred times larger. The crane's chart stands as steps, since a radius between two lines is
read at the next larger.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Protocol

import numpy as np

from dashboard.capacity.planning.plan import radius_digits
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

PlanDocument = dict[str, Any]
Point = tuple[float, float]

_NICE = (1.0, 2.0, 2.5, 5.0, 10.0)
_LEAST_STEPS = 1.5
"""Tape steps that the window shows on each side of its middle, at least."""
_HIGHEST = 1.75
"""Top of the figure, as a share of the planned load."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """What lies around the planned point, large.

    Attributes:
        bare: the curve of the required moment.
        guarded: the same with the guard.
        tested: the planned load at the bare test radius.
        planned: the same at the guarded radius.
        x_m: left and right end.
        y_kg: lower and upper end.
    """

    bare: tuple[Point, ...]
    guarded: tuple[Point, ...]
    tested: Point
    planned: Point
    x_m: tuple[float, float]
    y_kg: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanCurve:
    """Lines and points in radius (m) and load (kg).

    Attributes:
        bare: the curve of the required moment.
        window: the planned point, large.
        planned: the planned load at the guarded radius.
        others: the loads of the plan's table at their guarded radii, the planned one left out.
        chart: corners of the chart's steps; empty without a chart.
        asked: the chart times the moment factor; empty without a chart.
        reach_m: the crane's reach, or None.
        required_nm: the required moment, N·m.
        factor: the moment factor.
        digits: decimals of a radius by tape.
        x_m: left and right end.
        y_kg: lower and upper end.
    """

    bare: tuple[Point, ...]
    window: Window
    planned: Point
    others: tuple[Point, ...]
    chart: tuple[Point, ...]
    asked: tuple[Point, ...]
    reach_m: float | None
    required_nm: float
    factor: float
    digits: int
    x_m: tuple[float, float]
    y_kg: tuple[float, float]


def plan_curve(plan: PlanDocument) -> PlanCurve:
    """The figure's lines and points.

    Args:
        plan: a ``slewtrace.plan/1`` document.
    """
    curve, factor = plan["curve"], plan["moment_factor"]
    planned = (plan["guarded_radius_m"], plan["test_load_kg"])
    table = [(row["guarded_radius_m"], row["test_load_kg"]) for row in plan["table"]]
    chart = _steps(plan["chart"]) if plan["chart"] else ()
    high_kg = _HIGHEST * plan["test_load_kg"]
    return PlanCurve(
        bare=_points(curve["radius_m"], curve["load_kg"]),
        window=_window(plan),
        planned=planned,
        others=tuple(p for p in table if abs(p[1] - planned[1]) > 1e-6),
        chart=chart,
        asked=tuple((r, factor * w) for r, w in chart),
        reach_m=plan["reach_m"],
        required_nm=plan["required_moment_nm"],
        factor=factor,
        digits=radius_digits(plan["tape_step_m"]),
        x_m=(curve["radius_m"][0], curve["radius_m"][-1]),
        y_kg=(0.0, high_kg),
    )


class Frame(Protocol):
    """A rectangle of radii and loads."""

    @property
    def x_m(self) -> tuple[float, float]:
        """Left and right end, m."""

    @property
    def y_kg(self) -> tuple[float, float]:
        """Lower and upper end, kg."""


def inside(points: tuple[Point, ...], frame: Frame) -> tuple[Point, ...]:
    """A line cut off at the edges of a rectangle.

    Args:
        points: its corners, radii rising.
        frame: the rectangle.
    """
    (left, right), (low, high) = frame.x_m, frame.y_kg
    cut = _cut(points, axis=0, least=left, most=right)
    return _cut(cut, axis=1, least=low, most=high)


def ticks(ends: tuple[float, float], *, about: int) -> tuple[float, ...]:
    """Round numbers between two ends, about so many."""
    rough = (ends[1] - ends[0]) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(n * power for n in _NICE if n * power >= rough * (1 - 1e-9))
    first, last = math.ceil(ends[0] / step - 1e-9), math.floor(ends[1] / step + 1e-9)
    return tuple(round(n * step, 9) for n in range(first, last + 1))


def _window(plan: PlanDocument) -> Window:
    """A few tape steps around the planned point, the curve going from corner to corner."""
    tested_m, planned_m = plan["test_radius_m"], plan["guarded_radius_m"]
    load_kg, middle_m = plan["test_load_kg"], (tested_m + planned_m) / 2
    half_m = max(_LEAST_STEPS * plan["tape_step_m"], 0.9 * (planned_m - tested_m))
    half_kg = load_kg * half_m / middle_m
    radii = np.linspace(middle_m - half_m, middle_m + half_m, 41)
    known = _points(plan["curve"]["radius_m"], plan["curve"]["guarded_load_kg"])
    bare_kg = plan["required_moment_nm"] / (STANDARD_GRAVITY_MPS2 * radii)
    # Guarded load times radius hardly bends, so straight lines between its points are exact.
    guarded = np.interp(radii, [r for r, _ in known], [r * w for r, w in known]) / radii
    return Window(
        bare=tuple(zip(radii.tolist(), bare_kg.tolist(), strict=True)),
        guarded=tuple(zip(radii.tolist(), guarded.tolist(), strict=True)),
        tested=(tested_m, load_kg),
        planned=(planned_m, load_kg),
        x_m=(middle_m - half_m, middle_m + half_m),
        y_kg=(load_kg - half_kg, load_kg + half_kg),
    )


def _points(x: list[float], y: list[float | None]) -> tuple[Point, ...]:
    return tuple((a, b) for a, b in zip(x, y, strict=True) if b is not None)


def _steps(chart: dict[str, list[float | None]]) -> tuple[Point, ...]:
    """Between two radii of a chart the lesser load of both holds."""
    rows = [
        (r, w)
        for r, w in zip(chart["radius_m"], chart["load_kg"], strict=True)
        if r is not None and w is not None
    ]
    corners = list(rows[:1])
    for (r0, w0), (r1, w1) in pairwise(rows):
        least = min(w0, w1)
        corners += [(r0, least), (r1, least), (r1, w1)]
    return tuple(dict.fromkeys(corners))


def _cut(points: tuple[Point, ...], *, axis: int, least: float, most: float) -> tuple[Point, ...]:
    kept: list[Point] = []
    for a, b in pairwise(points):
        low, high = 0.0, 1.0
        change = b[axis] - a[axis]
        if change == 0:
            if not least <= a[axis] <= most:
                continue
        else:
            ends = sorted(((least - a[axis]) / change, (most - a[axis]) / change))
            low, high = max(low, ends[0]), min(high, ends[1])
            if low > high:
                continue
        kept += [(a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])) for t in (low, high)]
    return tuple(dict.fromkeys(kept))
