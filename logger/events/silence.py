"""Silence: a channel from which nothing has come for too long is stale, and proves nothing."""

from __future__ import annotations

import numpy as np

from logger.readings.block import Nanoseconds
from logger.readings.spans import Spans

DEFAULT_STALE_NS = 1_000_000_000
"""Where the rig file gives no ``stale_after``, ns."""
INTERVALS_OF_SILENCE = 5
"""A slow but regular sensor may miss some readings before it counts as silent."""


INTERVALS_LOOKED_AT = 10_000


class SilenceDetector:
    """Finds the stretches in which a channel was stale, block by block.

    Args:
        stale_after_ns: how old its last reading may be, ns.
    """

    def __init__(self, stale_after_ns: int) -> None:
        self._stale_after_ns = stale_after_ns
        self._last_ns: int | None = None

    def feed(self, t_ns: Nanoseconds) -> list[tuple[int, int]]:
        """The stale stretches that the next readings end.

        Args:
            t_ns: times, shape (n,), ns, never falling.

        Returns:
            (from, to) of each, ns: from the moment the last reading became too old to the
            next reading.
        """
        if t_ns.size == 0:
            return []
        limit_ns, before_ns = self._stale_after_ns, self._last_ns
        self._last_ns = int(t_ns[-1])
        found: list[tuple[int, int]] = []
        if before_ns is not None and int(t_ns[0]) - before_ns > limit_ns:
            found.append((before_ns + limit_ns, int(t_ns[0])))
        gaps_ns = t_ns[1:] - t_ns[:-1]
        if gaps_ns.size and gaps_ns.max() > limit_ns:
            late = np.flatnonzero(gaps_ns > limit_ns).tolist()
            found += [(int(t_ns[i]) + limit_ns, int(t_ns[i + 1])) for i in late]
        return found

    def is_stale(self, now_ns: int) -> bool:
        """Whether the channel is stale now; one that has never spoken counts from 0 ns."""
        return now_ns - (self._last_ns or 0) > self._stale_after_ns


def stale_spans(t_ns: Nanoseconds, *, stale_after_ns: int, run_ns: tuple[int, int]) -> Spans:
    """When a channel was stale in a whole run, its silent beginning and end included.

    Args:
        t_ns: the channel's times, shape (n,), ns.
        stale_after_ns: how old its last reading may be, ns.
        run_ns: first and last time of the whole run, ns.
    """
    start_ns, end_ns = run_ns
    if t_ns.size == 0:
        return Spans.of([(start_ns, end_ns + 1)])
    # Nothing is known from the last reading on, and not only once it is too old.
    silences = [
        (since_ns - stale_after_ns, until_ns)
        for since_ns, until_ns in SilenceDetector(stale_after_ns).feed(t_ns)
    ]
    head = (start_ns, int(t_ns[0])) if t_ns[0] - start_ns > stale_after_ns else (0, 0)
    tail = (int(t_ns[-1]) + 1, end_ns + 1) if end_ns - t_ns[-1] > stale_after_ns else (0, 0)
    return Spans.of([head, *silences, tail])


def usual_stale_after_ns(t_ns: Nanoseconds) -> int:
    """A limit for a channel whose rig file gives none: 1 s, or five of its usual intervals."""
    if t_ns.size < 2:
        return DEFAULT_STALE_NS
    # Some thousand intervals tell the usual one as well as millions.
    at = np.linspace(0, t_ns.size - 2, min(t_ns.size - 1, INTERVALS_LOOKED_AT)).astype(np.intp)
    usual_ns = int(np.median(t_ns[at + 1] - t_ns[at]))
    return max(DEFAULT_STALE_NS, INTERVALS_OF_SILENCE * usual_ns)


def reports_only_changes(value_changes: int, readings: int) -> bool:
    """Whether a contact seems to speak only when it changes, so that its silence says nothing.

    Args:
        value_changes: how often a reading differed from the one before.
        readings: how many readings there are.
    """
    return readings == 1 or (readings > 1 and value_changes > (readings - 1) / 2)
