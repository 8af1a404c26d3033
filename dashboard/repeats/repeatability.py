"""Repeatability and reproducibility of a method, for each item and over all of them.

An item is what ISO 5725-2 calls a level and ASTM E691 a material. Each has its own numbers, and
Mandel's h and k of its groups; taken together they say how the method does, where their spreads
may be called alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboard.repeats.consistency import Consistency, consistency
from dashboard.repeats.crossed import within_cells
from dashboard.repeats.distributions import chi_square_above
from dashboard.repeats.intervals import LEVEL
from dashboard.repeats.measurements import Measurements, NotEnough
from dashboard.repeats.moments import mean
from dashboard.repeats.precision import Precision, precision_of

SOURCE = (
    "ISO 5725-2 and ASTM E691 (s_r, s_L, s_R; h and k at 0.5 %); limits by Student's t for few "
    "values; intervals by chi-square (s_r) and modified large sample (s_L, s_R)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemPrecision:
    """One item's repeatability and reproducibility, and how its groups stand to one another.

    Attributes:
        mean: mean of all its values.
        precision: its repeatability and reproducibility.
        consistency: h and k of its groups.
    """

    mean: float
    precision: Precision
    consistency: Consistency

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        (item,) = self.precision.items
        return {
            "item": item,
            "mean": self.mean,
            **self.precision.document(),
            "h_critical": self.consistency.h_critical,
            "k_critical": self.consistency.k_critical,
            "by_group": [group.document() for group in self.consistency.by_group],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """The method's repeatability and reproducibility.

    Attributes:
        together: over all items.
        by_item: each item alone.
        alike_p: probability of items whose s_r differ as much as here by chance (Bartlett's test);
            where it is small the items should not be taken together. None for a single item.
    """

    together: Precision
    by_item: tuple[ItemPrecision, ...]
    alike_p: float | None

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "source": SOURCE,
            "level": LEVEL,
            **self.together.document(),
            "items": len(self.together.items),
            "groups": len(self.together.groups),
            "items_alike_p": self.alike_p,
            "by_item": [item.document() for item in self.by_item],
        }


def repeatability(measurements: Measurements) -> Repeatability:
    """Repeatability and reproducibility by item and over all items.

    Raises:
        NotEnough: where neither can be told, since no item was measured twice.
    """
    cells = measurements.cells()
    by_item = tuple(
        _item_precision(item, {g: v for (i, g), v in cells.items() if i == item})
        for item in measurements.item_names
    )
    if len(by_item) == 1:
        together = by_item[0].precision
    else:
        together = precision_of(cells, measurements.item_names, measurements.group_names)
    if together.within is None and together.total is None:
        raise NotEnough("no item was measured twice")
    return Repeatability(together=together, by_item=by_item, alike_p=_alike(cells))


def _item_precision(item: str, by_group: Mapping[str, NDArray[np.float64]]) -> ItemPrecision:
    precision = precision_of({(item, g): v for g, v in by_group.items()}, (item,), tuple(by_group))
    s_r = precision.within.s if precision.within else None
    return ItemPrecision(
        mean=mean(np.concatenate([*by_group.values()])),
        precision=precision,
        consistency=consistency(by_group, s_r),
    )


def _alike(cells: Mapping[tuple[str, str], NDArray[np.float64]]) -> float | None:
    """Bartlett's test of the items' s_r; None for one item or a spread of zero."""
    by_item: dict[str, dict[tuple[str, str], NDArray[np.float64]]] = {}
    for (item, group), values in cells.items():
        by_item.setdefault(item, {})[item, group] = values
    squares = [s for s in (within_cells(c) for c in by_item.values()) if s is not None]
    if len(squares) < 2 or not all(s.value > 0 for s in squares):
        return None
    dofs = math.fsum(s.dof for s in squares)
    pooled = math.fsum(s.dof * s.value for s in squares) / dofs
    statistic = dofs * math.log(pooled) - math.fsum(s.dof * math.log(s.value) for s in squares)
    inverse = math.fsum(1 / s.dof for s in squares) - 1 / dofs
    return chi_square_above(len(squares) - 1, statistic / (1 + inverse / (3 * (len(squares) - 1))))
