"""Which moments on a device's clock and on the run's are worth keeping.

A frame can only come late, never early, so of many frames within a short stretch of the
device's clock the promptest says the most about it, and the others next to nothing. An answer
to a question of ours says something that they don't, an upper bound: it stays.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from logger.readings.pack import ClockPair

MOST_PAIRS = 20_000
"""Pairs that a clock is fitted to; of more, the best of each short stretch are kept."""

_NOT_ASKED = -(1 << 63)
_COLUMNS = 4


def promptest_of_each(pairs: Iterable[ClockPair], *, stretch_ns: int) -> Iterator[ClockPair]:
    """The promptest of each run of pairs within one stretch of the device's clock.

    Args:
        pairs: in the order in which they came.
        stretch_ns: how long a stretch is, ns on the device's clock.

    Yields:
        Of those that nobody asked for, one for each stretch that neighbours share; all answers.
    """
    best: ClockPair | None = None
    best_stretch = best_delay_ns = 0
    for pair in pairs:
        if pair.asked_ns is not None:
            yield pair
            continue
        stretch = pair.device_ns // stretch_ns
        delay_ns = pair.arrival_ns - pair.wire_ns - pair.device_ns
        if best is not None and stretch == best_stretch:
            if delay_ns < best_delay_ns:
                best, best_delay_ns = pair, delay_ns
            continue
        if best is not None:
            yield best
        best, best_stretch, best_delay_ns = pair, stretch, delay_ns
    if best is not None:
        yield best


class GatheredPairs:
    """The pairs of one clock over a run, however many there are, in little memory.

    Args:
        slowest: whether they are the exchanges of a polled source, of which the longest says
            how well its times are known.
    """

    def __init__(self, *, slowest: bool = False) -> None:
        self._held = array("q")
        self._thin = _slowest if slowest else _thinned

    def add(self, pair: ClockPair) -> None:
        """Takes a pair."""
        asked_ns = _NOT_ASKED if pair.asked_ns is None else pair.asked_ns
        self._held.extend((pair.device_ns, pair.arrival_ns, pair.wire_ns, asked_ns))
        if len(self._held) > 8 * _COLUMNS * MOST_PAIRS:
            self._held = array("q", self._thin(self._rows()).tobytes())

    def pairs(self) -> list[ClockPair]:
        """At most some ``MOST_PAIRS`` of each kind, those of each stretch that say the most."""
        return [
            ClockPair(device_ns=d, arrival_ns=a, wire_ns=w, asked_ns=None if q == _NOT_ASKED else q)
            for d, a, w, q in self._thin(self._rows()).tolist()
        ]

    def _rows(self) -> NDArray[np.int64]:
        return np.frombuffer(self._held.tobytes(), dtype=np.int64).reshape(-1, _COLUMNS)


def _thinned(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Of rows (n, 4), the promptest of each stretch, and of the answers the quickest."""
    if len(rows) <= MOST_PAIRS:
        return rows
    stretch = _stretches(rows)
    delay_ns = rows[:, 1] - rows[:, 2] - rows[:, 0]
    kept = _least_of_each(stretch, delay_ns)
    answers = np.flatnonzero(rows[:, 3] != _NOT_ASKED)
    quickest = _least_of_each(stretch[answers], rows[answers, 1] - rows[answers, 3])
    both: NDArray[np.int64] = rows[np.unique(np.concatenate([kept, answers[quickest]]))]
    return both


def _slowest(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Of exchanges, rows (n, 4), the longest of each stretch."""
    if len(rows) <= MOST_PAIRS:
        return rows
    kept: NDArray[np.int64] = rows[_least_of_each(_stretches(rows), rows[:, 3] - rows[:, 1])]
    return kept


def _stretches(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """The stretch of the device's clock that each row lies in, some ``MOST_PAIRS`` in all."""
    device_ns: NDArray[np.int64] = rows[:, 0] - rows[:, 0].min()
    stretch: NDArray[np.int64] = device_ns // (int(device_ns.max()) // MOST_PAIRS + 1)
    return stretch


def _least_of_each(stretch: NDArray[np.int64], of_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """Where the least value of each stretch stands, in the order of stretches."""
    order = np.lexsort((of_ns, stretch))
    first = np.unique(stretch[order], return_index=True)[1]
    return order[first].astype(np.int64)
