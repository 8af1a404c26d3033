"""Multiples of a step as a person would write them."""

from __future__ import annotations

import math

_EXACT_ENOUGH = 1e-9


def steps_up(value: float, step: float) -> int:
    """How many steps reach a value: the number of :func:`round_up`."""
    return math.ceil(value / step - _EXACT_ENOUGH)


def round_up(value: float, step: float) -> float:
    """The smallest multiple of a step that is not less than the value."""
    return multiple(steps_up(value, step), step)


def round_down(value: float, step: float) -> float:
    """The largest multiple of a step that is not more than the value."""
    return multiple(math.floor(value / step + _EXACT_ENOUGH), step)


def multiple(count: int, step: float) -> float:
    """So many steps, without the noise of binary fractions."""
    # 387 × 0.01 is 3.8700000000000001; nine decimals bring back what a person would write.
    return round(count * step, 9)
