"""A calibration in plain words, 80 columns."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import Any

from logger.readings.calibration_report import Report
from logger.readings.calibration_table import NewCalibration
from logger.readings.load_cell_class import SOURCE

WIDTH = 80
_SAME_PERCENT = 0.001
_POWERS = ("", "·{}", "·{}²", "·{}³", "·{}⁴", "·{}⁵")
_TITLES = {"load": "Load cell", "slew": "Slew sensor", "radius": "Radius sensor"}
_APPLIED = {"load": "applied", "slew": "sighted", "radius": "tape"}


def report_text(report: Report, *, calibration: NewCalibration, written: dict[str, Any]) -> str:
    """The whole report.

    Args:
        report: the calibration.
        calibration: what goes, or would go, into the rig file.
        written: what was written, as :func:`logger.cli.calibrate_aim.write_down` tells.
    """
    parts = (
        _title(report),
        _equation(report),
        _table(report),
        _how_sure(report),
        _order(report),
        _class_limits(report),
        _direction(report),
        (line for caution in report.cautions for line in _filled(f"! {caution}")),
        _written(report, calibration, written),
    )
    blocks = ["\n".join(lines) for part in parts if (lines := list(part))]
    return "\n\n".join(blocks)


def _title(report: Report) -> Iterator[str]:
    low, high = (_n(x) for x in report.fit.applied_range)
    count = len(report.points)
    yield from _filled(
        f"{_TITLES[report.quantity]}: {count} point{'' if count == 1 else 's'} of "
        f"{report.points.name}. Calibrated from {low} to {high} {report.unit}; outside of that "
        "nothing is known."
    )


def _equation(report: Report) -> Iterator[str]:
    fit, unit = report.fit, report.unit
    name = {"load": "load", "slew": "angle", "radius": "radius"}[report.quantity]
    yield from _filled(f"reading = {_sum(fit.coefficients, name)}   ({name} in {unit})")
    if fit.standard_errors is None or fit.residual_sd is None:
        yield from _filled(
            "As many coefficients as points: they pass through every one, and nothing tells how "
            "good they are.",
            indent="  ",
        )
    else:
        errors = ", ".join(f"{e:.3g}" for e in fit.standard_errors)
        dof = fit.degrees_of_freedom
        yield from _filled(f"standard errors {errors}", indent="  ")
        yield from _filled(
            f"residual standard deviation {fit.residual_sd:.3g} in the reading, "
            f"{dof} degree{'' if dof == 1 else 's'} of freedom",
            indent="  ",
        )
    yield ""
    inverse = report.inverse
    yield from _filled(f"{name} = {_sum(inverse.coefficients, 'reading')}   ({unit})")
    if fit.degree == 2:
        yield from _filled(
            f"A parabola's inverse is no polynomial; this one is within {inverse.deviation:.2g} "
            f"{unit} of it over the calibrated range.",
            indent="  ",
        )


def _table(report: Report) -> Iterator[str]:
    applied = f"{_APPLIED[report.quantity]}, {report.unit}"
    yield f"{'line':>6}{applied:>16}{'reading':>15}{'residual':>13}{'value':>15}{'off by':>12}"
    points, values = report.points, report.values
    places = _decimals(report.uncertainty.u)
    for i in range(len(points)):
        mark = "" if report.in_fit[i] else " *"
        yield (
            f"{points.line[i]:>6}{_n(points.applied[i]):>16}{_n(points.reading[i]):>15}"
            f"{report.residuals[i]:>13.3g}{values[i]:>15.{places}f}"
            f"{values[i] - points.applied[i]:>12.{places}f}{mark}"
        )
    if not report.in_fit.all():
        yield from _filled("* a watch over time; only its first reading is in the fit")


def _how_sure(report: Report) -> Iterator[str]:
    found, unit = report.uncertainty, report.unit
    if not found.is_known:
        yield from _filled(
            "Standard uncertainty of a reading: unknown. Add points, or say how sure the "
            "reference is with --reference-u."
        )
        return
    yield from _filled(
        f"Standard uncertainty of a reading: {report.u_text or f'0 {unit}'}, greatest at "
        f"{_n(found.at)} {unit}"
    )
    scatter = "unknown" if found.scatter is None else f"{found.scatter:.2g}"
    reference = f"{found.reference:.2g}" if found.reference else "not given, taken as 0"
    yield from _filled(
        f"scatter of one reading {scatter}; fit {found.fit:.2g}; reference {reference}"
        + (f"; inverse {found.inverse:.2g}" if report.degree == 2 else "")
        + f" ({unit})",
        indent="  ",
    )


def _order(report: Report) -> Iterator[str]:
    """What the order of the points tells; of load cells only."""
    if report.quantity != "load":
        return
    unit, back = report.unit, report.zero_return
    if back is None:
        yield from _filled("Zero return: no reading at zero both before and after the loads.")
    else:
        yield from _filled(
            f"Zero return: {_n(back.first)} before, {_n(back.last)} after: "
            f"{back.change:+.2g} {unit}"
        )
    for seen in report.creep:
        late = "" if seen.late_change is None else f", {seen.late_change:+.2g} from 20 to 30 min"
        yield from _filled(
            f"Creep at {_n(seen.at)} {unit}: {seen.change:+.2g} {unit} in "
            f"{seen.duration_s / 60:.0f} min, at most {seen.largest:.2g}{late}"
        )
    if report.hysteresis is not None:
        yield from _filled(
            f"Down less up: {report.hysteresis.difference:+.2g} {unit} at "
            f"{_n(report.hysteresis.at)} {unit}, the most of {report.hysteresis.loads} loads"
        )
    if report.zero_return or report.creep:
        yield from _filled(
            "Zero return and creep are not in the uncertainty above; add them where the cell "
            "stays loaded long."
        )


def _class_limits(report: Report) -> Iterator[str]:
    cell, unit = report.cell_class, report.unit
    if cell is None:
        return
    yield from _filled(
        f"Beside class {cell.letter}{cell.intervals / 1000:g} ({SOURCE}; v = {cell.interval:.4g} "
        f"{unit}), as information: a type evaluation takes a laboratory."
    )
    off = abs(report.values - report.points.applied)[report.in_fit]
    loads = report.points.applied[report.in_fit]
    share = [o / cell.largest_error(x) for o, x in zip(off, loads, strict=True)]
    yield from _beside("error", max(share), "of what a cell may have, where it is nearest to it")
    if report.zero_return is not None:
        part = abs(report.zero_return.change) / cell.largest_zero_return
        yield from _beside("zero return", part, f"of {cell.largest_zero_return:.2g} {unit}")
    for seen in report.creep:
        most = cell.largest_creep(seen.at, late=False)
        yield from _beside("creep in 30 min", seen.largest / most, f"of {most:.2g} {unit}")
        if seen.late_change is not None:
            most = cell.largest_creep(seen.at, late=True)
            part = abs(seen.late_change) / most
            yield from _beside("from 20 to 30 min", part, f"of {most:.2g} {unit}")


def _beside(what: str, share: float, of: str) -> Iterator[str]:
    sign = "+ within" if share <= 1 else "x beyond"
    yield from _filled(f"{sign}: {what}, {100 * share:.0f} % {of}", indent="  ")


def _direction(report: Report) -> Iterator[str]:
    if report.quantity != "slew":
        return
    scale = report.inverse.coefficients[1]
    rises, sign = ("rises", "positive") if scale > 0 else ("falls", "negative")
    yield from _filled(
        f"The reading {rises} as the boom turns to the truck's right (counter-clockwise seen "
        f"from above), so scale is {sign}. One count is {abs(scale):.4g} deg."
    )
    if report.nominal is None or report.zero_only:
        return
    off = 100 * (scale / report.nominal - 1)
    if abs(off) < _SAME_PERCENT:
        return
    yield from _filled(
        f"Expected, by the gearing or the rig file, was {abs(report.nominal):.6g} deg; the fit "
        f"differs by {off:+.2g} %. Where the sensor is geared to the boom without slip, that "
        "scale is better known than sightings are: take --zero-only."
    )


def _written(report: Report, calibration: NewCalibration, written: dict[str, Any]) -> Iterator[str]:
    if "rig" in written:
        changed = written["rig"]["changed"]
        yield from _filled(f"{written['rig']['path']}: {'changed' if changed else 'as it was'}")
        yield from (f"  {line}" for line in changed)
    elif "correction" in written:
        layer = written["correction"]
        yield from _filled(
            f"{layer['path']}: a layer on {layer['channel']} by {layer['by']}, "
            f"{layer['made_utc']}: {layer['reason']}. The run itself is as it was sealed."
        )
    else:
        yield f'Copy this into the rig file, channel "{report.quantity}":'
        yield from (f"  {line}" for line in calibration.toml_lines())


def _decimals(u: float) -> int:
    """Decimal places that show an uncertainty with two digits."""
    return 4 if u <= 0 else min(9, max(0, 1 - math.floor(math.log10(u))))


def _sum(coefficients: tuple[float, ...], name: str) -> str:
    text = f"{coefficients[0]:.10g}"
    for power, c in zip(_POWERS[1:], coefficients[1:], strict=False):
        text += f" {'−' if c < 0 else '+'} {abs(c):.10g}{power.format(name)}"
    return text


def _n(value: float) -> str:
    return f"{value:.7g}"


def _filled(text: str, *, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
