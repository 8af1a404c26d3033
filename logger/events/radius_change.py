"""Radius changes: a step that stays, or a creep.

The radius is steady while the median of the last slices stays within the tolerance of its
reference. It moves from the moment it leaves the reference's neighbourhood for good until two
seconds in a row agree again; then the new place is the reference. Detection on slices of the
run's clock keeps the swing of the load and single spikes out.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import median

from logger.readings.bins import SLICE_NS, BinMedian, Bins
from logger.readings.block import Nanoseconds, Values

SECOND_SLICES = 4
WATCH_SLICES = 5
"""Their median outvotes a spike of half a second."""
HISTORY_SLICES = 40
TOLERANCE_M = 0.025
"""More than noise and deflection of a steady boom, less than the smallest step worth making."""
SETTLED_M = 0.005
NEAR_SHARE = 0.4
"""A move begins and ends within this share of the tolerance of the old and the new place."""


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
        self._history: deque[tuple[int, int, float]] = deque(maxlen=HISTORY_SLICES)
        self._reference_m: float | None = None
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
            if self._reference_m is None:
                self._find_reference()
            elif self._moving_since_ns is None:
                self._watch_for_a_move()
            else:
                self._slices_moved += 1
                if self._settled():
                    changes.append(self._arrive())
        return changes

    def _mean_m(self, *, last: int, skip: int = 0) -> float:
        radii = [r for _, _, r in self._history][: len(self._history) - skip][-last:]
        return sum(radii) / len(radii)

    def _find_reference(self) -> None:
        if len(self._history) >= SECOND_SLICES:
            self._reference_m = self._mean_m(last=SECOND_SLICES)

    def _watch_for_a_move(self) -> None:
        reference_m = self._reference_m or 0.0
        latest = [r for _, _, r in self._history][-WATCH_SLICES:]
        if abs(median(latest) - reference_m) <= TOLERANCE_M:
            return
        since_ns = self._history[0][0]
        for _, last_ns, radius_m in reversed(self._history):
            if abs(radius_m - reference_m) <= NEAR_SHARE * TOLERANCE_M:
                since_ns = last_ns
                break
        self._moving_since_ns, self._slices_moved = since_ns, 0

    def _settled(self) -> bool:
        if self._slices_moved < 2 * SECOND_SLICES:
            return False
        now_m = self._mean_m(last=SECOND_SLICES)
        before_m = self._mean_m(last=SECOND_SLICES, skip=SECOND_SLICES)
        return abs(now_m - before_m) <= SETTLED_M

    def _arrive(self) -> RadiusChange:
        to_m = self._mean_m(last=SECOND_SLICES)
        end_ns, near_m = self._history[-1][0], NEAR_SHARE * TOLERANCE_M
        for first_ns, _, radius_m in reversed(self._history):
            if first_ns < (self._moving_since_ns or 0) or abs(radius_m - to_m) > near_m:
                break
            end_ns = first_ns
        change = RadiusChange(
            start_ns=self._moving_since_ns or 0,
            end_ns=max(end_ns, (self._moving_since_ns or 0)),
            from_m=self._reference_m or 0.0,
            to_m=to_m,
        )
        self._reference_m, self._moving_since_ns = to_m, None
        return change
