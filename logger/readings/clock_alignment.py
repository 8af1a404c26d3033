"""A device's clock tied to the run's, from frames that only ever come late.

Each frame pairs the device's uptime with our stamp. What is added between them, the delay of
firmware, wire, adapter and scheduler, varies and is never negative. So the true relation lies
on or below all pairs: the line that touches them from below. Over a whole run it is the edge
of the lower convex hull under the pairs' centre, which is the line under all pairs with the
least total distance to them (V. Moon, Skelly, Towsley, "Estimation and removal of clock skew
from network delay measurements", INFOCOM 1999; cited from memory). While running, only the
lowest delay of the last seconds is known, and the rate is taken as 1.

One-way exchange can't see the part of the delay that every frame has. It shows as a constant
lateness, and is covered by an allowance in the uncertainty.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from logger.readings.block import Nanoseconds
from logger.readings.pack import ClockPair

RATE_LIMIT = 1e-3
"""Clocks further from the run's rate than this are believed broken, not fast."""

UNSEEN_DELAY_NS = 1_000_000
"""Allowance for the delay that every frame has, ns: serial output and interrupt at 115 200 Bd
to a polled USB adapter is 0.1 to 1 ms (from memory)."""

UNKNOWN_DRIFT = 1e-4
"""How far a crystal clock may be off where the run is too short to tell (from memory: common
crystals keep 20 to 100 ppm)."""

_FLOOR_WINDOWS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFit:
    """A device clock's line: run time = offset + rate · device time.

    Attributes:
        offset_ns: run's clock at device uptime 0, ns.
        rate: seconds of the run in a second of the device.
        u_s: standard uncertainty of a mapped time, s.
        residual_s: how far the lowest delays stand above the line, s: in each of 20 stretches
            of the run the lowest, and of these the upper quartile.
        pairs: how many pairs it was fitted to.
    """

    offset_ns: int
    rate: float
    u_s: float
    residual_s: float
    pairs: int

    def to_run(self, device_ns: Nanoseconds) -> Nanoseconds:
        """Maps times of the device to the run's clock.

        Args:
            device_ns: device uptimes, shape (n,), ns.

        Returns:
            Times on the run's clock, shape (n,), ns. Uptimes of any size keep their
            nanoseconds: only the small departure from rate 1 passes through a double.
        """
        return _mapped(device_ns, self.rate) + self.offset_ns

    def to_json(self) -> dict[str, float]:
        """As a plain object for a header."""
        return {
            "offset_ns": self.offset_ns,
            "rate": self.rate,
            "u_s": self.u_s,
            "residual_s": self.residual_s,
            "pairs": self.pairs,
        }

    @classmethod
    def from_json(cls, document: Mapping[str, float]) -> ClockFit:
        """From what ``to_json`` gave.

        Raises:
            ValueError: where a key is missing.
        """
        try:
            return cls(
                offset_ns=int(document["offset_ns"]),
                rate=float(document["rate"]),
                u_s=float(document["u_s"]),
                residual_s=float(document["residual_s"]),
                pairs=int(document["pairs"]),
            )
        except KeyError as exc:
            raise ValueError(f"a clock fit without {exc.args[0]!r}") from exc


def fit_clock(
    pairs: Sequence[ClockPair],
    *,
    unseen_delay_ns: int = UNSEEN_DELAY_NS,
    least_span_ns: int = 10_000_000_000,
    least_pairs: int = 10,
) -> ClockFit:
    """Fits a device's clock over a whole run.

    The uncertainty is that of a rectangular distribution: the true line may lie anywhere from
    the fitted one to ``residual_s`` plus the unseen delay away from it. Where the rate had to
    be held at 1, what a common crystal may drift over the pairs' span comes on top.

    Args:
        pairs: moments on both clocks, in any order.
        unseen_delay_ns: allowance for the delay that every frame has, ns of the run's clock
            (multiply by the clock rate where the run's clock is made to run fast).
        least_span_ns: the rate is held at 1 where the pairs span less.
        least_pairs: and where there are fewer.

    Raises:
        ValueError: without a pair.
    """
    if not pairs:
        raise ValueError("no clock pair to fit")
    device_ns = np.fromiter((p.device_ns for p in pairs), dtype=np.int64, count=len(pairs))
    sent_ns = np.fromiter(
        (p.arrival_ns - p.wire_ns for p in pairs), dtype=np.int64, count=len(pairs)
    )
    order = np.argsort(device_ns, kind="stable")
    device_ns, sent_ns = device_ns[order], sent_ns[order]
    span_ns = int(device_ns[-1] - device_ns[0])
    held = span_ns < max(least_span_ns, 1) or len(pairs) < least_pairs
    rate = 1.0 if held else 1.0 + _drift(device_ns, sent_ns)
    delay_ns = sent_ns - _mapped(device_ns, rate)
    offset_ns = int(delay_ns.min())
    # A rate at its bound follows no clock: then the worst stretch counts.
    share = 1.0 if abs(rate - 1.0) > 0.999 * RATE_LIMIT else 0.75
    residual_ns = _floor(device_ns - device_ns[0], delay_ns - offset_ns, share=share)
    drift_ns = UNKNOWN_DRIFT * span_ns if held else 0.0
    return ClockFit(
        offset_ns=offset_ns,
        rate=rate,
        u_s=(residual_ns + unseen_delay_ns + drift_ns) / sqrt(3) / 1e9,
        residual_s=residual_ns / 1e9,
        pairs=len(pairs),
    )


