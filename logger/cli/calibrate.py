"""The commands ``slewtrace calibrate load``, ``slew`` and ``radius``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from logger.cli.calibrate_aim import Aim, read_aim, write_down
from logger.cli.calibrate_text import report_text
from logger.cli.options import JsonOption, read_option, read_text
from logger.errors import BadInput, FileInvalid
from logger.readings.calibration_document import document
from logger.readings.calibration_points import Points, read_points
from logger.readings.calibration_report import Report, report_fit, report_slew
from logger.readings.load_cell_class import LoadCellClass, parse_class
from logger.readings.quantity import Kind, unit_factor
from logger.readings.rig_file import Channel
from logger.readings.sighted_slew import nominal_scale

calibrate_app = typer.Typer(
    no_args_is_help=True,
    help="""Work out a sensor's calibration from points, and write it into the rig file.

    With --run it is laid over a sealed run instead, signed and dated; the run stays as it is.

    Example: slewtrace calibrate load --points weights.csv --degree 2
    """,
)

PointsOption = Annotated[
    Path, typer.Option("--points", help="CSV with a first line that names the columns.")
]
RigOption = Annotated[
    Path | None, typer.Option("--rig", help="Write the coefficients into this rig file.")
]
RunOption = Annotated[
    Path | None, typer.Option("--run", help="Lay the calibration over this sealed run.")
]
OnOption = Annotated[
    str | None, typer.Option("--on", help="Day of the calibration, 2026-05-04; today by default.")
]
ReferenceOption = Annotated[
    str, typer.Option("--reference", help="Against what: weights, tape, and their certificate.")
]
ByOption = Annotated[str, typer.Option("--by", help="Who calibrated, or corrects the run.")]
DueOption = Annotated[
    str | None, typer.Option("--due", help="Day by which it is to be done again.")
]
ReasonOption = Annotated[str, typer.Option("--reason", help="With --run: why it is corrected.")]
ReferenceUOption = Annotated[
    str | None,
    typer.Option("--reference-u", help="Standard uncertainty of what was applied, with its unit."),
]


@calibrate_app.command("load")
def calibrate_load_command(
    *,
    points: PointsOption,
    degree: Annotated[int, typer.Option("--degree", help="1: a line, 2: curved.")] = 1,
    unit: Annotated[str, typer.Option("--unit", help="Unit of the loads.")] = "kg",
    reference_u: ReferenceUOption = None,
    class_: Annotated[
        str | None, typer.Option("--class", help="Class by OIML R 60 to compare with, like C3.")
    ] = None,
    capacity: Annotated[
        str | None, typer.Option("--capacity", help="With --class: the cell's capacity.")
    ] = None,
    rig: RigOption = None,
    on: OnOption = None,
    reference: ReferenceOption = "",
    by: ByOption = "",
    due: DueOption = None,
    run: RunOption = None,
    reason: ReasonOption = "",
    as_json: JsonOption = False,
) -> None:
    """Calibrate a load cell with known weights: reading = sum of c_i · applied^i.

    Columns: applied, reading; perhaps u (of the weights) and t_s (time, for creep).

    Example: slewtrace calibrate load --points weights.csv --degree 2
    """
    aim = read_aim(
        "load", rig=rig, run=run, on=on, reference=reference, by=by, due=due, reason=reason
    )
    if degree not in (1, 2):
        raise BadInput(where="--degree", what=f"{degree} won't do", would_do="give 1 or 2")
    table = _points(points, "applied", Kind.MASS, unit)
    _refuse_too_few(table, degree + 2, f"a fit of degree {degree}")
    u_reference = _reference_u(reference_u, table, Kind.MASS)
    try:
        report = report_fit(
            table,
            quantity="load",
            degree=degree,
            u_reference=u_reference,
            cell_class=_cell_class(class_, capacity, unit),
        )
    except ValueError as exc:
        raise _unfit(points, exc) from exc
    _finish(report, aim, as_json=as_json)


@calibrate_app.command("radius")
def calibrate_radius_command(
    *,
    points: PointsOption,
    unit: Annotated[str, typer.Option("--unit", help="Unit of the tape.")] = "m",
    reference_u: ReferenceUOption = None,
    rig: RigOption = None,
    on: OnOption = None,
    reference: ReferenceOption = "",
    by: ByOption = "",
    due: DueOption = None,
    run: RunOption = None,
    reason: ReasonOption = "",
    as_json: JsonOption = False,
) -> None:
    """Calibrate a radius sensor against a tape, load hanging.

    Columns: tape, reading; perhaps u (of the tape). A tape may read 3.49 or "11 ft".

    Example: slewtrace calibrate radius --points tape.csv --reference-u "3 mm"
    """
    aim = read_aim(
        "radius", rig=rig, run=run, on=on, reference=reference, by=by, due=due, reason=reason
    )
    table = _points(points, "tape", Kind.LENGTH, unit)
    _refuse_too_few(table, 2, "a line")
    u_reference = _reference_u(reference_u, table, Kind.LENGTH)
    try:
        report = report_fit(table, quantity="radius", u_reference=u_reference)
    except ValueError as exc:
        raise _unfit(points, exc) from exc
    _finish(report, aim, as_json=as_json)


@calibrate_app.command("slew")
def calibrate_slew_command(
    *,
    points: PointsOption,
    wraps_at: Annotated[
        float | None,
        typer.Option("--wraps-at", help="Counts after which the sensor starts again at 0."),
    ] = None,
    turns: Annotated[
        float,
        typer.Option("--turns", help="With --wraps-at: the sensor's turns in one of the boom."),
    ] = 1.0,
    reference_u: ReferenceUOption = None,
    rig: RigOption = None,
    on: OnOption = None,
    reference: ReferenceOption = "",
    by: ByOption = "",
    due: DueOption = None,
    run: RunOption = None,
    reason: ReasonOption = "",
    zero_only: Annotated[
        bool, typer.Option("--zero-only", help="Find the zero; take the scale as geared.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Calibrate a slew sensor with sighted angles: 0° over the rear, right positive.

    Columns: sighted_deg, reading; perhaps u. Two angles or more, not half a turn apart.

    Example: slewtrace calibrate slew --points sighted.csv --wraps-at 4096
    """
    aim = read_aim(
        "slew", rig=rig, run=run, on=on, reference=reference, by=by, due=due, reason=reason
    )
    wraps_at, nominal, sign_known = _gearing(wraps_at, turns, aim, zero_only=zero_only)
    table = _points(points, "sighted_deg", Kind.ANGLE, "deg")
    _refuse_too_few(table, 1 if zero_only else 2, "the zero" if zero_only else "a line")
    try:
        report = report_slew(
            table,
            wraps_at=wraps_at,
            nominal=nominal,
            sign_known=sign_known and (zero_only and len(table) == 1),
            zero_only=zero_only,
            u_reference=_reference_u(reference_u, table, Kind.ANGLE),
        )
    except ValueError as exc:
        raise _unfit(points, exc) from exc
    _finish(report, aim, as_json=as_json)


