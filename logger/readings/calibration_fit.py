"""A calibration by least squares: reading = Σ cᵢ · appliedⁱ, and the way back.

The fit goes as calibration documents do: the reading, which scatters, on the load, which is
known. The domain is moved and scaled to [−1, 1] and the system solved by an orthogonal
decomposition (QR), never by normal equations, which square the condition number: on the
certified data set Pontius (NIST StRD) they lose digits that this keeps. A program that reads
the sensor needs the inverse, value = Σ dᵢ · rawⁱ; :mod:`logger.readings.calibration_inverse`
makes it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.readings.block import Values

_CLEAR_SLOPE = 3.0
"""Standard errors that a slope must differ from zero by to be one (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CalibrationFit:
    """A fitted calibration. "Unit" is that of what was applied, "counts" that of the reading.

    Attributes:
        coefficients: c₀, c₁, (c₂) of reading = Σ cᵢ · appliedⁱ, counts and unit.
        standard_errors: of each; None where no degree of freedom is left to tell.
        residual_sd: √(Σ residual² / degrees of freedom), counts; None as above.
        degrees_of_freedom: points less what was fitted.
        applied: the points, shape (n,), unit.
        reading: the points, shape (n,), counts.
        centre: middle of the calibrated range, unit.
        half: half its width, unit.
        basis: coefficients of powers of z = (applied − centre)/half, counts, shape (p,).
        spread: matrix S, shape (p, p), with covariance of ``basis`` = residual_sd² · S Sᵀ.
    """

    coefficients: tuple[float, ...]
    standard_errors: tuple[float, ...] | None
    residual_sd: float | None
    degrees_of_freedom: int
    applied: Values
    reading: Values
    centre: float
    half: float
    basis: Values
    spread: NDArray[np.float64]

    @property
    def degree(self) -> int:
        """1 for a straight line, 2 for a parabola."""
        return len(self.coefficients) - 1

    @property
    def applied_range(self) -> tuple[float, float]:
        """The calibrated range, unit: beyond it nothing is known."""
        return float(self.applied.min()), float(self.applied.max())

    @property
    def reading_range(self) -> tuple[float, float]:
        """The readings that the fit gives at both ends of the range, lower first, counts."""
        ends = self.fitted(np.array(self.applied_range))
        return float(ends.min()), float(ends.max())

    @property
    def residuals(self) -> Values:
        """Reading less fitted reading, shape (n,), counts."""
        return self.reading - self.fitted(self.applied)

    def fitted(self, applied: Values) -> Values:
        """Readings that the fit gives, counts, for what is applied, shape (n,), unit."""
        z = (applied - self.centre) / self.half
        return np.asarray(np.polynomial.polynomial.polyval(z, self.basis))

    def slope(self, applied: Values) -> Values:
        """Change of the reading for one unit, shape (n,)."""
        z = (applied - self.centre) / self.half
        slope = np.polynomial.polynomial.polyval(z, np.polynomial.polynomial.polyder(self.basis))
        return np.asarray(slope / self.half)

    def value_of(self, reading: Values) -> Values:
        """What was applied where the sensor reads this, solved exactly, unit.

        Args:
            reading: raw readings, shape (n,), counts; beyond the turning point of a parabola
                the turning point is given.
        """
        b0, b1, b2 = (*self.basis, 0.0)[:3]
        above = reading - b0
        # This form of the quadratic's root cancels nothing, and is the line's where b2 = 0.
        root = np.sqrt(np.maximum(b1 * b1 + 4.0 * b2 * above, 0.0))
        z = 2.0 * above / (b1 + math.copysign(1.0, b1) * root)
        return np.asarray(self.centre + self.half * z)

    def u_fit(self, applied: Values) -> Values:
        """Standard uncertainty of the fitted reading, shape (n,), counts; 0 where unknown."""
        z = (applied - self.centre) / self.half
        powers = np.vander(z, len(self.coefficients), increasing=True)
        return np.asarray((self.residual_sd or 0.0) * np.linalg.norm(powers @ self.spread, axis=1))


def fit_calibration(applied: Values, reading: Values, *, degree: int) -> CalibrationFit:
    """Fits reading = Σ cᵢ · appliedⁱ by least squares.

    Args:
        applied: known values, shape (n,), unit.
        reading: raw readings, shape (n,), counts.
        degree: 1 or 2.

    Raises:
        ValueError: in words for the person who gave the points: too few of them, too few
            different loads, a reading that does not change, or a parabola that turns back
            within the calibrated range.
    """
    _check_points(applied, reading, degree)
    low, high = float(applied.min()), float(applied.max())
    centre, half = (low + high) / 2, (high - low) / 2
    powers = np.vander((applied - centre) / half, degree + 1, increasing=True)
    q, r = np.linalg.qr(powers)
    basis = np.linalg.solve(r, q.T @ reading)
    # One step of refinement gives back what rounding in the decomposition took.
    basis = basis + np.linalg.solve(r, q.T @ (reading - powers @ basis))
    spread = np.linalg.solve(r, np.eye(degree + 1))
    fit = _whole(applied, reading, centre=centre, half=half, basis=basis, spread=spread)
    _check_direction(fit)
    return fit


def fit_zero(applied: Values, reading: Values, *, scale: float) -> CalibrationFit:
    """Fits the offset alone; the scale is known, as that of an encoder geared to the boom.

    Args:
        applied: known values, shape (n,), unit.
        reading: raw readings, shape (n,), counts.
        scale: unit for one count.

    Raises:
        ValueError: for a scale of 0.
    """
    if scale == 0:
        raise ValueError("a scale of 0 gives no reading")
    centre = float(applied.mean())
    half = float(np.ptp(applied)) / 2 or 1.0
    zero = float(np.mean(reading - (applied - centre) / scale))
    return _whole(
        applied,
        reading,
        centre=centre,
        half=half,
        basis=np.array([zero, half / scale]),
        spread=np.array([[1.0 / math.sqrt(applied.size), 0.0], [0.0, 0.0]]),
        fitted=1,
    )


def _whole(
    applied: Values,
    reading: Values,
    *,
    centre: float,
    half: float,
    basis: Values,
    spread: NDArray[np.float64],
    fitted: int | None = None,
) -> CalibrationFit:
    dof = int(applied.size) - (basis.size if fitted is None else fitted)
    residual = reading - np.polynomial.polynomial.polyval((applied - centre) / half, basis)
    sd = float(np.linalg.norm(residual)) / math.sqrt(dof) if dof > 0 else None
    to_powers = _to_powers(centre, half, basis.size)
    errors = None
    if sd is not None:
        errors = tuple((sd * np.linalg.norm(to_powers @ spread, axis=1)).tolist())
    return CalibrationFit(
        coefficients=tuple((to_powers @ basis).tolist()),
        standard_errors=errors,
        residual_sd=sd,
        degrees_of_freedom=dof,
        applied=applied,
        reading=reading,
        centre=centre,
        half=half,
        basis=basis,
        spread=spread,
    )


def _to_powers(centre: float, half: float, size: int) -> NDArray[np.float64]:
    """The matrix from powers of (x − centre)/half to powers of x."""
    matrix = np.zeros((size, size))
    column = np.array([1.0])
    for power in range(size):
        matrix[: power + 1, power] = column
        column = np.polynomial.polynomial.polymul(column, [-centre / half, 1.0 / half])
    return matrix


def _check_points(applied: Values, reading: Values, degree: int) -> None:
    if degree not in (1, 2):
        raise ValueError(f"a fit of degree {degree} is not made here; degree 1 or 2 is")
    if not (np.isfinite(applied).all() and np.isfinite(reading).all()):
        raise ValueError("a point that is no finite number can't be fitted")
    if np.ptp(reading) == 0:
        raise ValueError("the reading is the same at every point: is the sensor alive?")
    different = np.unique(applied).size
    if different == 1:
        raise ValueError(f"all points are at one value, {applied[0]:g}; vary it")
    if different < degree + 1:
        raise ValueError(f"{different} different values can't carry a fit of degree {degree}")


def _check_direction(fit: CalibrationFit) -> None:
    middle = abs(float(fit.basis[1]))
    scatter = (fit.residual_sd or 0.0) * float(np.linalg.norm(fit.spread[1]))
    if middle <= max(_CLEAR_SLOPE * scatter, 1e-12 * float(np.ptp(fit.reading))):
        raise ValueError(
            "the reading does not follow what was applied beyond its scatter: see whether the "
            "sensor lives and the columns are in their places"
        )
    low, high = fit.slope(np.array(fit.applied_range))
    if not low * high > 0:
        raise ValueError(
            "the fitted curve turns back within the calibrated range, so that one reading would "
            "mean two values: see whether a point is wrong, or take degree 1"
        )
