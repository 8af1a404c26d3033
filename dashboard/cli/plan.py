"""``slewtrace plan``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from dashboard.cli.plan_text import plan_text
from logger.cli.chart_file import chart_text_of, read_chart_file
from logger.cli.options import (
    JsonOption,
    TestOption,
    check_svg,
    read_option,
    read_test_file,
    write_text,
)
from logger.errors import BadInput
from logger.readings.chart_table import read_load_chart
from logger.readings.load_chart import LoadChart
from logger.readings.quantity import Kind
from logger.readings.test_file import TestFile


def plan_command(
    test: TestOption,
    chart: Annotated[
        Path | None,
        typer.Option("--chart", help="The crane's load chart (CSV); [crane] chart by default."),
    ] = None,
    resolution: Annotated[
        str | None,
        typer.Option("--resolution", help='How finely a lift angle is wanted, "0.5 deg".'),
    ] = None,
    contact_hz: Annotated[
        float | None,
        typer.Option("--contact-hz", help="How often the contacts are read, 1/s.", min=0.1),
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", help="Draw weight against radius into this .svg.")
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Work out the radius at which the test load proves the required moment, and check the plan.

    Example: slewtrace plan --test test.toml --chart chart.csv --figure plan.svg
    """
    from dashboard.capacity.planning.plan_document import plan_document  # noqa: PLC0415 - pulls in numpy

    test_file, _ = read_test_file(test)
    document = plan_document(
        test_file,
        chart=_chart(chart, test_file, beside=test),
        resolution_deg=_resolution_deg(resolution),
        contact_rate_hz=contact_hz,
    )
    if figure is not None:
        _draw(document, figure)
    if as_json:
        typer.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))
    else:
        typer.echo(plan_text(document))


def _chart(named: Path | None, test_file: TestFile, *, beside: Path) -> LoadChart | None:
    """The chart that the command names, else the one that the test file names."""
    if named is not None:
        return read_chart_file(named)[0]
    kept = chart_text_of(test_file, beside)
    return read_load_chart(kept, name=test_file.crane.chart) if kept else None


def _draw(document: dict[str, Any], path: Path) -> None:
    from dashboard.figures.plan_svg import plan_svg  # noqa: PLC0415 - only where it is asked for

    check_svg(path, option="--figure")
    write_text(path, plan_svg(document), option="--figure")
    typer.echo(f"drawn: {path}", err=True)


def _resolution_deg(text: str | None) -> float | None:
    if text is None:
        return None
    would_do = 'an angle above 0 and up to 45 deg, such as "0.5 deg"'
    resolution_deg = read_option(text, Kind.ANGLE, option="--resolution", would_do=would_do)
    if not 0 < resolution_deg <= 45:
        raise BadInput(where="--resolution", what=f"{text!r} won't do", would_do=would_do)
    return resolution_deg
