"""Radius changes: a step that stays, or a creep.

The radius is steady until a step watch says that it has left its place: by more than the
tolerance, and by more than the sensor's own noise explains. It moves from the moment it left the
neighbourhood of the old place for good until two seconds in a row agree again; then the new place
is watched. Detection on slices of the run's clock, and on medians of five of them, keeps the swing
of the load and single spikes out.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from logger.events.step_change import StepWatch
from logger.readings.bins import SLICE_NS, BinMedian, Bins
from logger.readings.block import Nanoseconds, Values

SECOND_SLICES = 4
WATCH_SLICES = 5
"""Their median outvotes a spike of half a second."""
HISTORY_SLICES = 160
"""A small step in a noisy radius is seen half a minute late, and dated to where it began."""
TOLERANCE_M = 0.025
"""More than noise and deflection of a steady boom, less than the smallest step worth making."""
SETTLED_M = 0.005
NEAR_SHARE = 0.4
"""A move begins and ends within this share of the tolerance of the old and the new place …"""
NEAR_NOISES = 2.0
"""… or within so many standard deviations of a slice, whichever is more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RadiusChange:
    """The radius went from one steady place to another.

    Attributes:
        start_ns: last reading at the old place, ns.
        end_ns: first reading at the new place, ns.
        from_m: radius before, m.
        to_m: radius after, m.
    """

    start_ns: int
    end_ns: int
    from_m: float
    to_m: float


class RadiusChangeDetector:
    """Finds radius changes, block by block."""

    def __init__(self) -> None:
        self._bins = BinMedian(SLICE_NS)
        self._watch = StepWatch(tolerance=TOLERANCE_M, median_span=WATCH_SLICES)
        self._history: deque[tuple[int, int, float]] = deque(maxlen=HISTORY_SLICES)
        self._from_m = 0.0
        self._moving_since_ns: int | None = None
        self._slices_moved = 0

    @property
    def steady(self) -> bool:
        """Whether the radius stands still now."""
        return self._moving_since_ns is None

    def feed(self, t_ns: Nanoseconds, radius_m: Values) -> list[RadiusChange]:
        """The changes that the next readings complete.

        Args:
            t_ns: times, shape (n,), ns, never falling.
            radius_m: radius, shape (n,), m.
        """
        return self.take(self._bins.feed(t_ns, radius_m))

    def finish(self) -> list[RadiusChange]:
        """The change that the end of the stream completes, settled or not."""
        changes = self.take(self._bins.finish())
        if self._moving_since_ns is not None:
            changes.append(self._arrive())
        return changes

    def take(self, bins: Bins) -> list[RadiusChange]:
        """The same from slices that are complete already, as ``feed`` cuts them."""
        changes: list[RadiusChange] = []
        for slice_ in zip(
            bins.first_ns.tolist(), bins.last_ns.tolist(), bins.median.tolist(), strict=True
        ):
            self._history.append(slice_)
            if self._moving_since_ns is None:
                if self._watch.take(slice_[2]):
                    self._leave()
            else:
                self._slices_moved += 1
                if self._settled():
                    changes.append(self._arrive())
        return changes

    def _latest_m(self, *, last: int, skip: int = 0) -> list[float]:
        return [r for _, _, r in self._history][: len(self._history) - skip][-last:]

    def _mean_m(self, *, last: int, skip: int = 0) -> float:
        radii_m = self._latest_m(last=last, skip=skip)
        return sum(radii_m) / len(radii_m)

    @property
    def _near_m(self) -> float:
        return max(NEAR_SHARE * TOLERANCE_M, NEAR_NOISES * self._watch.noise)

    def _leave(self) -> None:
        self._from_m = self._watch.reference or 0.0
        since_ns = self._history[0][0]
        for _, last_ns, radius_m in reversed(self._history):
            if abs(radius_m - self._from_m) <= self._near_m:
                since_ns = last_ns
                break
        self._moving_since_ns, self._slices_moved = since_ns, 0

    def _settled(self) -> bool:
        if self._slices_moved < 2 * SECOND_SLICES:
            return False
        now_m = self._mean_m(last=SECOND_SLICES)
        before_m = self._mean_m(last=SECOND_SLICES, skip=SECOND_SLICES)
        noise_m = self._watch.noise * math.sqrt(2 / SECOND_SLICES)
        return abs(now_m - before_m) <= max(SETTLED_M, NEAR_NOISES * noise_m)

    def _arrive(self) -> RadiusChange:
        since_ns = self._moving_since_ns or 0
        to_m = self._mean_m(last=SECOND_SLICES)
        end_ns, near_m = self._history[-1][0], self._near_m
        for first_ns, _, radius_m in reversed(self._history):
            if first_ns < since_ns or abs(radius_m - to_m) > near_m:
                break
            end_ns = first_ns
        self._watch.begin_anew(self._latest_m(last=SECOND_SLICES))
        self._moving_since_ns = None
        return RadiusChange(
            start_ns=since_ns, end_ns=max(end_ns, since_ns), from_m=self._from_m, to_m=to_m
        )
