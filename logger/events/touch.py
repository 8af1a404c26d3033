"""Touches: the hook loses part of its load for a moment, and has it again.

A load that dips to the ground while the boom slews takes its weight off the hook for less time
than the load phases look at. A dip is a touch where it is deeper than how the load hung in
the seconds before explains: noise, swing and bouncing spread its readings, the ground takes more.
Seen in slices of a twentieth of a second, so that two readings of an ordinary cell agree on it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from logger.readings.bins import BinMedian, Bins
from logger.readings.block import Nanoseconds, Values

TOUCH_SLICE_NS = 50_000_000
LEAST_SLICES = 2
"""One slice alone may be a glitch of a slow cell."""
CALM_NS = 10_000_000_000
"""What hung before is judged over a whole swing of a load on 20 m of rope (9 s), ns."""
LONGEST_NS = 5_000_000_000
"""What stays down for longer was set down: the load phases tell of it, ns."""
LOOK_NS = 1_000_000_000
"""How often the limit is worked out anew, ns."""
LEAST_SHARE = 0.05
"""Of the test load: less unloading than this is no touch (the 95 % of a hanging load)."""
SPREADS = 6.0
"""A dip deeper than so many spreads (1.4826 times the median distance from the level) of how the
load hung is not of its noise, its swing or its bouncing."""
LEAST_CALM_SLICES = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Touch:
    """Part of the load was off the hook for a moment.

    Attributes:
        t_ns: first reading that fell short, ns.
        end_ns: first reading that had the load again, ns.
        off_kg: how much was off the hook at the most, kg.
    """

    t_ns: int
    end_ns: int
    off_kg: float


class TouchDetector:
    """Finds touches, block by block.

    Args:
        test_load_kg: all that hangs below the boom tip, kg.
    """

    def __init__(self, test_load_kg: float) -> None:
        self._test_load_kg = test_load_kg
        self._bins = BinMedian(TOUCH_SLICE_NS)
        self._calm: deque[tuple[int, float]] = deque()
        self._low: list[tuple[int, float]] = []
        self._level_kg = 0.0
        self._limit_kg = -np.inf
        self._next_look_ns = 0

    def feed(self, t_ns: Nanoseconds, applied_kg: Values) -> list[Touch]:
        """The touches that the next readings end.

        Args:
            t_ns: times, shape (n,), ns, never falling.
            applied_kg: cell reading plus what hangs above the cell, shape (n,), kg.
        """
        return self.take(self._bins.feed(t_ns, applied_kg))

    def finish(self) -> list[Touch]:
        """The touch that the last slice ends; one that nothing ended is none."""
        return self.take(self._bins.finish())

    def take(self, bins: Bins) -> list[Touch]:
        """The same from slices that are complete already."""
        touches: list[Touch] = []
        for first_ns, load_kg in zip(bins.first_ns.tolist(), bins.median.tolist(), strict=True):
            if load_kg < self._limit_kg:
                self._low.append((first_ns, load_kg))
                if first_ns - self._low[0][0] > LONGEST_NS:
                    self._begin_anew()
                continue
            touches += self._end(first_ns)
            self._look(first_ns, load_kg)
        return touches

    def _end(self, t_ns: int) -> list[Touch]:
        low, self._low = self._low, []
        if len(low) < LEAST_SLICES:
            return []
        off_kg = self._level_kg - min(kg for _, kg in low)
        return [Touch(t_ns=low[0][0], end_ns=t_ns, off_kg=off_kg)]

    def _look(self, t_ns: int, load_kg: float) -> None:
        """Takes a slice into what hung before, and sets the limit for the next."""
        if self._calm and t_ns - self._calm[-1][0] > LONGEST_NS:
            self._begin_anew()
        self._calm.append((t_ns, load_kg))
        if t_ns < self._next_look_ns:
            return
        self._next_look_ns = (t_ns // LOOK_NS + 1) * LOOK_NS
        while self._calm[0][0] < t_ns - CALM_NS:
            self._calm.popleft()
        self._limit_kg = -np.inf
        if len(self._calm) < LEAST_CALM_SLICES:
            return
        loads_kg = np.array([kg for _, kg in self._calm])
        self._level_kg = median(loads_kg)
        if self._level_kg < (1 - LEAST_SHARE) * self._test_load_kg:
            return
        spread_kg = 1.4826 * median(np.abs(loads_kg - self._level_kg))
        allowed_kg = max(LEAST_SHARE * self._test_load_kg, SPREADS * spread_kg)
        self._limit_kg = self._level_kg - allowed_kg

    def _begin_anew(self) -> None:
        self._calm.clear()
        self._low.clear()
        self._limit_kg = -np.inf


def median(values: Values) -> float:
    """The median as numpy tells it, to the bit, in a tenth of its time for some hundred values.

    Args:
        values: shape (n,), n ≥ 1; one that is no number makes the median none.
    """
    ordered = np.sort(values)
    if np.isnan(ordered[-1]):
        return float("nan")
    return float((ordered[(ordered.size - 1) // 2] + ordered[ordered.size // 2]) / 2)
