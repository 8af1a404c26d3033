"""A gauge study from averages and ranges, as it was done by hand before there were computers.

Factors make ranges into standard deviations: K₁ = 1/d₂ for the mean of many ranges, K₂ and K₃ =
1/d₂* for a single one, where d₂*² = E(range²) (AIAG, 4th ed. 2010, with tables of them; from
memory, computed here). It leaves the interaction among the equipment's spread; the analysis of
variance beside it counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

STEP = 0.01
REACH = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AverageAndRange:
    """The parts of the spread as standard deviations."""

    ev: float
    av: float
    grr: float
    pv: float
    tv: float

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "ev": self.ev,
            "av": self.av,
            "grr": self.grr,
            "pv": self.pv,
            "tv": self.tv,
            "percent_grr": 100 * self.grr / self.tv if self.tv > 0 else 0.0,
            "ndc": 1.41 * self.pv / self.grr if self.grr > 0 else None,
        }


def average_and_range(table: NDArray[np.float64]) -> AverageAndRange:
    """The study of a full table, shape (items, groups, repeats), two or more of each."""
    items, groups, repeats = table.shape
    mean_range = float(np.ptp(table, axis=2).mean())
    ev = mean_range / _mean_of_range(repeats)
    groups_apart = float(np.ptp(table.mean(axis=(0, 2)))) / _root_mean_square_range(groups)
    av = math.sqrt(max(0.0, groups_apart**2 - ev**2 / (items * repeats)))
    pv = float(np.ptp(table.mean(axis=(1, 2)))) / _root_mean_square_range(items)
    grr = math.hypot(ev, av)
    return AverageAndRange(ev=ev, av=av, grr=grr, pv=pv, tv=math.hypot(grr, pv))


@cache
def _mean_of_range(n: int) -> float:
    """d₂: E(range) of n standard normal values, ∫ P(range > w) dw."""
    widths, above = _above(n)
    return float(np.trapezoid(above, widths))


@cache
def _root_mean_square_range(n: int) -> float:
    """d₂*: √E(range²), ∫ 2w P(range > w) dw under the root."""
    widths, above = _above(n)
    return math.sqrt(float(np.trapezoid(2 * widths * above, widths)))


def _above(n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Widths w and P(range > w), 1 − n∫φ(x)(Φ(x + w) − Φ(x))ⁿ⁻¹dx, of n standard normal values."""
    from scipy.special import ndtr  # noqa: PLC0415 - the command line starts without it

    widths = np.arange(0.0, REACH + STEP, STEP)
    x = np.arange(-REACH, REACH, 4 * STEP)
    density = np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)
    inside = (ndtr(x[None, :] + widths[:, None]) - ndtr(x)[None, :]) ** (n - 1)
    return widths, 1 - n * (inside * density).sum(axis=1) * 4 * STEP
