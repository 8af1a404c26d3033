"""A device's clock tied to the run's, from frames that only ever come late.

Each frame pairs the device's uptime with our stamp. What is added between them, the delay of
firmware, wire, adapter and scheduler, varies and is never negative. So the true relation lies
on or below all pairs: the line that touches them from below. Over a whole run it is the edge
of the lower convex hull under the pairs' centre, which is the line under all pairs with the
least total distance to them (V. Moon, Skelly, Towsley, "Estimation and removal of clock skew
from network delay measurements", INFOCOM 1999; cited from memory). What is known while the run
goes on is the business of :mod:`logger.readings.causal_alignment`.

One-way exchange can't see the part of the delay that every frame has. It shows as a constant
lateness, and is covered by an allowance in the uncertainty. Where the device answers questions,
the offset is bounded from below too (:mod:`logger.readings.clock_bounds`): then the middle of
what remains is taken, nothing is assumed about delays, and half its width is the uncertainty.

The run's clock may run fast (a simulation in accelerated time). Delays belong to the wall's
clock, so all that is reckoned from them grows with the run's: see ``clock_rate``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from math import sqrt

import numpy as np

from logger.readings.block import Nanoseconds
from logger.readings.clock_bounds import (
    ClockBounds,
    NoLine,
    floor_of_stretches,
    middle_line,
    slope_below,
)
from logger.readings.pack import ClockPair

RATE_LIMIT = 1e-3
"""Clocks further from the run's rate than this are believed broken, not fast."""

UNSEEN_DELAY_NS = 1_000_000
"""Allowance for the delay that every frame has, ns: serial output and interrupt at 115 200 Bd
to a polled USB adapter is 0.1 to 1 ms (from memory)."""

UNKNOWN_DRIFT = 1e-4
"""How far a crystal clock may be off where the run is too short to tell (from memory: common
crystals keep 20 to 100 ppm)."""

LEAST_SPAN_NS = 10_000_000_000
"""Over a shorter stretch a millisecond of delay says less of the rate than a common crystal."""

_INVERSE_STEPS = 64
"""Each step leaves |rate - 1| of what was off, at most a half."""


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
        pairs_two_way: how many of them bounded the offset from below too; 0 for a one-way fit,
            which allows for an unseen delay instead.
    """

    offset_ns: int
    rate: float
    u_s: float
    residual_s: float
    pairs: int
    pairs_two_way: int = 0

    def to_run(self, device_ns: Nanoseconds) -> Nanoseconds:
        """Maps times of the device to the run's clock.

        Args:
            device_ns: device uptimes, shape (n,), ns.

        Returns:
            Times on the run's clock, shape (n,), ns. Uptimes of any size keep their
            nanoseconds: only the small departure from rate 1 passes through a double.
        """
        return _mapped(device_ns, self.rate) + self.offset_ns

    def to_device(self, run_ns: Nanoseconds) -> Nanoseconds:
        """The device's times that :meth:`to_run` maps to times of the run.

        Args:
            run_ns: times on the run's clock, shape (n,), ns.

        Returns:
            Device uptimes, shape (n,), ns, which map back to the same nanosecond; a time that
            no uptime maps to (the device's clock is the slower one) gives a neighbour's.

        Raises:
            ValueError: for a rate that no clock has.
        """
        if abs(self.rate - 1.0) > 0.5:
            raise ValueError(f"a clock that runs at {self.rate} of the run's can't be inverted")
        wanted_ns = np.asarray(run_ns, dtype=np.int64)
        device_ns = wanted_ns - self.offset_ns
        for _ in range(_INVERSE_STEPS):
            off_ns = wanted_ns - self.to_run(device_ns)
            if not off_ns.any():
                break
            device_ns = device_ns + off_ns
        return device_ns

    def to_json(self) -> dict[str, float]:
        """As a plain object for a header."""
        return {
            "offset_ns": self.offset_ns,
            "rate": self.rate,
            "u_s": self.u_s,
            "residual_s": self.residual_s,
            "pairs": self.pairs,
            "pairs_two_way": self.pairs_two_way,
        }

    @classmethod
    def from_json(cls, document: Mapping[str, float]) -> ClockFit:
        """From what ``to_json`` gave; a fit without ``pairs_two_way`` is a one-way one.

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
                pairs_two_way=int(document.get("pairs_two_way", 0)),
            )
        except KeyError as exc:
            raise ValueError(f"a clock fit without {exc.args[0]!r}") from exc


