"""Spread within a group, between groups and of all, with intervals and limits of difference.

Within one group the values of an item scatter by s_r (repeatability); the groups' means scatter
by s_L more; two values of different groups differ by s_R, s_R² = s_r² + s_L². As ISO 5725-2 and
ASTM E691 have it, from the mean squares of a one-way analysis of one item. Where all groups
measured all items, the items are also taken together:

    s_R² = (MS_group + (p − 1)·MS_interaction + p·(n − 1)·MS_error) / (p·n)

for p items and n values a cell. That is the mean of the items' s_R², but its interval knows that
a group which reads high on one item reads high on the next.

A *limit* is what the difference of two values exceeds in one of twenty cases. The standards' 2.8·s
holds for a spread known from many values; from few ones the factor is √2·t(0.975, degrees of
freedom): 6.1 for three values, 3.9 for five. Degrees of freedom of s_R are Satterthwaite's:
with two or three groups far apart the limit comes out short (exceeded in 7 to 11 of 100 cases).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboard.repeats.crossed import CrossedSquares, crossed_squares, within_cells
from dashboard.repeats.distributions import t_quantile
from dashboard.repeats.intervals import (
    LEVEL,
    Interval,
    MeanSquare,
    component_interval,
    satterthwaite_dof,
    spread_interval,
)
from dashboard.repeats.measurements import is_provisional, quoted
from dashboard.repeats.moments import mean, square_sum

EQUAL_REPEATS = (
    "repeats are equal: their spread lies below the resolution of the values, and an interval "
    "without width says no more than that"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """A standard deviation with what follows from it.

    Attributes:
        s: the standard deviation.
        dof: its degrees of freedom.
        interval: at 95 %.
    """

    s: float
    dof: float
    interval: Interval

    @property
    def factor(self) -> float:
        """What times ``s`` the difference of two values stays below in 95 of 100 cases."""
        return math.sqrt(2) * t_quantile(self.dof, (1 + LEVEL) / 2)

    @property
    def limit(self) -> float:
        """That difference."""
        return self.factor * self.s


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Repeatability and reproducibility, of one item or of several together.

    Attributes:
        n: how many values.
        items: names of the items.
        groups: names of the groups.
        within: the repeatability, s_r; None where no group has two values of an item.
        between: the standard deviation s_L between groups, with ``dof`` of the groups; None where
            it can't be told.
        total: the reproducibility, s_R; None likewise.
        why_not: why one of them is None, one line; empty where all are there.
    """

    n: int
    items: tuple[str, ...]
    groups: tuple[str, ...]
    within: Spread | None
    between: Spread | None
    total: Spread | None
    why_not: str

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "n": self.n,
            "provisional": is_provisional(self.n),
            **_spread_document("s_r", self.within),
            **_limit_document("repeatability", self.within),
            "s_L": self.between.s if self.between else None,
            "s_L_interval": self.between.interval.document() if self.between else None,
            **_spread_document("s_R", self.total),
            **_limit_document("reproducibility", self.total),
            "why_not_all": self.why_not or None,
            "note": EQUAL_REPEATS if self.within and self.within.s == 0 else None,
        }


def precision_of(
    cells: Mapping[tuple[str, str], NDArray[np.float64]],
    items: tuple[str, ...],
    groups: tuple[str, ...],
) -> Precision:
    """Repeatability and reproducibility of one item or of several together.

    Args:
        cells: the values of each (item, group).
        items: names of the items.
        groups: names of the groups.
    """
    error = within_cells(cells)
    within, between, total, why_not = None, None, None, ""
    if error is None:
        why_not = "no group measured an item twice, so s_r is unknown"
    else:
        s_r = math.sqrt(error.value)
        within = Spread(s=s_r, dof=error.dof, interval=spread_interval(s_r, error.dof))
    missing = [(i, g) for i in items for g in groups if (i, g) not in cells]
    if len(groups) == 1:
        why_not = "one group, so nothing between groups"
    elif missing:
        item, group = missing[0]
        why_not = (
            f"group {quoted(group)} has not measured item {quoted(item)}, so there is no s_R "
            "of all items together"
        )
    else:
        between, total = _between_groups(crossed_squares(cells, items, groups), cells)
    return Precision(
        n=sum(len(values) for values in cells.values()),
        items=items,
        groups=groups,
        within=within,
        between=between,
        total=total,
        why_not=why_not,
    )


def _between_groups(
    squares: CrossedSquares, cells: Mapping[tuple[str, str], NDArray[np.float64]]
) -> tuple[Spread | None, Spread]:
    """s_L (None without repeats) and s_R of a full table of two groups or more."""
    group, error = squares.group, squares.error or MeanSquare(value=0.0, dof=1)
    if group is None:
        raise ValueError("one group has nothing between groups")
    p, n = squares.items, squares.repeats
    known, weights = [group], [1 / (p * n)]
    if squares.interaction is not None:
        known, weights = [*known, squares.interaction], [*weights, (p - 1) / (p * n)]
    if squares.error is None:
        return None, _root_of(known, weights)
    surplus = _surplus(squares, cells)
    s_l = _root_of([*known, error], [*weights, -1 / n], estimate=surplus)
    s_r = _root_of([*known, error], [*weights, 1 - 1 / n], estimate=error.value + max(0.0, surplus))
    return s_l, s_r


def _surplus(
    squares: CrossedSquares, cells: Mapping[tuple[str, str], NDArray[np.float64]]
) -> float:
    """The estimate of s_L², below zero where the groups differ less than chance would have it.

    For one item it is ISO 5725-2's, which weights groups by their number of values.
    """
    group, error, p, n = squares.group, squares.error, squares.items, squares.repeats
    if group is None or error is None:
        raise ValueError("s_L needs two groups and repeats")
    if p > 1:
        both = squares.interaction.value if squares.interaction else 0.0
        return (group.value + (p - 1) * both) / (p * n) - error.value / n
    numbers = np.array([len(values) for values in cells.values()])
    means = np.array([mean(values) for values in cells.values()])
    grand = float((numbers * means).sum() / numbers.sum())
    greatest = float(np.abs(means).max())
    square = square_sum(np.sqrt(numbers) * (means - grand), greatest) / group.dof
    typical = float(numbers.sum() - (numbers**2).sum() / numbers.sum()) / group.dof
    return (square - error.value) / typical


def _root_of(
    squares: list[MeanSquare], weights: list[float], *, estimate: float | None = None
) -> Spread:
    """The spread whose variance is a weighted sum of mean squares."""
    if estimate is None:
        estimate = math.fsum(w * s.value for w, s in zip(weights, squares, strict=True))
    s = math.sqrt(max(0.0, estimate))
    interval = component_interval(weights, squares).root().widened_to(s)
    return Spread(s=s, dof=satterthwaite_dof(weights, squares), interval=interval)


def _spread_document(name: str, spread: Spread | None) -> dict[str, Any]:
    if spread is None:
        return {name: None, f"{name}_interval": None, f"{name}_dof": None}
    return {
        name: spread.s,
        f"{name}_interval": spread.interval.document(),
        f"{name}_dof": spread.dof,
    }


def _limit_document(name: str, spread: Spread | None) -> dict[str, Any]:
    return {
        f"{name}_limit": spread.limit if spread else None,
        f"{name}_factor": spread.factor if spread else None,
    }
