"""``slewtrace analyze``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Literal

import typer

from logger.cli.chart_file import read_chart_file
from logger.cli.options import JsonOption, write_text
from logger.errors import BadInput


def analyze_command(
    run: Annotated[Path, typer.Argument(help="A sealed run (.parquet).")],
    *,
    rule: Annotated[
        Literal["guarded", "simple"] | None,
        typer.Option("--rule", help="Decision rule in place of the test file's."),
    ] = None,
    sectors: Annotated[
        Literal["single", "steps"] | None,
        typer.Option("--sectors", help="One reduced sector a side, or one for each hold."),
    ] = None,
    chart: Annotated[
        Path | None,
        typer.Option("--chart", help="The crane's load chart (CSV); the run's own by default."),
    ] = None,
    chart_csv: Annotated[
        Path | None, typer.Option("--chart-csv", help="Write the derated chart to this CSV file.")
    ] = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="The whole chain from samples to percentage.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Find lifts, holds and radius changes in a run and compute its capacity sectors.

    Exit code 1 where the run proves nothing at all.

    Example: slewtrace analyze recordings/lifts-both-sides.parquet --explain
    """
    # pyarrow and numpy come in with these, which --help need not wait for.
    from dashboard.capacity.result import proves_something  # noqa: PLC0415
    from dashboard.capacity.sectors.load_chart import (  # noqa: PLC0415
        derated_csv,
        derated_document,
        derated_text,
    )
    from dashboard.explanation import explanation  # noqa: PLC0415
    from dashboard.figures.sectors_of_result import sectors_of  # noqa: PLC0415
    from dashboard.load_charts import chart_of  # noqa: PLC0415
    from dashboard.result_text import result_text  # noqa: PLC0415
    from dashboard.results import analyse  # noqa: PLC0415
    from logger.recording.run import open_run  # noqa: PLC0415

    opened = open_run(run)
    load_chart = read_chart_file(chart)[0] if chart else chart_of(opened)
    result = analyse(opened, rule=rule, sectors=sectors)
    if load_chart is not None:
        result["load_chart"] = derated_document(load_chart, sectors_of(result))
    if chart_csv is not None:
        if load_chart is None:
            raise BadInput(
                where="--chart-csv",
                what="the run holds no load chart",
                would_do="name the crane's with --chart",
            )
        _check_apart(chart_csv, chart)
        derated = derated_csv(load_chart, sectors_of(result))
        write_text(chart_csv, derated, option="--chart-csv")
    if as_json:
        typer.echo(json.dumps(result, ensure_ascii=False, indent=2))
    else:
        typer.echo(result_text(result))
        if load_chart is not None:
            typer.echo(f"\nLoad chart by sector\n{derated_text(load_chart, sectors_of(result))}")
        if explain:
            typer.echo(f"\n{explanation(result)}")
    if not proves_something(result):
        raise typer.Exit(1)


def _check_apart(chart_csv: Path, chart: Path | None) -> None:
    """Refuses to write the derated chart over a run or over the crane's own chart."""
    if chart_csv.suffix.lower() != ".csv":
        raise BadInput(
            where="--chart-csv",
            what=f"{str(chart_csv)!r} won't do",
            would_do="a name that ends in .csv",
        )
    if chart is not None and chart_csv.exists() and chart_csv.samefile(chart):
        raise BadInput(
            where="--chart-csv",
            what=f"{str(chart_csv)!r} is the crane's own chart",
            would_do="give the derated one another name",
        )
