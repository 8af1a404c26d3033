"""A calibration worked out: fit, inverse, uncertainty and what the order of the points tells."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.readings.block import Values
from logger.readings.calibration_fit import CalibrationFit, fit_calibration, fit_zero
from logger.readings.calibration_inverse import Inverse, invert
from logger.readings.calibration_points import Points
from logger.readings.calibration_table import NewCalibration, rounded_up
from logger.readings.calibration_uncertainty import (
    ReadingUncertainty,
    curvature_significance,
    uncertainty_of_reading,
)
from logger.readings.load_cell_class import LoadCellClass
from logger.readings.load_cell_series import (
    Creep,
    Hysteresis,
    ZeroReturn,
    creep,
    fitted_points,
    hysteresis,
    zero_return,
)
from logger.readings.sighted_slew import unwrap_sightings

CURVED_BELOW, STRAIGHT_ABOVE = 0.01, 0.05
STANDS_OUT = 3.0
"""Residual standard deviations."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Report:
    """A calibration worked out.

    Attributes:
        quantity: ``load``, ``slew`` or ``radius``: the channel's id.
        points: as given.
        reading: the readings of all points as the fit sees them (unwrapped), shape (n,), counts.
        in_fit: which points the fit took, shape (n,).
        fit: the fit.
        inverse: what the rig file needs.
        uncertainty: of one reading.
        zero_return: of a load cell, or None.
        creep: of a load cell.
        hysteresis: of a load cell, or None.
        cell_class: a class that somebody asked to set it beside, or None.
        nominal: scale by the gearing, deg for one count with its sign; None but for encoders.
        zero_only: whether the scale was taken as known.
        wraps_at: counts after which the sensor starts again, or None.
        cautions: sentences for a person.
    """

    quantity: str
    points: Points
    reading: Values
    in_fit: NDArray[np.bool_]
    fit: CalibrationFit
    inverse: Inverse
    uncertainty: ReadingUncertainty
    zero_return: ZeroReturn | None = None
    creep: tuple[Creep, ...] = ()
    hysteresis: Hysteresis | None = None
    cell_class: LoadCellClass | None = None
    nominal: float | None = None
    zero_only: bool = False
    wraps_at: float | None = None
    cautions: tuple[str, ...] = ()

    @property
    def unit(self) -> str:
        """Unit of the calibrated value."""
        return self.points.unit

    @property
    def values(self) -> Values:
        """What the rig file's calibration makes of each reading, shape (n,), unit."""
        return self.inverse.apply(self.reading)

    @property
    def residuals(self) -> Values:
        """Reading less fitted reading at each point, shape (n,), counts."""
        return self.reading - self.fit.fitted(self.points.applied)

    @property
    def u_text(self) -> str | None:
        """Standard uncertainty of a reading as a rig file writes it; None where unknown."""
        if not self.uncertainty.is_known or self.uncertainty.u == 0:
            return None
        return f"{rounded_up(self.uncertainty.u):g} {self.unit}"

    def new_calibration(
        self, *, on: str, reference: str, by: str = "", due: str | None = None
    ) -> NewCalibration:
        """What goes into a rig file or over a run.

        Args:
            on: day of the calibration.
            reference: what it was made against.
            by: who made it.
            due: the day by which it is to be made again.
        """
        low, high = self.fit.applied_range
        table: dict[str, Any] = {"on": on, "reference": reference}
        table |= {"by": by} if by else {}
        table |= {"u": self.u_text} if self.u_text else {}
        if low < high:
            table["range"] = [f"{low:.10g} {self.unit}", f"{high:.10g} {self.unit}"]
        table |= {"points": int(self.in_fit.sum()), "degree": 0 if self.zero_only else self.degree}
        if self.uncertainty.scatter is not None:
            table["residual_sd"] = f"{rounded_up(self.uncertainty.scatter):g} {self.unit}"
        table |= {"due": due} if due else {}
        return NewCalibration(
            unit=self.unit,
            coefficients=self.inverse.coefficients,
            u=self.u_text,
            wraps_at=self.wraps_at,
            calibrated=table,
        )

    @property
    def degree(self) -> int:
        """Degree of the fit."""
        return self.fit.degree


