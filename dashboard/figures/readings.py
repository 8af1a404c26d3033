"""A run's readings in the form that figures need: each channel's own times, untouched.

Nothing here is thinned out. Traces keep every reading, a wheel's openings keep their first and
last reading, so that a figure at any zoom can be drawn from what was recorded and not from what
an earlier figure showed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.readings.block import Nanoseconds, Values
from logger.readings.spans import Spans

Name = Literal["slew", "load", "radius"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Trace:
    """One channel over the run; without slots, so that what a zoom needs is worked out once.

    Attributes:
        t_ns: shape (n,), ns on the run's clock, never falling.
        value: shape (n,), SI (deg for angles).
        stale_after_ns: how old the last reading may be before nothing is known, ns.
        sensed: False where the values were worked out from notes or results.
    """

    t_ns: Nanoseconds
    value: Values
    stale_after_ns: int
    sensed: bool = True

    @cached_property
    def breaks(self) -> NDArray[np.intp]:
        """Index of each reading after which nothing came for too long, shape (k,)."""
        return np.flatnonzero(self.t_ns[1:] - self.t_ns[:-1] > self.stale_after_ns)

    @cached_property
    def whole(self) -> bool:
        """Whether every value is a finite number."""
        return bool(np.isfinite(self.value).all())

    def at(self, t_ns: Nanoseconds) -> Values:
        """The last reading at each time, NaN where there is none or it is stale.

        Args:
            t_ns: times to look up, shape (k,), ns.

        Returns:
            Values, shape (k,).
        """
        if self.t_ns.size == 0:
            return np.full(t_ns.shape, np.nan)
        index = np.searchsorted(self.t_ns, t_ns, side="right") - 1
        known = (index >= 0) & (t_ns - self.t_ns[index] <= self.stale_after_ns)
        return np.where(known, self.value[index], np.nan)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wheel:
    """What one wheel's contact said.

    Attributes:
        name: position of the wheel, such as ``rear_left``.
        open_ns: shape (n, 2), ns: first open reading, and first closed reading after it.
        unknown: when nothing is known of it: before its first reading, or silent too long.
    """

    name: str
    open_ns: Nanoseconds
    unknown: Spans

    def state_at(self, t_ns: int) -> Literal["closed", "open", "unknown"]:
        """``closed``, ``open`` or ``unknown`` at a time, ns."""
        if t_ns in self.unknown:
            return "unknown"
        index = int(np.searchsorted(self.open_ns[:, 0], t_ns, side="right")) - 1
        return "open" if index >= 0 and t_ns < self.open_ns[index, 1] else "closed"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readings:
    """A whole run's readings.

    Attributes:
        span_ns: (first, last) time of any reading, ns.
        slew: slew angle, deg, continuous; None where not wired.
        load: all that hangs below the boom tip, kg; None where not wired.
        radius: horizontal distance of the load, m; None where nobody knows.
        wheels: in the test file's order.
        hanging: when the load hung.
        grounded: when it stood on the ground.
        test_load_kg: what has to hang, kg.
    """

    span_ns: tuple[int, int]
    slew: Trace | None
    load: Trace | None
    radius: Trace | None
    wheels: tuple[Wheel, ...]
    hanging: Spans
    grounded: Spans
    test_load_kg: float

    def slew_at(self, t_ns: int) -> float | None:
        """Slew angle at a time (ns), deg; None where unknown."""
        return _last_value(self.slew, t_ns)

    def load_at(self, t_ns: int) -> float | None:
        """All that hangs below the boom tip at a time (ns), kg; None where unknown."""
        return _last_value(self.load, t_ns)

    def radius_at(self, t_ns: int) -> float | None:
        """Radius at a time (ns), m; None where unknown."""
        return _last_value(self.radius, t_ns)

    @property
    def traces(self) -> tuple[tuple[Name, Trace], ...]:
        """Name and trace of each channel that has one, in the order in which they are drawn."""
        named: tuple[tuple[Name, Trace | None], ...] = (
            ("slew", self.slew),
            ("load", self.load),
            ("radius", self.radius),
        )
        return tuple((name, trace) for name, trace in named if trace is not None)


def _last_value(trace: Trace | None, t_ns: int) -> float | None:
    if trace is None:
        return None
    value = float(trace.at(np.array([t_ns], np.int64))[0])
    return value if math.isfinite(value) else None


def openings(t_ns: Nanoseconds, closed: NDArray[np.bool_]) -> Nanoseconds:
    """Every unbroken stretch of open readings, however short.

    Args:
        t_ns: times, shape (n,), ns, never falling.
        closed: True with the tyre on the ground, shape (n,).

    Returns:
        Shape (k, 2), ns: first open reading, and first closed reading after it. A stretch that
        the end of the readings cuts short ends 1 ns after the last reading.
    """
    if t_ns.size == 0:
        return np.empty((0, 2), np.int64)
    edges = np.diff(np.concatenate(([False], ~closed, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    after = np.append(t_ns, t_ns[-1] + 1)
    return np.column_stack((t_ns[starts], after[ends]))
