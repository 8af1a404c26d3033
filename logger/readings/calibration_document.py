"""A calibration as a JSON document, for programs."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from logger.readings.calibration_inverse import Inverse
from logger.readings.calibration_report import Report
from logger.readings.load_cell_class import SOURCE

FORMAT = "slewtrace.calibration/1"


def document(report: Report) -> dict[str, Any]:
    """The report as a JSON object."""
    fit, points = report.fit, report.points
    deviation = report.values - points.applied
    rows = zip(
        points.line.tolist(),
        points.applied.tolist(),
        points.reading.tolist(),
        report.residuals.tolist(),
        report.values.tolist(),
        deviation.tolist(),
        report.in_fit.tolist(),
        strict=True,
    )
    keys = ("line", "applied", "reading", "residual", "value", "deviation", "in_fit")
    return {
        "format": FORMAT,
        "quantity": report.quantity,
        "unit": report.unit,
        "degree": report.degree,
        "coefficients": list(fit.coefficients),
        "standard_errors": None if fit.standard_errors is None else list(fit.standard_errors),
        "residual_sd": fit.residual_sd,
        "residuals": fit.residuals.tolist(),
        "degrees_of_freedom": fit.degrees_of_freedom,
        "calibrated_range": list(fit.applied_range),
        "reading_range": list(fit.reading_range),
        "inverse": _inverse_document(report.inverse),
        "u": asdict(report.uncertainty)
        | {"value": report.uncertainty.u if report.uncertainty.is_known else None},
        "zero_return": None if report.zero_return is None else asdict(report.zero_return),
        "creep": [asdict(c) for c in report.creep],
        "hysteresis": None if report.hysteresis is None else asdict(report.hysteresis),
        "class_limits": _class_document(report),
        "nominal_scale": report.nominal,
        "zero_only": report.zero_only,
        "wraps_at": report.wraps_at,
        "cautions": list(report.cautions),
        "points": [dict(zip(keys, row, strict=True)) for row in rows],
    }


def _inverse_document(inverse: Inverse) -> dict[str, Any]:
    coefficients = inverse.coefficients
    found: dict[str, Any] = {"coefficients": list(coefficients)}
    if len(coefficients) == 2:
        found |= {"offset": coefficients[0], "scale": coefficients[1]}
    else:
        found["polynomial"] = list(coefficients)
    return found | {"largest_deviation": inverse.deviation}


def _class_document(report: Report) -> dict[str, Any] | None:
    cell, low_high = report.cell_class, report.fit.applied_range
    if cell is None:
        return None
    return {
        "source": SOURCE,
        "class": f"{cell.letter}{cell.intervals / 1000:g}",
        "interval": cell.interval,
        "largest_error": cell.largest_error(low_high[1]),
        "largest_zero_return": cell.largest_zero_return,
        "largest_creep": [cell.largest_creep(c.at, late=False) for c in report.creep],
    }
