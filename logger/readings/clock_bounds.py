"""A clock bounded from both sides: questions that had left before, answers that came after.

A device that answers took its uptime after our question had left and before its answer was
sent. So each exchange bounds the offset between both clocks from below and from above, whatever
the delays were and however they were shared between the ways out and back (F. Cristian,
"Probabilistic clock synchronization", Distributed Computing 3, 1989; the four timestamps of the
on-wire protocol in RFC 5905; both cited from memory). Over a run all lines that pass between
the bounds are a convex polygon. Its least and greatest offsets at both ends of the run box it
in; the line through the middles of the box is itself one of them, and no true line is farther
from it than half the box.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.readings.block import Nanoseconds, Values
from logger.readings.pack import ClockPair

TWO_WAY_SHARE = 0.5
"""Answers must cover this share of the run: a rate found in a corner of it tells nothing."""

_NS_IN_US = 1000.0
_SOLVER_SLACK_US = 1e-3
"""Far above what the solver may be off (1e-7), far below a clock's resolution."""


_STRETCHES = 20


class NoLine(ValueError):
    """No line passes between the bounds: the solver gave up, or there is nothing to pass."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClockBounds:
    """Pairs as arrays, by device time: what the run's clock can have been, shape (n,), ns.

    Attributes:
        device_ns: device uptimes.
        sent_ns: the run's clock was at most this.
        asked_ns: and at least this, where ``answers``.
        answers: whether the pair answers a question of ours.
    """

    device_ns: Nanoseconds
    sent_ns: Nanoseconds
    asked_ns: Nanoseconds
    answers: NDArray[np.bool_]

    @classmethod
    def of(cls, pairs: Sequence[ClockPair]) -> ClockBounds:
        """The bounds that pairs give, in any order."""
        rows = np.array(
            [(p.device_ns, p.arrival_ns, p.wire_ns, p.asked_ns or 0) for p in pairs],
            dtype=np.int64,
        )
        answers = np.array([p.asked_ns is not None for p in pairs])
        rows, answers = rows[order := np.argsort(rows[:, 0], kind="stable")], answers[order]
        device_ns, arrival_ns, wire_ns, asked_ns = rows.T
        if bool((answers & (asked_ns > arrival_ns - wire_ns)).any()):
            # An answer on the wire before it was asked for: the wire is faster than declared
            # (native USB knows no baud), and no frame's time on it can be believed.
            wire_ns = np.zeros_like(wire_ns)
        return cls(
            device_ns=device_ns,
            sent_ns=arrival_ns - wire_ns,
            asked_ns=asked_ns,
            answers=answers & (asked_ns <= arrival_ns),
        )

    @property
    def span_ns(self) -> int:
        """From the first device time to the last, ns."""
        return int(self.device_ns[-1] - self.device_ns[0])

    @property
    def answers_cover_the_run(self) -> bool:
        """Whether the device answered through enough of the run to bound its rate."""
        answered_ns = self.device_ns[self.answers]
        return bool(
            answered_ns.size and answered_ns[-1] - answered_ns[0] >= TWO_WAY_SHARE * self.span_ns
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MiddleLine:
    """The line in the middle of all that pass between the bounds.

    Attributes:
        first_ns: its offset at the first x, ns.
        last_ns: its offset at the last x, ns.
        half_ns: no line between the bounds is farther from it than this, ns.
        excess_ns: how far bounds had to be moved apart for a line to pass at all, ns; 0 for a
            clock that runs evenly.
    """

    first_ns: float
    last_ns: float
    half_ns: float
    excess_ns: float


def middle_line(bounds: ClockBounds, *, slope_limit: float) -> MiddleLine:
    """The middle of the lines that pass under all upper and over all lower bounds.

    Args:
        bounds: of a clock that answers.
        slope_limit: steepest departure from rate 1 that is believed, ns for an ns.

    Raises:
        NoLine: where nothing bounds the clock from below.
    """
    x_ns, answers = bounds.device_ns - bounds.device_ns[0], bounds.answers
    if not answers.any():
        raise NoLine("nothing bounds the clock from below")
    span_ns = bounds.span_ns
    above = _touched(x_ns, bounds.sent_ns - bounds.device_ns, sign=1)
    below = _touched(x_ns[answers], (bounds.asked_ns - bounds.device_ns)[answers], sign=-1)
    base_ns = int(above[1].min())
    rows = np.vstack([_rows(above[0], span_ns), -_rows(below[0], span_ns), [[-1, 1], [1, -1]]])
    steepest_us = slope_limit * span_ns / _NS_IN_US
    limits_us = np.concatenate(
        [
            (above[1] - base_ns) / _NS_IN_US,
            (base_ns - below[1]) / _NS_IN_US,
            [steepest_us, steepest_us],
        ]
    )
    # The slope's limit is never moved: a clock beyond it is broken, and the excess tells it.
    moved = np.ones((len(rows), 1))
    moved[-2:] = 0.0
    excess_us = max(0.0, _least(np.hstack([rows, -moved]), limits_us, [0.0, 0.0, 1.0]))
    if excess_us > 0:
        limits_us = limits_us + moved[:, 0] * (excess_us + _SOLVER_SLACK_US)
    low_us = [_least(rows, limits_us, [1.0, 0.0]), _least(rows, limits_us, [0.0, 1.0])]
    high_us = [-_least(rows, limits_us, [-1.0, 0.0]), -_least(rows, limits_us, [0.0, -1.0])]
    first_us, last_us = ((low + high) / 2 for low, high in zip(low_us, high_us, strict=True))
    half_us = max((high - low) / 2 for low, high in zip(low_us, high_us, strict=True))
    return MiddleLine(
        first_ns=base_ns + first_us * _NS_IN_US,
        last_ns=base_ns + last_us * _NS_IN_US,
        half_ns=half_us * _NS_IN_US,
        excess_ns=excess_us * _NS_IN_US,
    )


def _rows(x_ns: Nanoseconds, span_ns: int) -> Values:
    """Shares of both ends in a line's value at each x, shape (n, 2)."""
    share = x_ns / max(span_ns, 1)
    return np.column_stack([1.0 - share, share])