def _finish(report: Report, aim: Aim, *, as_json: bool) -> None:
    """Writes down first: nothing is shown as done that was not."""
    written = write_down(report, aim)
    if as_json:
        typer.echo(json.dumps(document(report) | written, ensure_ascii=False, indent=2))
        return
    typer.echo(report_text(report, calibration=aim.new_calibration(report), written=written))


def _points(path: Path, applied: str, kind: Kind, unit: str) -> Points:
    try:
        unit_factor(unit, kind)
    except ValueError as exc:
        raise BadInput(where="--unit", what=f"{unit!r} won't do", would_do=str(exc)) from exc
    text = read_text(path, wanted="a CSV file")
    return read_points(text, name=str(path), applied=applied, kind=kind, unit=unit)


def _refuse_too_few(points: Points, needed: int, what: str) -> None:
    if len(points) < needed:
        raise FileInvalid(
            where=points.name,
            what=f"has {len(points)} point{'' if len(points) == 1 else 's'}, "
            f"and {what} needs {needed} at least",
            would_do="add some",
        )


def _reference_u(text: str | None, points: Points, kind: Kind) -> float:
    """Standard uncertainty of what was applied, in the points' unit."""
    if text is not None and points.u is not None:
        raise BadInput(
            where="--reference-u",
            what=f"{points.name} has a column u as well",
            would_do="give one of them",
        )
    if text is None:
        # Weights of one set err together, so the worst of them stands for all.
        return 0.0 if points.u is None or not len(points) else float(points.u.max())
    u_si = read_option(text, kind, option="--reference-u")
    if u_si < 0:
        raise BadInput(where="--reference-u", what=f"{text!r} is negative")
    return u_si / unit_factor(points.unit, kind)


def _cell_class(text: str | None, capacity: str | None, unit: str) -> LoadCellClass | None:
    if text is None and capacity is None:
        return None
    if text is None or capacity is None:
        raise BadInput(
            where="--class" if text is None else "--capacity",
            what="is missing",
            would_do='give both, like --class C3 --capacity "5000 kg"',
        )
    capacity_kg = read_option(capacity, Kind.MASS, option="--capacity")
    try:
        return parse_class(text, capacity=capacity_kg / unit_factor(unit, Kind.MASS))
    except ValueError as exc:
        raise BadInput(where="--class", what=f"{text!r} won't do", would_do=str(exc)) from exc


def _gearing(
    wraps_at: float | None, turns: float, aim: Aim, *, zero_only: bool
) -> tuple[float | None, float | None, bool]:
    """Counts in a turn of the sensor, deg for one count, and whether its sign is known."""
    for option, number in (("--wraps-at", wraps_at), ("--turns", turns)):
        if number is not None and not 0 < number < 1e12:
            raise BadInput(where=option, what=f"{number:g} won't do", would_do="give more than 0")
    wired = aim.channel
    if wired is not None:
        wraps_at = _agreed_wrap(wraps_at, wired, aim)
        if turns == 1.0 and _has_scale(wired, zero_only=zero_only):
            return wraps_at, wired.scale * unit_factor(wired.unit or "deg", Kind.ANGLE), True
    if wraps_at is None:
        return None, None, False
    return wraps_at, nominal_scale(wraps_at=wraps_at, turns=turns), False


def _has_scale(wired: Channel, *, zero_only: bool) -> bool:
    return wired.polynomial is None and (zero_only or wired.scale != 1.0)


def _agreed_wrap(wraps_at: float | None, wired: Channel, aim: Aim) -> float | None:
    if None not in (wraps_at, wired.wraps_at) and wraps_at != wired.wraps_at:
        raise BadInput(
            where="--wraps-at",
            what=f"{wraps_at:g} is not what {aim.where} has, wraps_at = {wired.wraps_at:g}",
            would_do="leave it out, or mend the file",
        )
    if aim.run is not None and wraps_at is not None and wired.wraps_at is None:
        raise BadInput(
            where="--wraps-at",
            what=f"the rig file in {aim.where} has none, and a correction does not change that",
            would_do="leave it out",
        )
    return wraps_at if wired.wraps_at is None else wired.wraps_at


def _unfit(points: Path, exc: ValueError) -> FileInvalid:
    return FileInvalid(where=str(points), what=str(exc))
