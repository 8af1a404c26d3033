"""From a fitted calibration to what a rig file holds: value = Σ dᵢ · rawⁱ.

A line turns round exactly. A parabola's inverse is a square root, which is no polynomial: it
is solved exactly over the calibrated range and a polynomial laid through it at Chebyshev's
points, of the lowest degree that is close enough. How far it strays is measured with the very
numbers that go into the file.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.readings.block import Values
from logger.readings.calibration import Calibration
from logger.readings.calibration_fit import CalibrationFit

HIGHEST_DEGREE = 5
"""A rig file's polynomial holds six coefficients."""

CLOSE_ENOUGH = 0.01
"""Of the scatter of a reading: what the inverse may add to it without being seen."""

_GRID = 2001


@dataclass(frozen=True, slots=True, kw_only=True)
class Inverse:
    """A calibration as a rig file writes it.

    Attributes:
        coefficients: d₀, d₁ … of value = Σ dᵢ · rawⁱ, in the unit of what was applied.
        deviation: largest distance from the exact inverse over the calibrated range, unit.
    """

    coefficients: tuple[float, ...]
    deviation: float

    def apply(self, raw: Values) -> Values:
        """Values of raw readings, shape (n,), as every reader of the rig file gets them."""
        return Calibration(coefficients=self.coefficients).apply(raw)


def invert(fit: CalibrationFit) -> Inverse:
    """The inverse of a fitted calibration, over its calibrated range."""
    if fit.degree == 1:
        b0, b1 = fit.basis
        scale = fit.half / b1
        inverse = Inverse(coefficients=(float(fit.centre - b0 * scale), float(scale)), deviation=0)
        return Inverse(coefficients=inverse.coefficients, deviation=_deviation(fit, inverse))
    slope = float(np.abs(fit.slope(np.array(fit.applied_range))).min())
    close = max(CLOSE_ENOUGH * (fit.residual_sd or 0.0) / slope, 1e-9 * fit.half)
    tried = []
    for degree in range(2, HIGHEST_DEGREE + 1):
        tried.append(_through_chebyshev_points(fit, degree))
        if tried[-1].deviation <= close:
            break
    return min(tried, key=lambda inverse: inverse.deviation)


def _through_chebyshev_points(fit: CalibrationFit, degree: int) -> Inverse:
    low, high = fit.reading_range
    exact = np.polynomial.Chebyshev.interpolate(fit.value_of, degree, domain=[low, high])
    powers = exact.convert(kind=np.polynomial.Polynomial, domain=[-1, 1], window=[-1, 1])
    coefficients = np.zeros(degree + 1)
    coefficients[: powers.coef.size] = powers.coef
    inverse = Inverse(coefficients=tuple(coefficients.tolist()), deviation=0)
    return Inverse(coefficients=inverse.coefficients, deviation=_deviation(fit, inverse))


def _deviation(fit: CalibrationFit, inverse: Inverse) -> float:
    raw = np.linspace(*fit.reading_range, _GRID)
    return float(np.abs(inverse.apply(raw) - fit.value_of(raw)).max())
