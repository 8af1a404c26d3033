"""The variances of a gauge study, each a sum of mean squares, with their intervals.

For p items, q groups and n values a cell the mean squares of the full model are expected at

    items σ² + nσ_ig² + nqσ_i²,  groups σ² + nσ_ig² + npσ_g²,  interaction σ² + nσ_ig²,  error σ²

(AIAG, appendix A; Burdick, Borror and Montgomery 2005, ch. 3), so each variance is a sum of them.
Pooled, the interaction and the error are one mean square and σ_ig² is zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from dashboard.repeats.intervals import (
    Interval,
    MeanSquare,
    component_interval,
    variance_interval,
)

NAMES = ("ev", "av", "interaction", "reproducibility", "grr", "pv", "tv")


@dataclass(frozen=True, slots=True, kw_only=True)
class FullSquares:
    """The mean squares of a balanced study with repeats.

    Attributes:
        items: number of items p.
        groups: number of groups q.
        repeats: values a cell n.
        item: of the items.
        group: of the groups.
        interaction: of both together.
        error: within cells.
    """

    items: int
    groups: int
    repeats: int
    item: MeanSquare
    group: MeanSquare
    interaction: MeanSquare
    error: MeanSquare

    @property
    def pooled_error(self) -> MeanSquare:
        """Interaction and error as one."""
        both = (self.interaction, self.error)
        dof = sum(s.dof for s in both)
        return MeanSquare(value=math.fsum(s.value * s.dof for s in both) / dof, dof=dof)

    @property
    def in_order(self) -> tuple[MeanSquare, MeanSquare, MeanSquare, MeanSquare]:
        """Items, groups, interaction, error: the order of the weights."""
        return self.item, self.group, self.interaction, self.error


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """A part of the spread.

    Attributes:
        s: its standard deviation; zero where its variance came out below.
        interval: at 95 %.
    """

    s: float
    interval: Interval


def components(squares: FullSquares, *, pooled: bool) -> dict[str, Component]:
    """Each part by name: ev, av, interaction, reproducibility, grr, pv, tv.

    Args:
        squares: the mean squares.
        pooled: whether the estimates take the interaction as none; the intervals never do.
    """
    variances = _pooled(squares) if pooled else _full(squares)
    parts = {}
    for name, row in weights(squares.items, squares.groups, squares.repeats).items():
        s = math.sqrt(variances[name])
        interval = component_interval(row, squares.in_order).root().widened_to(s)
        parts[name] = Component(s=s, interval=interval)
    return parts


def weights(p: int, q: int, n: int) -> dict[str, tuple[float, float, float, float]]:
    """Of the mean squares of items, groups, interaction and error in each variance.

    Args:
        p: number of items.
        q: number of groups.
        n: values a cell.
    """
    i, g = 1 / (n * q), 1 / (n * p)
    return {
        "ev": (0.0, 0.0, 0.0, 1.0),
        "av": (0.0, g, -g, 0.0),
        "interaction": (0.0, 0.0, 1 / n, -1 / n),
        "reproducibility": (0.0, g, 1 / n - g, -1 / n),
        "grr": (0.0, g, 1 / n - g, 1 - 1 / n),
        "pv": (i, 0.0, -i, 0.0),
        "tv": (i, g, 1 / n - g - i, 1 - 1 / n),
    }


def ratio_interval(squares: FullSquares) -> Interval:
    """Of pv/grr, standard deviations.

    A ratio ρ is in it as long as the interval of pv² − ρ²·grr² holds zero. Items that differ less
    than chance would have it count as if they differed as much, as for pv itself.
    """
    least = max(s.value for s in (squares.item, squares.interaction, squares.error))
    lifted = replace(squares, item=replace(squares.item, value=least))
    return Interval(low=_turn(squares, "low"), high=_turn(lifted, "high"))


def _turn(squares: FullSquares, end: str) -> float:
    """The ratio at which one end of the interval of the difference is zero."""
    from scipy.optimize import brentq  # noqa: PLC0415 - the command line starts without it

    rows = weights(squares.items, squares.groups, squares.repeats)

    def reached(log_ratio: float) -> float:
        factor = math.exp(2 * log_ratio)
        row = [a - factor * b for a, b in zip(rows["pv"], rows["grr"], strict=True)]
        interval = variance_interval(row, squares.in_order)
        return interval.low if end == "low" else interval.high

    least, most = -12.0, 12.0
    if reached(least) <= 0:
        return 0.0
    if reached(most) >= 0:
        return math.inf
    return math.exp(float(brentq(reached, least, most)))


def _full(squares: FullSquares) -> dict[str, float]:
    """Variances with the interaction kept."""
    rows = weights(squares.items, squares.groups, squares.repeats)
    parts = {name: _weighted(rows[name], squares) for name in ("ev", "av", "interaction", "pv")}
    return _summed(parts)


def _pooled(squares: FullSquares) -> dict[str, float]:
    """Variances with interaction and error as one."""
    error, n = squares.pooled_error.value, squares.repeats
    return _summed(
        {
            "ev": error,
            "av": max(0.0, (squares.group.value - error) / (n * squares.items)),
            "interaction": 0.0,
            "pv": max(0.0, (squares.item.value - error) / (n * squares.groups)),
        }
    )


def _summed(parts: dict[str, float]) -> dict[str, float]:
    reproducibility = parts["av"] + parts["interaction"]
    grr = parts["ev"] + reproducibility
    return parts | {"reproducibility": reproducibility, "grr": grr, "tv": grr + parts["pv"]}


def _weighted(row: Sequence[float], squares: FullSquares) -> float:
    """A variance; one that comes out below zero is taken as zero."""
    pairs = zip(row, squares.in_order, strict=True)
    return max(0.0, math.fsum(weight * square.value for weight, square in pairs))
