"""95 % intervals for means, for standard deviations and for sums and differences of variances.

A mean square of f degrees of freedom is σ²χ²(f)/f, so one of them alone has an exact interval by
chi-square. A sum Σ cᵢσᵢ² of several has none; the modified large-sample (MLS) interval is the
usual good approximation. It corrects the normal theory so that it is exact when only one mean
square counts:

    L = θ̂ − √V_L,  V_L = Σ₊ Gᵢ²cᵢ²Sᵢ⁴ + Σ₋ Hᵢ²cᵢ²Sᵢ⁴ + Σ₊Σ₋ Gᵢⱼ cᵢ|cⱼ|Sᵢ²Sⱼ²

and U likewise with G and H, + and − exchanged (Graybill and Wang, J. Am. Stat. Assoc. 75, 1980,
for sums; Ting, Burdick, Graybill, Jeyaratnam and Lu, J. Stat. Comput. Simul. 35, 1990, for
differences; both as in Burdick and Graybill, Confidence Intervals on Variance Components, 1992;
formulas from memory, their coverage measured by ``tests/campaigns/repeat_coverage.py``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

from dashboard.repeats.distributions import (
    chi_square_quantile,
    f_quantile,
    t_quantile,
)

LEVEL = 0.95
"""Of all intervals here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """An interval that holds the true value with a stated confidence.

    Attributes:
        low: its lower end, in the unit of the value.
        high: its upper end; never below the lower one.
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.high:
            raise ValueError(f"an interval from {self.low:g} to {self.high:g} won't do")

    def holds(self, value: float) -> bool:
        """Whether a value lies in it, ends included."""
        return self.low <= value <= self.high

    def widened_to(self, value: float) -> Interval:
        """The interval, stretched where need be to hold a value."""
        return Interval(low=min(self.low, value), high=max(self.high, value))

    def root(self) -> Interval:
        """Square roots of its ends, with what is below zero as zero: from variances to spreads."""
        return Interval(low=math.sqrt(max(0.0, self.low)), high=math.sqrt(max(0.0, self.high)))

    def document(self) -> list[float | None]:
        """[low, high] for JSON; an end without bound is None."""
        return [end if math.isfinite(end) else None for end in (self.low, self.high)]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquare:
    """A mean square: an estimate of a variance.

    Attributes:
        value: in the unit of the values, squared.
        dof: its degrees of freedom, above zero.
    """

    value: float
    dof: float


def mean_interval(mean: float, standard_error: float, dof: float, level: float = LEVEL) -> Interval:
    """Of a mean or a difference, by Student's t."""
    reach = t_quantile(dof, 0.5 + level / 2) * standard_error
    return Interval(low=mean - reach, high=mean + reach)


def spread_interval(s: float, dof: float) -> Interval:
    """Of a standard deviation, by chi-square: exact for normal values."""
    low, high = (chi_square_quantile(dof, p) for p in ((1 + LEVEL) / 2, (1 - LEVEL) / 2))
    return Interval(low=s * math.sqrt(dof / low), high=s * math.sqrt(dof / high))


def variance_interval(coefficients: Sequence[float], squares: Sequence[MeanSquare]) -> Interval:
    """The modified large-sample interval of θ = Σ cᵢσᵢ², where mean square i estimates σᵢ².

    Args:
        coefficients: cᵢ, of either sign.
        squares: the independent mean squares.
    """
    terms = [(c, s) for c, s in zip(coefficients, squares, strict=True) if c]
    estimate = math.fsum(c * s.value for c, s in terms)
    below = _reach([(c, s) for c, s in terms])
    above = _reach([(-c, s) for c, s in terms])
    return Interval(low=estimate - below, high=estimate + above)


def component_interval(coefficients: Sequence[float], squares: Sequence[MeanSquare]) -> Interval:
    """The same of a component of variance, which is never below zero.

    Where its estimate comes out below zero, the bare method may end there too and claim to know
    that there is nothing. The upper end is then that of an estimate of zero: the interval holds
    more often than it says, and never says that.
    """
    terms = list(zip(coefficients, squares, strict=True))
    plus = math.fsum(c * s.value for c, s in terms if c > 0)
    minus = math.fsum(-c * s.value for c, s in terms if c < 0)
    if plus >= minus:
        return variance_interval(coefficients, squares)
    number = sum(c > 0 for c in coefficients)
    lifted = [
        s if c <= 0 else replace(s, value=s.value * minus / plus if plus else minus / number / c)
        for c, s in terms
    ]
    return Interval(low=0.0, high=max(0.0, variance_interval(coefficients, lifted).high))


def satterthwaite_dof(coefficients: Sequence[float], squares: Sequence[MeanSquare]) -> float:
    """Effective degrees of freedom of Σ cᵢSᵢ², at least 1 (Satterthwaite, Biometrics 2, 1946)."""
    parts = [(c * s.value, s.dof) for c, s in zip(coefficients, squares, strict=True)]
    below = math.fsum(part**2 / dof for part, dof in parts)
    total = math.fsum(part for part, _ in parts)
    return max(1.0, total**2 / below) if below > 0 else math.fsum(dof for _, dof in parts)


def _reach(terms: Sequence[tuple[float, MeanSquare]]) -> float:
    """√V_L, the distance from the estimate down to the lower end."""
    plus = [(c * s.value, s.dof) for c, s in terms if c > 0]
    minus = [(-c * s.value, s.dof) for c, s in terms if c < 0]
    own = [_towards_zero(dof) ** 2 * part**2 for part, dof in plus]
    own += [_away_from_zero(dof) ** 2 * part**2 for part, dof in minus]
    crossed = [a * b * _crossed(f, g) for a, f in plus for b, g in minus]
    return math.sqrt(max(0.0, math.fsum([*own, *crossed])))


@cache
def _towards_zero(dof: float) -> float:
    """G = 1 − f/χ²: how far a mean square may lie above its variance, as a share of itself."""
    return 1 - dof / chi_square_quantile(dof, (1 + LEVEL) / 2)


@cache
def _away_from_zero(dof: float) -> float:
    """H = f/χ² − 1: how far it may lie below."""
    return dof / chi_square_quantile(dof, (1 - LEVEL) / 2) - 1


@cache
def _crossed(dof_plus: float, dof_minus: float) -> float:
    """Gᵢⱼ, which makes the interval of a difference exact where its lower end is zero."""
    f = f_quantile(dof_plus, dof_minus, (1 + LEVEL) / 2)
    g, h = _towards_zero(dof_plus), _away_from_zero(dof_minus)
    return ((f - 1) ** 2 - g**2 * f**2 - h**2) / f
