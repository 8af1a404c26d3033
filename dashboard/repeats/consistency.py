"""Mandel's h and k: which group stands apart from the others, in its mean or in its spread.

h is a group's mean less the mean of all, in standard deviations of the groups' means; k is a
group's standard deviation over the pooled one. A group is *unusual* beyond the critical values at
0.5 % (ASTM E691, which chose that level since each table asks many questions; ISO 5725-2 has the
same two with 1 % and 5 %). Critical values, from memory, for p groups of n values:

    h: (p − 1)·t / √(p·(t² + p − 2)),  t of p − 2 degrees of freedom, two-sided
    k: √(p / (1 + (p − 1)/F)),  F of n − 1 and (p − 1)(n − 1) degrees of freedom
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboard.repeats.distributions import f_quantile, t_quantile
from dashboard.repeats.moments import mean, standard_deviation

SIGNIFICANCE = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupOfItem:
    """One group's values of one item beside the others'.

    Attributes:
        group: its name.
        n: how many values it has.
        mean: their mean.
        s: their standard deviation; None for a single value.
        h: how far its mean stands off; None where fewer than three groups or no differences.
        k: its spread against the pooled one; None likewise.
        unusual: whether h or k lies beyond its critical value.
    """

    group: str
    n: int
    mean: float
    s: float | None
    h: float | None
    k: float | None
    unusual: bool

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "group": self.group,
            "n": self.n,
            "mean": self.mean,
            "s": self.s,
            "h": self.h,
            "k": self.k,
            "unusual": self.unusual,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Consistency:
    """How the groups of one item stand beside one another.

    Attributes:
        h_critical: of |h|, at 0.5 %; None for fewer than three groups.
        k_critical: of k, at 0.5 %, for the number of values that most groups have; None for
            fewer than two groups or for single values.
        by_group: each group.
    """

    h_critical: float | None
    k_critical: float | None
    by_group: tuple[GroupOfItem, ...]


def consistency(by_group: Mapping[str, NDArray[np.float64]], s_r: float | None) -> Consistency:
    """Mandel's h and k of the groups that measured one item.

    Args:
        by_group: each group's values.
        s_r: the repeatability standard deviation of that item, None where unknown.
    """
    means = {group: mean(values) for group, values in by_group.items()}
    of_means = np.array([*means.values()])
    grand, spread = mean(of_means), _sd(of_means)
    usual, _ = Counter(len(values) for values in by_group.values()).most_common(1)[0]
    h_critical, k_critical = h_critical_value(len(means)), k_critical_value(len(means), usual)
    rows = []
    for group, values in by_group.items():
        s = _sd(values)
        h = (means[group] - grand) / spread if h_critical and spread else None
        k = s / s_r if k_critical and s_r and s is not None else None
        unusual = _beyond(h, h_critical) or _beyond(k, k_critical)
        rows.append(
            GroupOfItem(
                group=group, n=len(values), mean=means[group], s=s, h=h, k=k, unusual=unusual
            )
        )
    return Consistency(h_critical=h_critical, k_critical=k_critical, by_group=tuple(rows))


def h_critical_value(groups: int, significance: float = SIGNIFICANCE) -> float | None:
    """Beyond which |h| is unusual; None for fewer than three groups, whose h says nothing."""
    if groups < 3:
        return None
    t = t_quantile(groups - 2, 1 - significance / 2)
    return (groups - 1) * t / math.sqrt(groups * (t**2 + groups - 2))


def k_critical_value(groups: int, repeats: int, significance: float = SIGNIFICANCE) -> float | None:
    """Beyond which k is unusual; None for a single group or single values."""
    if groups < 2 or repeats < 2:
        return None
    f = f_quantile(repeats - 1, (groups - 1) * (repeats - 1), 1 - significance)
    return math.sqrt(groups / (1 + (groups - 1) / f))


def _sd(values: NDArray[np.float64]) -> float | None:
    return standard_deviation(values) if values.size > 1 else None


def _beyond(value: float | None, critical: float | None) -> bool:
    return value is not None and critical is not None and abs(value) > critical