def fit_clock(
    pairs: Sequence[ClockPair],
    *,
    clock_rate: float = 1.0,
    unseen_delay_ns: int | None = None,
    least_span_ns: int | None = None,
    least_pairs: int = 10,
) -> ClockFit:
    """Fits a device's clock over a whole run.

    The uncertainty is that of a rectangular distribution. One-way, the true line may lie
    anywhere from the fitted one to ``residual_s`` plus the unseen delay away from it, and where
    the rate had to be held at 1, what a common crystal may drift over the pairs' span comes on
    top. Two-way, it lies within half of what the bounds leave open at the worse end of the run.

    Args:
        pairs: moments on both clocks, in any order.
        clock_rate: run seconds in a second of wall time.
        unseen_delay_ns: allowance for the delay that every frame has, ns of the run's clock;
            by default :data:`UNSEEN_DELAY_NS` of wall time. Not used where the device answers.
        least_span_ns: the rate is held where the pairs span less, ns of the run's clock; by
            default :data:`LEAST_SPAN_NS` of wall time.
        least_pairs: and where there are fewer.

    Raises:
        ValueError: without a pair.
    """
    if not pairs:
        raise ValueError("no clock pair to fit")
    bounds = ClockBounds.of(pairs)
    if least_span_ns is None:
        least_span_ns = round(LEAST_SPAN_NS * clock_rate)
    held = bounds.span_ns < max(least_span_ns, 1) or len(pairs) < least_pairs
    if bounds.answers_cover_the_run:
        with suppress(NoLine):
            return _fit_two_way(bounds, held=held)
    if unseen_delay_ns is None:
        unseen_delay_ns = round(UNSEEN_DELAY_NS * clock_rate)
    return _fit_one_way(bounds, held=held, unseen_delay_ns=unseen_delay_ns)


def _fit_one_way(bounds: ClockBounds, *, held: bool, unseen_delay_ns: int) -> ClockFit:
    device_ns, sent_ns = bounds.device_ns, bounds.sent_ns
    rate = 1.0 if held else 1.0 + min(max(slope_below(device_ns, sent_ns), -RATE_LIMIT), RATE_LIMIT)
    delay_ns = sent_ns - _mapped(device_ns, rate)
    offset_ns = int(delay_ns.min())
    # A rate at its bound follows no clock: then the worst stretch counts.
    share = 1.0 if abs(rate - 1.0) > 0.999 * RATE_LIMIT else 0.75
    residual_ns = floor_of_stretches(device_ns - device_ns[0], delay_ns - offset_ns, share=share)
    drift_ns = UNKNOWN_DRIFT * bounds.span_ns if held else 0.0
    return ClockFit(
        offset_ns=offset_ns,
        rate=rate,
        u_s=(residual_ns + unseen_delay_ns + drift_ns) / sqrt(3) / 1e9,
        residual_s=residual_ns / 1e9,
        pairs=device_ns.size,
    )


def _fit_two_way(bounds: ClockBounds, *, held: bool) -> ClockFit:
    line = middle_line(bounds, slope_limit=UNKNOWN_DRIFT if held else RATE_LIMIT)
    rate = 1.0 + (line.last_ns - line.first_ns) / max(bounds.span_ns, 1)
    first_ns = bounds.device_ns[:1]
    offset_ns = int((first_ns - _mapped(first_ns, rate))[0]) + round(line.first_ns)
    mapped_ns = _mapped(bounds.device_ns, rate) + offset_ns
    since_first_ns, answers = bounds.device_ns - first_ns, bounds.answers
    late_ns, early_ns = bounds.sent_ns - mapped_ns, (mapped_ns - bounds.asked_ns)[answers]
    # A clock that wanders within its bounds squeezes the lines: each stretch is asked alone too.
    open_ns = max(
        floor_of_stretches(since_first_ns, late_ns, share=0.75),
        floor_of_stretches(since_first_ns[answers], early_ns, share=0.75),
    )
    return ClockFit(
        offset_ns=offset_ns,
        rate=rate,
        u_s=(max(line.half_ns, open_ns) + line.excess_ns + 1.0) / sqrt(3) / 1e9,
        residual_s=floor_of_stretches(since_first_ns, late_ns - late_ns.min(), share=0.75) / 1e9,
        pairs=bounds.device_ns.size,
        pairs_two_way=int(answers.sum()),
    )


def _mapped(device_ns: Nanoseconds, rate: float) -> Nanoseconds:
    departure = np.rint(np.asarray(device_ns, dtype=np.float64) * (rate - 1.0))
    return np.asarray(device_ns + departure.astype(np.int64))