def _mapped(device_ns: Nanoseconds, rate: float) -> Nanoseconds:
    departure = np.rint(np.asarray(device_ns, dtype=np.float64) * (rate - 1.0))
    return np.asarray(device_ns + departure.astype(np.int64))


def _drift(device_ns: Nanoseconds, sent_ns: Nanoseconds) -> float:
    """Slope of the hull's edge under the pairs' centre, less 1, bounded."""
    x = (device_ns - device_ns[0]).tolist()
    y = (sent_ns - sent_ns[0] - (device_ns - device_ns[0])).tolist()
    hull = _lower_hull(x, y)
    centre = sum(x) / len(x)
    edge = next(i for i in range(1, len(hull)) if x[hull[i]] >= centre)
    left, right = hull[edge - 1], hull[edge]
    slope: float = (y[right] - y[left]) / (x[right] - x[left])
    return min(max(slope, -RATE_LIMIT), RATE_LIMIT)


def _lower_hull(x: list[int], y: list[int]) -> list[int]:
    """Indices of the lower convex hull of points sorted by x (monotone chain, exact)."""
    hull: list[int] = []
    for i in range(len(x)):
        if hull and x[i] == x[hull[-1]]:
            if y[i] >= y[hull[-1]]:
                continue
            hull.pop()
        while len(hull) > 1 and _turns_down(x, y, hull[-2], hull[-1], i):
            hull.pop()
        hull.append(i)
    return hull


def _turns_down(x: list[int], y: list[int], a: int, b: int, c: int) -> bool:
    return (x[b] - x[a]) * (y[c] - y[a]) <= (y[b] - y[a]) * (x[c] - x[a])


def _floor(since_first_ns: Nanoseconds, delay_ns: Nanoseconds, *, share: float) -> int:
    """The lowest delay of each stretch of the run, and of these the upper quartile (share), ns.

    A clock that wanders lifts most stretches off the line. A stall of the wire or the computer
    lifts only those in which it fell, and says nothing against the clock: not the highest.
    """
    width_ns = int(since_first_ns[-1]) // _FLOOR_WINDOWS + 1
    window = since_first_ns // width_ns
    starts = np.flatnonzero(np.r_[True, window[1:] != window[:-1]])
    return int(np.quantile(np.minimum.reduceat(delay_ns, starts), share))


class CausalAlignment:
    """Device time to run time while running: the lowest delay of the last seconds.

    The rate is taken as 1, so a clock that is 50 ppm slow is late by at most 1 ms over the
    window of 20 s. When a lower delay is seen, mapped times step back by the difference: who
    needs times that never fall must hold them up.

    Args:
        window_ns: how long a delay is remembered, ns of the run's clock.
    """

    def __init__(self, *, window_ns: int = 20_000_000_000) -> None:
        if window_ns <= 0:
            raise ValueError(f"a window of {window_ns} ns remembers nothing")
        self._window_ns = window_ns
        # Delays that rise with their age's fall: the first is the lowest in the window.
        self._lowest: deque[tuple[int, int]] = deque()

    @property
    def ready(self) -> bool:
        """Whether a pair has come, so that times can be mapped."""
        return bool(self._lowest)

    def add(self, pair: ClockPair) -> None:
        """Takes the next pair, in order of arrival."""
        delay_ns = pair.arrival_ns - pair.wire_ns - pair.device_ns
        while self._lowest and self._lowest[-1][1] >= delay_ns:
            self._lowest.pop()
        self._lowest.append((pair.arrival_ns, delay_ns))
        while self._lowest[0][0] <= pair.arrival_ns - self._window_ns:
            self._lowest.popleft()

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
        if not self._lowest:
            raise ValueError("no clock pair yet")
        return np.asarray(device_ns + self._lowest[0][1])
