"""How sure one reading of a calibrated sensor is, and whether a curve is one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logger.readings.block import Values
from logger.readings.calibration_fit import CalibrationFit

_GRID = 201


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingUncertainty:
    """Standard uncertainty of one calibrated reading where it is greatest in the range, unit.

    Attributes:
        at: where that is, unit.
        scatter: of one reading about the fit, at least that of its resolution; None where no
            degree of freedom tells it.
        fit: of the fitted curve.
        reference: of the weights, sightings or tape, taken as one common error.
        inverse: largest deviation of the inverse polynomial, as a rectangular half-width.
    """

    at: float
    scatter: float | None
    fit: float
    reference: float
    inverse: float

    @property
    def u(self) -> float:
        """All of it together."""
        return math.hypot(self.scatter or 0.0, self.fit, self.reference, self.inverse)

    @property
    def is_known(self) -> bool:
        """Whether anything tells how good a reading is."""
        return self.scatter is not None or self.reference > 0


def uncertainty_of_reading(
    fit: CalibrationFit, *, u_reference: float, inverse_deviation: float = 0.0
) -> ReadingUncertainty:
    """How sure one calibrated reading is, at the place in the range where it is least so.

    u² = (s/|slope|)² + (u_fit/|slope|)² + u_reference² + (deviation/√3)²
    (JCGM 100:2008, 5.1.2, and 4.3.7 for a deviation of which only the bound is known). A scatter
    smaller than the last digit of the readings allows is taken as that (F.2.2.1: 0.29 of it).

    Args:
        fit: the calibration.
        u_reference: standard uncertainty of what was applied, unit; one error common to all
            points, as that of one set of weights or one tape.
        inverse_deviation: largest deviation of the inverse from the exact one, unit.
    """
    grid = np.linspace(*fit.applied_range, _GRID)
    slope = np.abs(fit.slope(grid))
    u_fit = fit.u_fit(grid) / slope
    scatter = max(fit.residual_sd or 0.0, resolution(fit.reading) / math.sqrt(12)) / slope
    worst = int(np.argmax(np.hypot(u_fit, scatter)))
    return ReadingUncertainty(
        at=float(grid[worst]),
        scatter=None if fit.residual_sd is None else float(scatter[worst]),
        fit=float(u_fit[worst]),
        reference=u_reference,
        inverse=inverse_deviation / math.sqrt(3),
    )


def resolution(reading: Values) -> float:
    """The last decimal place that any of the readings uses; 1 for whole numbers, counts."""
    for decimals in range(10):
        if np.allclose(reading, np.round(reading, decimals), rtol=1e-14, atol=0):
            return float(10.0**-decimals)
    return 0.0


def curvature_significance(fit: CalibrationFit) -> float | None:
    """Probability that a straight cell would show the fitted curvature or more by chance.

    Student's t of the highest coefficient against 0, two-sided. None where nothing tells.
    """
    from scipy.special import stdtr  # noqa: PLC0415 - the command line starts without it

    if fit.standard_errors is None or fit.degree != 2:
        return None
    error = fit.standard_errors[-1]
    if error == 0:
        return 0.0 if fit.coefficients[-1] else 1.0
    return float(2 * stdtr(fit.degrees_of_freedom, -abs(fit.coefficients[-1]) / error))