def report_fit(
    points: Points,
    *,
    quantity: str,
    degree: int = 1,
    u_reference: float = 0.0,
    cell_class: LoadCellClass | None = None,
) -> Report:
    """Works out the calibration of a load cell or a radius sensor.

    Args:
        points: loads or tape readings.
        quantity: the channel's id.
        degree: 1 or 2.
        u_reference: standard uncertainty of what was applied, unit.
        cell_class: a class to set a cell's figures beside.

    Raises:
        ValueError: in words for the person who gave the points.
    """
    taken = fitted_points(points)
    fit = fit_calibration(points.applied[taken], points.reading[taken], degree=degree)
    report = _report(points, points.reading, taken, fit, quantity=quantity, u_reference=u_reference)
    if quantity == "load":
        report = replace(
            report,
            zero_return=zero_return(points, fit),
            creep=tuple(creep(points, fit)),
            hysteresis=hysteresis(points, fit),
            cell_class=cell_class,
        )
    return replace(report, cautions=(*report.cautions, *_curvature_words(fit)))


def report_slew(
    points: Points,
    *,
    wraps_at: float | None,
    nominal: float | None,
    sign_known: bool,
    zero_only: bool,
    u_reference: float = 0.0,
) -> Report:
    """Works out the calibration of a slew sensor.

    Args:
        points: sighted angles, deg.
        wraps_at: counts after which the sensor starts again at 0, or None.
        nominal: deg for one count by the gearing or the rig file; None where nobody knows.
        sign_known: whether the sign of ``nominal`` counts.
        zero_only: whether only the offset is to be found, with the scale as in ``nominal``.
        u_reference: standard uncertainty of a sighting, deg.

    Raises:
        ValueError: in words for the person who gave the points.
    """
    reading = points.reading
    if wraps_at is not None and nominal is not None:
        unwrapped = unwrap_sightings(
            points.applied,
            reading,
            wraps_at=wraps_at,
            nominal_deg=nominal,
            either_way=not sign_known,
        )
        reading, nominal = unwrapped.reading, unwrapped.nominal_deg
        reading = _near_zero(points.applied, reading, wraps_at=wraps_at, scale=nominal)
    if zero_only and nominal is None:
        raise ValueError("the scale is not known: name a rig file that has it, or wraps_at")
    fit = (
        fit_zero(points.applied, reading, scale=nominal)
        if zero_only and nominal is not None
        else fit_calibration(points.applied, reading, degree=1)
    )
    taken = np.ones(len(points), dtype=bool)
    report = _report(points, reading, taken, fit, quantity="slew", u_reference=u_reference)
    return replace(report, nominal=nominal, wraps_at=wraps_at, zero_only=zero_only)


def _near_zero(sighted_deg: Values, reading: Values, *, wraps_at: float, scale: float) -> Values:
    """The same readings in that turn of the sensor in which the offset is smallest."""
    offset = float(np.mean(sighted_deg - scale * reading))
    return reading + wraps_at * round(offset / (wraps_at * scale))


def _report(
    points: Points,
    reading: Values,
    taken: NDArray[np.bool_],
    fit: CalibrationFit,
    *,
    quantity: str,
    u_reference: float,
) -> Report:
    inverse = invert(fit)
    return Report(
        quantity=quantity,
        points=points,
        reading=reading,
        in_fit=taken,
        fit=fit,
        inverse=inverse,
        uncertainty=uncertainty_of_reading(
            fit, u_reference=u_reference, inverse_deviation=inverse.deviation
        ),
        cautions=tuple(_outlier_words(points, reading, taken, fit)),
    )


def _outlier_words(
    points: Points, reading: Values, taken: NDArray[np.bool_], fit: CalibrationFit
) -> list[str]:
    if not fit.residual_sd:
        return []
    off = np.abs(reading - fit.fitted(points.applied)) / fit.residual_sd
    return [
        f"Line {points.line[i]} is {off[i]:.1f} residual standard deviations off: see whether it "
        "was written down rightly."
        for i in np.flatnonzero((off > STANDS_OUT) & taken)
    ]


def _curvature_words(fit: CalibrationFit) -> list[str]:
    if fit.degree == 2:
        p = curvature_significance(fit)
        if p is not None and p > STRAIGHT_ABOVE:
            return [
                f"A straight line would do: a curvature like this comes by chance (p = {p:.2g})."
            ]
        return []
    try:
        p = curvature_significance(fit_calibration(fit.applied, fit.reading, degree=2))
    except ValueError:
        return []
    if p is not None and p < CURVED_BELOW:
        return [f"The points are curved beyond chance (p = {p:.2g}): see what degree 2 gives."]
    return []
