"""Mean squares of a crossed table: each item measured by each group, some times over.

The model is y = μ + item + group + item×group + error. Where cells hold unequal numbers of values
the squares are those of the cells' means, scaled by the harmonic mean of the numbers ("unweighted
means": Searle, Linear Models, 1971, ch. 10, from memory); with equal numbers that is the usual
analysis of variance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dashboard.repeats.intervals import MeanSquare
from dashboard.repeats.moments import mean, square_sum


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedSquares:
    """The mean squares of a crossed table.

    Attributes:
        items: number of items.
        groups: number of groups.
        repeats: values a cell; the harmonic mean where they differ.
        item: of the items; None where there is one.
        group: of the groups; None where there is one.
        interaction: of both together; None where one of them is alone.
        error: of the values within cells; None where no cell has two.
    """

    items: int
    groups: int
    repeats: float
    item: MeanSquare | None
    group: MeanSquare | None
    interaction: MeanSquare | None
    error: MeanSquare | None


def crossed_squares(
    cells: Mapping[tuple[str, str], NDArray[np.float64]],
    items: tuple[str, ...],
    groups: tuple[str, ...],
) -> CrossedSquares:
    """The mean squares of a table without empty cells.

    Args:
        cells: the values of each (item, group).
        items: the items, rows of the table.
        groups: the groups, its columns.

    Raises:
        KeyError: where a cell is empty.
    """
    means = np.array([[mean(cells[item, group]) for group in groups] for item in items])
    greatest = max(float(np.abs(values).max()) for values in cells.values())
    numbers = np.array([[len(cells[item, group]) for group in groups] for item in items])
    repeats = float(numbers.size / (1 / numbers).sum())
    grand = means.mean()
    by_item, by_group = means.mean(axis=1), means.mean(axis=0)
    rest = means - by_item[:, None] - by_group[None, :] + grand
    p, q = means.shape
    return CrossedSquares(
        items=p,
        groups=q,
        repeats=repeats,
        item=_square(repeats * q * square_sum(by_item - grand, greatest), p - 1),
        group=_square(repeats * p * square_sum(by_group - grand, greatest), q - 1),
        interaction=_square(repeats * square_sum(rest, greatest), (p - 1) * (q - 1)),
        error=within_cells(cells),
    )


def within_cells(cells: Mapping[tuple[str, str], NDArray[np.float64]]) -> MeanSquare | None:
    """The mean square of the values about their cell's mean; None where no cell has two."""
    squares = sum(square_sum(v - mean(v), float(np.abs(v).max())) for v in cells.values())
    return _square(squares, sum(len(v) - 1 for v in cells.values()))


def _square(sum_of_squares: float, dof: int) -> MeanSquare | None:
    return MeanSquare(value=sum_of_squares / dof, dof=dof) if dof else None
