"""Mean and spread of numbers, where equal numbers have no spread at all.

The mean of three times 0.1 is not 0.1 in a computer. What such rounding leaves would be divided by
what it left elsewhere, and a table of equal values would show groups that stand apart. So sums of
squares within the rounding of the numbers themselves are zero.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

ROUNDING = 8 * float(np.finfo(np.float64).eps)
"""Of a mean of values, as a share of the greatest of them; with room to spare."""


def mean(values: NDArray[np.float64]) -> float:
    """The mean; of equal values exactly their value."""
    first = float(values.flat[0])
    return first + float((values - first).mean())


def square_sum(deviations: NDArray[np.float64], greatest: float) -> float:
    """Σ of squared deviations, zero where rounding alone makes them.

    Args:
        deviations: of values from their means.
        greatest: greatest size of the values that they come from.
    """
    total = float((deviations**2).sum())
    return total if total > deviations.size * (ROUNDING * greatest) ** 2 else 0.0


def standard_deviation(values: NDArray[np.float64], greatest: float | None = None) -> float:
    """With n − 1; of two values or more.

    Args:
        values: the values.
        greatest: greatest size of what they were computed from; by default their own.
    """
    size = float(np.abs(values).max()) if greatest is None else greatest
    return math.sqrt(square_sum(values - mean(values), size) / (values.size - 1))
