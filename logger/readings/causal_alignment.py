"""A device's clock tied to the run's while it runs, from what is known so far.

Only the lowest delay of the last seconds is known, and the highest moment of asking where the
device answers; the rate is taken as 1. The whole-run fit of :mod:`clock_alignment` comes later
and knows more.
"""

from __future__ import annotations

from collections import deque
from math import sqrt

import numpy as np

from logger.readings.block import Nanoseconds
from logger.readings.clock_alignment import UNKNOWN_DRIFT, UNSEEN_DELAY_NS
from logger.readings.pack import ClockPair

WINDOW_NS = 20_000_000_000
"""How long a delay is remembered while running: 50 ppm are 1 ms in it."""

FIRST_FRAME_LATE_NS = 16_000_000
"""How late a lone frame may be: what a USB adapter's latency timer holds back by default. Of n
frames the promptest is about an nth of it late."""


class CausalAlignment:
    """Device time to run time while running: the lowest delay of the last seconds.

    The rate is taken as 1, so a clock that is 50 ppm slow is late by at most 1 ms over the
    window of 20 s. When a lower delay is seen, mapped times step back by the difference: who
    needs times that never fall must hold them up. While the device answers questions, the
    middle between the lowest delay and the latest question is taken.

    Args:
        window_ns: how long a delay is remembered, ns of the run's clock; by default
            :data:`WINDOW_NS` of wall time.
        clock_rate: run seconds in a second of wall time.
    """

    def __init__(self, *, window_ns: int | None = None, clock_rate: float = 1.0) -> None:
        self._window_ns = round(WINDOW_NS * clock_rate) if window_ns is None else window_ns
        if self._window_ns <= 0:
            raise ValueError(f"a window of {self._window_ns} ns remembers nothing")
        self._clock_rate = clock_rate
        # Delays that rise as their age falls: the first is the lowest in the window.
        self._lowest: deque[tuple[int, int]] = deque()
        # The same of device time less the moment of asking, so that the first asks the most.
        self._highest_asked: deque[tuple[int, int]] = deque()
        self._arrivals: deque[int] = deque()
        self._wire_is_believed = True

    @property
    def ready(self) -> bool:
        """Whether a pair has come, so that times can be mapped."""
        return bool(self._lowest)

    @property
    def two_way(self) -> bool:
        """Whether the device answered within the window."""
        return bool(self._highest_asked)

    @property
    def u_ns(self) -> int:
        """Standard uncertainty of a time mapped now, ns.

        Rectangular, over what the bounds and a common crystal's drift in the window leave open;
        one-way with allowances for the unseen delay and for too few frames.

        Raises:
            ValueError: before the first pair.
        """
        oldest_ns, open_ns = self._oldest_and_open_ns()
        drift_ns = UNKNOWN_DRIFT * (self._arrivals[-1] - oldest_ns)
        if open_ns is None:
            late_ns = UNSEEN_DELAY_NS + FIRST_FRAME_LATE_NS / len(self._arrivals)
            return round((late_ns * self._clock_rate + drift_ns) / sqrt(3)) + 1
        half_ns = open_ns / 2 if open_ns >= 0 else max(0.0, -open_ns - drift_ns)
        return round((half_ns + drift_ns) / sqrt(3)) + 1

    def add(self, pair: ClockPair) -> None:
        """Takes the next pair, in order of arrival."""
        asked_ns = pair.asked_ns
        if asked_ns is not None and asked_ns > pair.arrival_ns - pair.wire_ns:
            self._disbelieve_the_wire()
        wire_ns = pair.wire_ns if self._wire_is_believed else 0
        _keep_least(self._lowest, pair.arrival_ns, pair.arrival_ns - wire_ns - pair.device_ns)
        if asked_ns is not None and asked_ns <= pair.arrival_ns:
            _keep_least(self._highest_asked, pair.arrival_ns, pair.device_ns - asked_ns)
        self._arrivals.append(pair.arrival_ns)
        until_ns = pair.arrival_ns - self._window_ns
        for kept in (self._lowest, self._highest_asked):
            while kept and kept[0][0] <= until_ns:
                kept.popleft()
        while self._arrivals[0] <= until_ns:
            self._arrivals.popleft()

    def to_run(self, device_ns: Nanoseconds) -> Nanoseconds:
        """Maps times of the device to the run's clock.

        Args:
            device_ns: device uptimes, shape (n,), ns.

        Returns:
            Times on the run's clock, shape (n,), ns; at or before the newest pair's arrival
            for times at or before its uptime.

        Raises:
            ValueError: before the first pair.
        """
        _, open_ns = self._oldest_and_open_ns()
        offset_ns = self._lowest[0][1] - max(0, open_ns or 0) // 2
        return np.asarray(device_ns + offset_ns)

    def _oldest_and_open_ns(self) -> tuple[int, int | None]:
        """Arrival of the older bound in use; how far both are apart, None where one is missing."""
        if not self._lowest:
            raise ValueError("no clock pair yet")
        arrival_ns, highest_ns = self._lowest[0]
        if not self._highest_asked:
            return arrival_ns, None
        asked_arrival_ns, lowered_ns = self._highest_asked[0]
        return min(arrival_ns, asked_arrival_ns), highest_ns + lowered_ns

    def _disbelieve_the_wire(self) -> None:
        """From an answer on the wire before it was asked for: it is faster than declared."""
        if self._wire_is_believed:
            self._wire_is_believed = False
            self._lowest.clear()
            self._arrivals.clear()


def _keep_least(kept: deque[tuple[int, int]], arrival_ns: int, value_ns: int) -> None:
    while kept and kept[-1][1] >= value_ns:
        kept.pop()
    kept.append((arrival_ns, value_ns))
