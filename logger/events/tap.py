"""Tap test: one knock seen by two sources tells how far apart their clocks are.

Someone opens a wheel's switch by hand at the moment the load cell is tapped. Both sources date
that knock; the difference of the two dates is what their clocks, wires and firmware put between
them, plus the hand's own unsteadiness. Several knocks give the median, the scatter and whether
the difference is more than scatter.

A knock is where a channel first leaves its baseline after a rest. An analogue channel's baseline
is the median of the last stretches before it, so slow drift is none; it is left where a reading
lies more than six robust standard deviations away. A contact leaves it at its edge. The true
moment lies between the last quiet reading and the first that is not: their middle is taken, and
half their distance counts as an uncertainty of rectangular shape (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from logger.readings.block import Nanoseconds, Values

DEPARTURE_IN_SD = 6.0
REST_NS = 500_000_000
"""How long a channel must have been quiet before a knock counts, ns."""
PAIR_WITHIN_NS = 1_000_000_000
LEAST_TAPS = 3

_STRETCH_NS = 500_000_000
_STRETCHES = 3
_MAD_TO_SD = 1.4826
_MEDIAN_TO_MEAN_U = 1.2533
"""Standard error of a median over that of a mean, normal scatter: the root of π/2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """Where a channel left its baseline.

    Attributes:
        t_ns: middle between the last quiet reading and the first that is not, ns.
        half_width_ns: half the distance between those two, ns.
    """

    t_ns: int
    half_width_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TapBias:
    """How much later the second channel dates a knock than the first.

    Attributes:
        bias_s: median of the differences, s; positive where the second channel is later.
        spread_s: their standard deviation, s.
        u_s: standard uncertainty of the bias, s; never less than the readings' intervals allow.
        taps: how many knocks both channels saw.
        significant: whether the bias is more than scatter, at 95 %.
    """

    bias_s: float
    spread_s: float
    u_s: float
    taps: int
    significant: bool


def robust_sd(value: Values) -> float:
    """Noise of a channel whatever its trend: robust SD of successive differences, over √2.

    Args:
        value: readings, shape (n,), in any unit.

    Returns:
        The standard deviation in that unit; 0 for fewer than three readings.
    """
    if value.size < 3:
        return 0.0
    step = np.diff(value)
    return float(_MAD_TO_SD * np.median(np.abs(step - np.median(step))) / sqrt(2))


def analogue_departures(t_ns: Nanoseconds, value: Values) -> list[Departure]:
    """Where an analogue channel left its baseline.

    Args:
        t_ns: times, shape (n,), ns, never falling.
        value: readings, shape (n,), finite, in any unit.
    """
    if value.size < 3:
        return []
    residual = value - _baseline(t_ns, value)
    sd = max(_MAD_TO_SD * float(np.median(np.abs(residual))), _least_sd(value))
    return _first_ones(t_ns, np.abs(residual) > DEPARTURE_IN_SD * sd)


def contact_departures(t_ns: Nanoseconds, closed: NDArray[np.bool_]) -> list[Departure]:
    """Where a contact left the state in which it mostly was.

    Args:
        t_ns: times, shape (n,), ns, never falling.
        closed: whether it is closed, shape (n,).
    """
    if closed.size < 2:
        return []
    rest = bool(np.median(closed) >= 0.5)
    return _first_ones(t_ns, closed != rest)


def tap_bias(first: list[Departure], second: list[Departure]) -> TapBias | None:
    """The bias between two channels.

    Args:
        first: departures of the reference channel.
        second: departures of the other one.

    Returns:
        None where fewer than three knocks were seen by both.
    """
    pairs = paired(first, second)
    if len(pairs) < LEAST_TAPS:
        return None
    from scipy.special import stdtrit  # noqa: PLC0415 - half a second that only a tap test pays

    difference_s = np.array([(b.t_ns - a.t_ns) * 1e-9 for a, b in pairs])
    bias_s, spread_s = float(np.median(difference_s)), float(np.std(difference_s, ddof=1))
    # The intervals of the readings: rectangular, independent from knock to knock.
    interval_s = sqrt(
        float(np.mean([(a.half_width_ns**2 + b.half_width_ns**2) * 1e-18 / 3 for a, b in pairs]))
    )
    u_s = _MEDIAN_TO_MEAN_U * max(spread_s, interval_s) / sqrt(len(pairs))
    coverage = float(stdtrit(len(pairs) - 1, 0.975))
    return TapBias(
        bias_s=bias_s,
        spread_s=spread_s,
        u_s=u_s,
        taps=len(pairs),
        significant=abs(bias_s) > coverage * u_s,
    )


def paired(first: list[Departure], second: list[Departure]) -> list[tuple[Departure, Departure]]:
    """Departures of two channels that are each other's nearest, within 1 s."""
    if not first or not second:
        return []
    apart = np.abs(
        np.array([a.t_ns for a in first])[:, None] - np.array([b.t_ns for b in second])[None, :]
    )
    nearest, back = apart.argmin(axis=1), apart.argmin(axis=0)
    return [
        (first[i], second[j])
        for i, j in enumerate(nearest.tolist())
        if back[j] == i and apart[i, j] <= PAIR_WITHIN_NS
    ]


def _baseline(t_ns: Nanoseconds, value: Values) -> Values:
    """For each reading, the median of the medians of the three stretches before its own.

    A knock shorter than a stretch hardly moves one median, and never the one it falls in. The
    first stretch has none before it and is its own baseline.
    """
    stretch = (t_ns - t_ns[0]) // _STRETCH_NS
    starts = np.flatnonzero(np.r_[True, stretch[1:] != stretch[:-1]])
    ends = np.r_[starts[1:], value.size]
    medians = [float(np.median(value[a:b])) for a, b in zip(starts, ends, strict=True)]
    levels = [
        float(np.median(medians[max(0, i - _STRETCHES) : i] or medians[:1]))
        for i in range(len(medians))
    ]
    return np.repeat(levels, ends - starts)


def _least_sd(value: Values) -> float:
    """Below this no noise is believed: that of the smallest step the channel made."""
    step = np.abs(np.diff(value))
    moved = step[step > 0]
    return float(moved.min()) / sqrt(12) if moved.size else float("inf")


def _first_ones(t_ns: Nanoseconds, away: NDArray[np.bool_]) -> list[Departure]:
    """The first reading away from the baseline after each rest."""
    where = np.flatnonzero(away)
    found: list[Departure] = []
    before_ns = int(t_ns[0])
    for i in where.tolist():
        at_ns = int(t_ns[i])
        if i > 0 and at_ns - before_ns >= REST_NS:
            last_quiet_ns = int(t_ns[i - 1])
            found.append(
                Departure(
                    t_ns=(last_quiet_ns + at_ns) // 2, half_width_ns=(at_ns - last_quiet_ns) // 2
                )
            )
        before_ns = at_ns
    return found
