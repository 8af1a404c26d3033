"""Whether two things may be called the same: a difference against a practical limit.

A test that finds no difference shows nothing: few values never find one. Turned round, by two
one-sided tests at 5 % (Schuirmann, J. Pharmacokinet. Biopharm. 15, 1987), sameness must be shown:
the difference is *within* the limit where its 90 % interval lies inside ±limit. It is *beyond*
where its 95 % interval lies outside; else the question is *open*, and more tests would tell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from dashboard.repeats.distributions import t_above
from dashboard.repeats.intervals import LEVEL, Interval, mean_interval
from dashboard.repeats.measurements import NotEnough, is_provisional
from dashboard.repeats.moments import standard_deviation

SIGNIFICANCE = 0.05
"""Of each of the two tests."""
SOURCE = "two one-sided tests at 5 %: Schuirmann 1987; {method}"
PAIRED, WELCH = "paired differences", "Welch, Biometrika 34, 1947, for unequal spreads"

Answer = Literal["within", "beyond", "open"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A mean difference, first less second.

    Attributes:
        value: the estimate.
        standard_error: of it.
        dof: degrees of freedom of that.
        n: how many pairs, or how many values of the first and of the second.
        method: how it was found.
    """

    value: float
    standard_error: float
    dof: float
    n: tuple[int, ...]
    method: str

    @property
    def interval(self) -> Interval:
        """At 95 %."""
        return mean_interval(self.value, self.standard_error, self.dof)

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "difference": self.value,
            "difference_interval": self.interval.document(),
            "level": LEVEL,
            "n": list(self.n),
            "dof": self.dof,
            "provisional": is_provisional(min(self.n)),
            "method": self.method,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """A difference judged by a practical limit.

    Attributes:
        difference: the difference.
        limit: the practical limit, above zero, in the unit of the values.
        p: the greater probability of the two tests; below 0.05 the difference is within.
        answer: what was shown.
    """

    difference: Difference
    limit: float
    p: float
    answer: Answer

    @property
    def interval_of_tests(self) -> Interval:
        """At 90 %: inside ±limit exactly where both tests reject."""
        d = self.difference
        return mean_interval(d.value, d.standard_error, d.dof, 1 - 2 * SIGNIFICANCE)

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "source": SOURCE.format(method=self.difference.method),
            **self.difference.document(),
            "limit": self.limit,
            "interval_of_tests": self.interval_of_tests.document(),
            "p": self.p,
            "answer": self.answer,
        }


def paired_difference(first: Sequence[float], second: Sequence[float]) -> Difference:
    """Of values that belong together pair by pair.

    Raises:
        NotEnough: for fewer than two pairs.
        ValueError: where the two differ in number.
    """
    if len(first) != len(second):
        raise ValueError(f"{len(first)} values don't pair with {len(second)}")
    if len(first) < 2:
        raise NotEnough(f"a mean difference needs two pairs or more; there is {len(first)}")
    d = np.subtract(first, second)
    greatest = float(np.abs([*first, *second]).max())
    return Difference(
        value=float(d.mean()),
        standard_error=standard_deviation(d, greatest) / math.sqrt(len(d)),
        dof=len(d) - 1,
        n=(len(d),),
        method=PAIRED,
    )


def welch_difference(first: Sequence[float], second: Sequence[float]) -> Difference:
    """Of two independent sets of values, whose spreads may differ.

    Raises:
        NotEnough: where one of them has fewer than two values.
    """
    sizes = (len(first), len(second))
    if min(sizes) < 2:
        raise NotEnough(
            f"a difference needs two values on each side; there are {sizes[0]} and {sizes[1]}"
        )
    parts = [standard_deviation(np.array(x)) ** 2 / len(x) for x in (first, second)]
    below = math.fsum(part**2 / (n - 1) for part, n in zip(parts, sizes, strict=True))
    total = math.fsum(parts)
    return Difference(
        value=float(np.mean(first) - np.mean(second)),
        standard_error=math.sqrt(total),
        dof=total**2 / below if below > 0 else sum(sizes) - 2,
        n=sizes,
        method=WELCH,
    )


def judged(difference: Difference, limit: float) -> Equivalence:
    """A difference judged by a practical limit.

    Raises:
        ValueError: for a limit that isn't above zero.
    """
    if not (limit > 0 and math.isfinite(limit)):
        raise ValueError(f"a practical limit of {limit:g} won't do; above zero")
    d = difference
    p = max(_p(d, limit - d.value), _p(d, limit + d.value))
    interval = d.interval
    if p < SIGNIFICANCE:
        answer: Answer = "within"
    else:
        answer = "beyond" if interval.low > limit or interval.high < -limit else "open"
    return Equivalence(difference=d, limit=limit, p=p, answer=answer)


def _p(difference: Difference, room: float) -> float:
    """Of one test: how probable so much room to the limit is, were the difference at it."""
    if difference.standard_error > 0:
        return t_above(difference.dof, room / difference.standard_error)
    return 0.0 if room > 0 else 1.0
