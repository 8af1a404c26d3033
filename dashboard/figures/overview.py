"""What a run shows at first sight: all of it, in a few hundred kilobytes.

A run of an hour may have 36 million readings, and a page that opens on it needs none of them by
itself: it needs the envelope of each trace over the whole run, slew, load and radius on an even
grid for the moment that is looked at, and every opening of a contact as it was. That is made once
from all readings and can be kept; zooms and exact readings go back to the readings themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.envelope import envelope
from dashboard.figures.readings import Name, Readings, Wheel
from logger.readings.spans import Spans

POINTS_OF_GRID = 12_000
"""Points of the grid: 0.3 s in a run of an hour, a frame of a film in one of 8 min."""
POINTS_OF_LINE = 1_600
FINEST_STEP_NS = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """One trace over the whole run, in few points.

    Attributes:
        t_s: times, shape (n,), s.
        value: SI (deg for angles), shape (n,), NaN at breaks.
        sensed: False where the values were worked out from notes.
    """

    t_s: NDArray[np.float64]
    value: NDArray[np.float32]
    sensed: bool

    @property
    def extent(self) -> tuple[float, float] | None:
        """Least and greatest reading; None where there is none. No extreme is lost in a line."""
        finite = self.value[np.isfinite(self.value)]
        return (float(finite.min()), float(finite.max())) if finite.size else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the load was when something began.

    Attributes:
        t_ns: when, ns.
        slew_deg: slew angle, deg; None where unknown.
        radius_m: radius, m; None where unknown.
    """

    t_ns: int
    slew_deg: float | None
    radius_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overview:
    """A whole run at first sight.

    Attributes:
        span_ns: (first, last) time of any reading, ns.
        lines: the traces that the run has, in the order in which they are drawn.
        step_ns: distance of the grid's points, the first of which is at the run's start, ns.
        grid: the last reading at each point of the grid, NaN where it is stale.
        wheels: their contacts, exact, in the test file's order.
        hanging: when the load hung.
        grounded: when it stood on the ground.
        lift_offs: where each stretch of ``hanging`` begins.
        set_downs: where each stretch of ``grounded`` begins.
        test_load_kg: what has to hang, kg.
    """

    span_ns: tuple[int, int]
    lines: Mapping[Name, Line]
    step_ns: int
    grid: Mapping[Name, NDArray[np.float32]]
    wheels: tuple[Wheel, ...]
    hanging: Spans
    grounded: Spans
    lift_offs: tuple[Place, ...]
    set_downs: tuple[Place, ...]
    test_load_kg: float

    @property
    def span_s(self) -> tuple[float, float]:
        """(first, last) time of any reading, s."""
        return self.span_ns[0] / 1e9, self.span_ns[1] / 1e9

    def value_at(self, name: Name, t_ns: int) -> float | None:
        """About the value at a time (ns), to a point of the grid; None where unknown."""
        values = self.grid.get(name)
        index = (t_ns - self.span_ns[0]) // self.step_ns
        if values is None or not 0 <= index < values.size or not np.isfinite(values[index]):
            return None
        return float(values[index])


def overview_of(readings: Readings) -> Overview:
    """Looks through all readings of a run once."""
    start_ns, end_ns = readings.span_ns
    step_ns = max(FINEST_STEP_NS, -(-(end_ns - start_ns) // POINTS_OF_GRID))
    grid_ns = np.arange(start_ns, end_ns + step_ns, step_ns, dtype=np.int64)
    lines: dict[Name, Line] = {}
    grid: dict[Name, NDArray[np.float32]] = {}
    for name, trace in readings.traces:
        t_s, value = envelope(trace, start_ns=start_ns, end_ns=end_ns, points=POINTS_OF_LINE)
        lines[name] = Line(t_s=t_s, value=value, sensed=trace.sensed)
        grid[name] = trace.at(grid_ns).astype(np.float32)
    return Overview(
        span_ns=readings.span_ns,
        lines=lines,
        step_ns=step_ns,
        grid=grid,
        wheels=readings.wheels,
        hanging=readings.hanging,
        grounded=readings.grounded,
        lift_offs=_places(readings, readings.hanging),
        set_downs=_places(readings, readings.grounded),
        test_load_kg=readings.test_load_kg,
    )


def _places(readings: Readings, spans: Iterable[tuple[int, int]]) -> tuple[Place, ...]:
    return tuple(
        Place(t_ns=t, slew_deg=readings.slew_at(t), radius_m=readings.radius_at(t))
        for t, _ in spans
    )
