"""Medians over fixed slices of the run's clock.

A median over a slice keeps a step and drops a spike. The slices are tied to the run's clock
(slice i covers i·width up to (i+1)·width) and not to the blocks, so how a stream is cut never
changes them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.readings.block import Nanoseconds, Values

SLICE_NS = 250_000_000
"""Width of the slices that the detectors look at, ns."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bins:
    """Slices that hold at least one reading; every array has shape (k,).

    Attributes:
        first_ns: time of the slice's first reading, ns.
        last_ns: time of its last reading, ns.
        median: median of its readings.
    """

    first_ns: Nanoseconds
    last_ns: Nanoseconds
    median: Values

    def __len__(self) -> int:
        return int(self.first_ns.size)


class BinMedian:
    """Cuts a stream into slices and gives each one's median once it is complete.

    Args:
        width_ns: width of a slice, ns.
    """

    def __init__(self, width_ns: int) -> None:
        if width_ns <= 0:
            raise ValueError(f"a slice of {width_ns} ns has no width")
        self._width_ns = width_ns
        self._t_ns = np.empty(0, np.int64)
        self._value = np.empty(0, np.float64)

    def feed(self, t_ns: Nanoseconds, value: Values) -> Bins:
        """The slices completed by the next readings.

        Args:
            t_ns: times, shape (n,), ns, never falling.
            value: values, shape (n,); NaN is left out.
        """
        if np.isnan(value).any():
            good = ~np.isnan(value)
            t_ns, value = t_ns[good], value[good]
        if self._t_ns.size:
            t_ns = np.concatenate((self._t_ns, t_ns))
            value = np.concatenate((self._value, value))
        if t_ns.size == 0:
            return _medians(t_ns, value, np.empty(0, np.intp))
        last_slice_ns = int(t_ns[-1]) // self._width_ns * self._width_ns
        open_from = int(np.searchsorted(t_ns, last_slice_ns, side="left"))
        self._t_ns, self._value = t_ns[open_from:].copy(), value[open_from:].copy()
        return self._cut(t_ns[:open_from], value[:open_from])

    def finish(self) -> Bins:
        """The last slice, complete or not."""
        t_ns, value = self._t_ns, self._value
        self._t_ns, self._value = np.empty(0, np.int64), np.empty(0, np.float64)
        return self._cut(t_ns, value)

    def _cut(self, t_ns: Nanoseconds, value: Values) -> Bins:
        if t_ns.size == 0:
            return _medians(t_ns, value, np.empty(0, np.intp))
        first, last = int(t_ns[0]) // self._width_ns, int(t_ns[-1]) // self._width_ns
        if last - first < t_ns.size:
            # Few slices of many readings: looking up their edges beats dividing every time.
            edges = np.arange(first, last + 1, dtype=np.int64) * self._width_ns
            return _medians(t_ns, value, np.unique(np.searchsorted(t_ns, edges)))
        slices = t_ns // self._width_ns
        return _medians(t_ns, value, np.flatnonzero(np.diff(slices, prepend=slices[0] - 1)))


def _medians(t_ns: Nanoseconds, value: Values, starts: NDArray[np.intp]) -> Bins:
    counts = np.diff(starts, append=t_ns.size)
    median = np.empty(starts.size)
    # Sensors are regular, so few different counts occur: one sort for each of them.
    for count in np.unique(counts).tolist():
        rows = np.flatnonzero(counts == count)
        members = np.lib.stride_tricks.sliding_window_view(value, count)[starts[rows]]
        median[rows] = _median_of_rows(members)
    ends = starts + counts - 1
    return Bins(first_ns=t_ns[starts], last_ns=t_ns[ends], median=median)


def _median_of_rows(members: Values) -> Values:
    """Median of each row, shape (rows,); the rows are put out of order."""
    count = members.shape[1]
    middle = count // 2
    if count % 2:
        members.partition(middle, axis=1)
        return members[:, middle]
    members.partition((middle - 1, middle), axis=1)
    return np.asarray((members[:, middle - 1] + members[:, middle]) / 2)