def _least(rows: Values, limits: Values, weights: list[float]) -> float:
    """Least weights · v with rows · v ≤ limits; a third v is a distance and never negative."""
    from scipy.optimize import linprog  # noqa: PLC0415 - half a second that only a fit need pay

    bounds = [(None, None), (None, None), (0, None)][: len(weights)]
    found = linprog(weights, A_ub=rows, b_ub=limits, bounds=bounds, method="highs")
    if found.fun is None:
        raise NoLine(f"no line passes between the bounds ({found.message})")
    return float(found.fun)


def _touched(
    x_ns: Nanoseconds, bound_ns: Nanoseconds, *, sign: int
) -> tuple[Nanoseconds, Nanoseconds]:
    """The bounds that a line can touch: the hull's corners, from below (1) or above (-1)."""
    hull = lower_hull(x_ns.tolist(), (sign * bound_ns).tolist())
    return x_ns[hull], bound_ns[hull]


def slope_below(device_ns: Nanoseconds, sent_ns: Nanoseconds) -> float:
    """Slope of the hull's edge under the pairs' centre, less 1."""
    x = (device_ns - device_ns[0]).tolist()
    y = (sent_ns - sent_ns[0] - (device_ns - device_ns[0])).tolist()
    hull = lower_hull(x, y)
    centre = sum(x) / len(x)
    edge = next(i for i in range(1, len(hull)) if x[hull[i]] >= centre)
    left, right = hull[edge - 1], hull[edge]
    slope: float = (y[right] - y[left]) / (x[right] - x[left])
    return slope


def floor_of_stretches(since_first_ns: Nanoseconds, delay_ns: Nanoseconds, *, share: float) -> int:
    """The lowest delay of each stretch of the run, and of these the upper quartile (share), ns.

    A clock that wanders lifts most stretches off the line. A stall of the wire or the computer
    lifts only those in which it fell, and says nothing against the clock: not the highest.
    """
    width_ns = int(since_first_ns[-1]) // _STRETCHES + 1
    window = since_first_ns // width_ns
    starts = np.flatnonzero(np.r_[True, window[1:] != window[:-1]])
    return int(np.quantile(np.minimum.reduceat(delay_ns, starts), share))


def lower_hull(x: list[int], y: list[int]) -> list[int]:
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
