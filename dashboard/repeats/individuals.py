"""Individuals and moving range: a control chart of single values in the order of time.

The moving range is the difference of each value from the one before. Its mean R̄ tells the spread
that lies between neighbours, and limits at mean ± 2.66·R̄ (three standard deviations, R̄/1.128
each) say which values don't belong; 3.267·R̄ does so for the ranges (ISO 7870-2, individuals and
moving ranges; factors E₂ and D₄ for two values). Besides a point beyond a limit, a *run* is a
signal: seven in a row on one side of the mean, or seven in a row that rise or fall (the plain
rules of ISO 7870-2, from memory). Limits from fewer than twenty values are provisional.

Neighbouring ranges share a value, so R̄ knows less than its number of ranges says. Its variance is
exact (Cryer and Ryan, J. Qual. Technol. 22, 1990, give the asymptotic one) and makes the degrees
of freedom of the interval of the standard deviation.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from dashboard.repeats.intervals import LEVEL, Interval, mean_interval, spread_interval
from dashboard.repeats.measurements import Measurements, NotEnough, is_provisional
from dashboard.repeats.moments import mean, standard_deviation

TO_LIMIT = 2.660
"""E₂ = 3/d₂: from the mean moving range to the limits of individuals."""
TO_RANGE_LIMIT = 3.267
"""D₄: from the mean moving range to the upper limit of moving ranges."""
MEAN_RANGE = 1.128
"""d₂: the mean range of two values, in standard deviations."""
RUN = 7
"""Values in a row that make a run."""
SOURCE = "ISO 7870-2: individuals and moving ranges; interval of the mean by Student's t"

Rule = Literal["beyond_limit", "range_beyond_limit", "one_side", "rising", "falling"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """Where a chart says that something changed.

    Attributes:
        rule: which rule.
        start: index of the first value of it.
        stop: index after the last value.
        text: what is there, one line.
    """

    rule: Rule
    start: int
    stop: int
    text: str

    def document(self, first: int = 1) -> dict[str, Any]:
        """Plain values for JSON; values are counted from ``first``."""
        at = [index + first for index in range(self.start, self.stop)]
        return {"rule": self.rule, "at": at, "text": self.text}


@dataclass(frozen=True, slots=True, kw_only=True)
class Individuals:
    """A chart of individuals and moving ranges.

    Attributes:
        values: in the order of time.
        moving_ranges: of each value to the one before, one fewer.
        mean: mean of the values.
        mean_interval: of the mean, by the standard deviation of all values.
        moving_range_mean: mean of the moving ranges.
        sigma: standard deviation between neighbours, R̄/1.128.
        sigma_interval: of that.
        lower_limit: of individuals.
        upper_limit: of individuals.
        moving_range_limit: upper limit of moving ranges.
        signals: by rule, then in order.
    """

    values: tuple[float, ...]
    moving_ranges: tuple[float, ...]
    mean: float
    mean_interval: Interval
    moving_range_mean: float
    sigma: float
    sigma_interval: Interval
    lower_limit: float
    upper_limit: float
    moving_range_limit: float
    signals: tuple[Signal, ...]

    @property
    def provisional(self) -> bool:
        """Whether the limits come from too few values to be relied on."""
        return is_provisional(len(self.values))

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "source": SOURCE,
            "level": LEVEL,
            "n": len(self.values),
            "provisional": self.provisional,
            "mean": self.mean,
            "mean_interval": self.mean_interval.document(),
            "moving_range_mean": self.moving_range_mean,
            "sigma": self.sigma,
            "sigma_interval": self.sigma_interval.document(),
            "lower_limit": self.lower_limit,
            "upper_limit": self.upper_limit,
            "moving_range_limit": self.moving_range_limit,
            "values": list(self.values),
            "moving_ranges": list(self.moving_ranges),
            "signals": [signal.document() for signal in self.signals],
        }


def individuals(measurements: Measurements) -> Individuals:
    """The chart of all values in the order of the table.

    Raises:
        NotEnough: for fewer than two values.
    """
    return chart(measurements.values)


def chart(values: Sequence[float]) -> Individuals:
    """The chart of values in the order of time.

    Raises:
        NotEnough: for fewer than two values.
    """
    if len(values) < 2:
        raise NotEnough("a chart needs two values or more; there is 1")
    x = np.array(values, dtype=np.float64)
    ranges = np.abs(np.diff(x))
    n, centre, range_mean = len(x), mean(x), mean(ranges)
    sigma = range_mean / MEAN_RANGE
    reach = TO_LIMIT * range_mean
    return Individuals(
        values=tuple(x.tolist()),
        moving_ranges=tuple(ranges.tolist()),
        mean=centre,
        mean_interval=mean_interval(centre, standard_deviation(x) / math.sqrt(n), n - 1),
        moving_range_mean=range_mean,
        sigma=sigma,
        sigma_interval=moving_range_interval(sigma, n),
        lower_limit=centre - reach,
        upper_limit=centre + reach,
        moving_range_limit=TO_RANGE_LIMIT * range_mean,
        signals=_signals(x, ranges, centre, range_mean),
    )


def moving_range_interval(sigma: float, n: int) -> Interval:
    """Of a standard deviation from the mean moving range of n values.

    R̄ is taken as a multiple of χ (Patnaik, Biometrika 37, 1950) with its exact variance: of
    |x₁ − x₂| it is 2 − 4/π, its covariance with |x₂ − x₃| is (4/π)(√¾ + π/12 − 1), in σ².
    """
    m = n - 1
    own, next_one = 2 - 4 / math.pi, 4 / math.pi * (math.sqrt(0.75) + math.pi / 12 - 1)
    relative = (m * own + 2 * (m - 1) * next_one) / m**2 / (4 / math.pi)
    dof = _chi_dof(relative)
    return spread_interval(sigma / math.sqrt(1 + relative), dof)


def _chi_dof(relative_variance: float) -> float:
    """Degrees of freedom of the χ that has this variance, as a share of its squared mean."""
    from scipy.optimize import brentq  # noqa: PLC0415 - the command line starts without it

    def surplus(dof: float) -> float:
        mean = math.sqrt(2 / dof) * math.exp(math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2))
        return 1 / mean**2 - 1 - relative_variance

    return float(brentq(surplus, 0.5, 1 / relative_variance + 10))


def _signals(
    x: NDArray[np.float64], ranges: NDArray[np.float64], centre: float, range_mean: float
) -> tuple[Signal, ...]:
    reach, range_limit = TO_LIMIT * range_mean, TO_RANGE_LIMIT * range_mean
    found = [
        Signal(rule="beyond_limit", start=i, stop=i + 1, text=f"value {i + 1} beyond a limit")
        for i in np.flatnonzero(np.abs(x - centre) > reach).tolist()
    ]
    found += [
        Signal(
            rule="range_beyond_limit",
            start=i,
            stop=i + 2,
            text=f"step from value {i + 1} to {i + 2} beyond the limit of moving ranges",
        )
        for i in np.flatnonzero(ranges > range_limit).tolist()
    ]
    sides, steps = np.sign(x - centre), np.sign(np.diff(x))
    found += _runs("one_side", sides, lambda n: f"{n} values in a row on one side of the mean")
    rising, falling = np.where(steps > 0, 1.0, 0.0), np.where(steps < 0, 1.0, 0.0)
    found += _runs("rising", rising, lambda n: f"{n} values in a row that rise", steps=True)
    found += _runs("falling", falling, lambda n: f"{n} values in a row that fall", steps=True)
    return tuple(found)


def _runs(
    rule: Rule, signs: NDArray[np.float64], words: Callable[[int], str], *, steps: bool = False
) -> list[Signal]:
    """Stretches of one sign that are long enough; a stretch of steps has one value more."""
    edges = np.flatnonzero(np.diff(signs)) + 1
    starts, stops = [0, *edges.tolist()], [*edges.tolist(), len(signs)]
    found = []
    for start, stop in zip(starts, stops, strict=True):
        number = stop - start + steps
        if number >= RUN and signs[start]:
            text = f"{words(number)}, from value {start + 1}"
            found.append(Signal(rule=rule, start=start, stop=stop + steps, text=text))
    return found
