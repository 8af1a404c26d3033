"""Whether two groups agree on the same items: the differences, pair by pair (Bland and Altman).

The *bias* is the mean difference; nineteen of twenty differences lie between the *limits of
agreement*, bias ± 1.96 standard deviations of a difference. (Bland and Altman, Lancet 327, 1986,
who also print 2 for 1.96.) Each limit is an estimate and has its own interval: exact by noncentral
t for one value of each item by each group (Carkeet, Optom. Vis. Sci. 92, 2015).

Where a group measured an item several times, the pairs are of means, and the standard deviation of
a difference of *single* values is found from theirs and from the spread of the repeats:

    s_d² = s²(differences of means) + (1 − 1/m₁)·s_w₁² + (1 − 1/m₂)·s_w₂²

(Bland and Altman, Stat. Methods Med. Res. 8, 1999, section 5.1; m by the harmonic mean where
numbers differ; from memory). Intervals then by the modified large sample method and recovered
variances (Zou, Stat. Methods Med. Res. 22, 2013).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboard.repeats.crossed import within_cells
from dashboard.repeats.distributions import noncentral_t_quantile, t_above, t_quantile
from dashboard.repeats.intervals import (
    LEVEL,
    Interval,
    MeanSquare,
    mean_interval,
    spread_interval,
    variance_interval,
)
from dashboard.repeats.measurements import Measurements, NotEnough, is_provisional
from dashboard.repeats.moments import mean, square_sum, standard_deviation

WIDTH = 1.959963984540054
"""Standard normal deviate that 2.5 % lie beyond."""
SOURCE = "Bland and Altman 1986, 1999; intervals of the limits: {limits}"
EXACT, RECOVERED = "Carkeet 2015, exact", "Zou 2013, recovered variances"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One item as both groups have it, means where there are repeats."""

    item: str
    first: float
    second: float

    @property
    def mean(self) -> float:
        """Of both."""
        return (self.first + self.second) / 2

    @property
    def difference(self) -> float:
        """First less second."""
        return self.first - self.second


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A number with its 95 % interval."""

    value: float
    interval: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Whether the difference grows with the size of what is measured: least squares.

    A slope also appears where one group scatters more than the other.

    Attributes:
        slope: of difference on mean.
        p: probability of a slope as steep as this by chance.
    """

    slope: Estimate
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How two groups agree.

    Attributes:
        first: name of the first group of the table; differences are first less second.
        second: name of the second group.
        pairs: the items that both measured.
        unpaired: the items that only one of them measured, left out.
        repeated: whether an item was measured more than once by a group.
        bias: mean difference.
        spread: standard deviation of a difference of single values.
        lower: lower limit of agreement.
        upper: upper limit of agreement.
        trend: of difference on mean; None for fewer than three pairs or equal means.
    """

    first: str
    second: str
    pairs: tuple[Pair, ...]
    unpaired: tuple[str, ...]
    repeated: bool
    bias: Estimate
    spread: Estimate
    lower: Estimate
    upper: Estimate
    trend: Trend | None

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "source": SOURCE.format(limits=RECOVERED if self.repeated else EXACT),
            "level": LEVEL,
            "n": len(self.pairs),
            "provisional": is_provisional(len(self.pairs)),
            "first": self.first,
            "second": self.second,
            **_estimate_document("bias", self.bias),
            **_estimate_document("sd", self.spread),
            **_estimate_document("lower_limit", self.lower),
            **_estimate_document("upper_limit", self.upper),
            "trend": None
            if self.trend is None
            else {**_estimate_document("slope", self.trend.slope), "p": self.trend.p},
            "pairs": [
                {
                    "item": p.item,
                    "first": p.first,
                    "second": p.second,
                    "mean": p.mean,
                    "difference": p.difference,
                }
                for p in self.pairs
            ],
            "unpaired": list(self.unpaired),
            "repeated": self.repeated,
        }


def agreement(measurements: Measurements) -> Agreement:
    """Agreement of the two groups of a table, item by item.

    Raises:
        NotEnough: where there are not two groups, or fewer than two items that both measured.
    """
    groups = measurements.group_names
    if len(groups) != 2:
        raise NotEnough(f"agreement is of two groups; there {_are(len(groups))}")
    first, second = groups
    cells = measurements.cells()
    items = measurements.item_names
    both = [i for i in items if (i, first) in cells and (i, second) in cells]
    if len(both) < 2:
        raise NotEnough(
            f"agreement needs two items that both groups measured; there {_are(len(both))}"
        )
    pairs = tuple(
        Pair(item=i, first=mean(cells[i, first]), second=mean(cells[i, second])) for i in both
    )
    differences = np.array([p.difference for p in pairs])
    greatest = max(abs(value) for value in measurements.values)
    extra = [_extra([cells[i, g] for i in both]) for g in groups]
    bias, spread, lower, upper = _limits(differences, [e for e in extra if e is not None], greatest)
    return Agreement(
        first=first,
        second=second,
        pairs=pairs,
        unpaired=tuple(i for i in items if i not in both),
        repeated=any(e is not None for e in extra),
        bias=bias,
        spread=spread,
        lower=lower,
        upper=upper,
        trend=_trend(np.array([p.mean for p in pairs]), differences, greatest),
    )


def limit_factors(n: int) -> tuple[float, float]:
    """Between which numbers of standard deviations from the bias an upper limit's interval lies.

    Exact for n differences of a normal distribution; the lower limit's is the mirror image.
    """
    root = math.sqrt(n)
    low, high = (
        noncentral_t_quantile(n - 1, WIDTH * root, p) / root
        for p in ((1 - LEVEL) / 2, (1 + LEVEL) / 2)
    )
    return low, high


def _extra(repeats: Sequence[NDArray[np.float64]]) -> tuple[float, MeanSquare] | None:
    """What single values of a group scatter more than its means: the share of s_w², and s_w²."""
    square = within_cells({("", str(n)): values for n, values in enumerate(repeats)})
    if square is None:
        return None
    number = len(repeats) / sum(1 / len(values) for values in repeats)
    return 1 - 1 / number, square


def _limits(
    differences: NDArray[np.float64],
    extra: Sequence[tuple[float, MeanSquare]],
    greatest: float,
) -> tuple[Estimate, Estimate, Estimate, Estimate]:
    """Bias, standard deviation, lower and upper limit of agreement."""
    n, centre = len(differences), mean(differences)
    s = standard_deviation(differences, greatest)
    bias = Estimate(value=centre, interval=mean_interval(centre, s / math.sqrt(n), n - 1))
    if not extra:
        low, high = limit_factors(n)
        return (
            bias,
            Estimate(value=s, interval=spread_interval(s, n - 1)),
            Estimate(
                value=centre - WIDTH * s,
                interval=Interval(low=centre - high * s, high=centre - low * s),
            ),
            Estimate(
                value=centre + WIDTH * s,
                interval=Interval(low=centre + low * s, high=centre + high * s),
            ),
        )
    weights = [1.0, *(weight for weight, _ in extra)]
    squares = [MeanSquare(value=s**2, dof=n - 1), *(square for _, square in extra)]
    single = math.sqrt(math.fsum(w * q.value for w, q in zip(weights, squares, strict=True)))
    spread = Estimate(value=single, interval=variance_interval(weights, squares).root())
    error = s / math.sqrt(n)
    lower = _recovered(-centre, error, spread)
    return (
        bias,
        spread,
        Estimate(value=0.0 - lower.value, interval=_mirrored(lower.interval)),
        _recovered(centre, error, spread),
    )


def _recovered(bias: float, standard_error: float, spread: Estimate) -> Estimate:
    """Bias + 1.96 s, its interval from how far each may be off (Zou).

    The bias counts with the normal factor: that its error isn't known either is in the spread's
    interval already.
    """
    value, own = bias + WIDTH * spread.value, WIDTH * standard_error
    below = math.hypot(own, WIDTH * (spread.value - spread.interval.low))
    above = math.hypot(own, WIDTH * (spread.interval.high - spread.value))
    return Estimate(value=value, interval=Interval(low=value - below, high=value + above))


def _mirrored(interval: Interval) -> Interval:
    return Interval(low=0.0 - interval.high, high=0.0 - interval.low)


def _trend(
    means: NDArray[np.float64], differences: NDArray[np.float64], greatest: float
) -> Trend | None:
    n = len(means)
    apart = means - mean(means)
    squares = square_sum(apart, greatest)
    if n < 3 or squares <= 0:
        return None
    from_bias = differences - mean(differences)
    if not square_sum(from_bias, greatest):
        from_bias = np.zeros(n)
    slope = float((apart * from_bias).sum()) / squares
    error = math.sqrt(square_sum(from_bias - slope * apart, greatest) / (n - 2) / squares)
    reach = t_quantile(n - 2, (1 + LEVEL) / 2) * error
    return Trend(
        slope=Estimate(value=slope, interval=Interval(low=slope - reach, high=slope + reach)),
        p=2 * t_above(n - 2, abs(slope) / error) if error > 0 else float(slope == 0),
    )


def _are(number: int) -> str:
    return "is 1" if number == 1 else f"are {number}"


def _estimate_document(name: str, estimate: Estimate) -> dict[str, Any]:
    return {name: estimate.value, f"{name}_interval": estimate.interval.document()}
