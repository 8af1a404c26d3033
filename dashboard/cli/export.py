"""``slewtrace export``."""

from __future__ import annotations

import json
import signal
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from logger.cli.options import JsonOption, read_option
from logger.errors import BadInput
from logger.readings.quantity import Kind

if TYPE_CHECKING:
    from dashboard.exporting import Asked


def export_command(
    run: Annotated[Path, typer.Argument(help="A sealed run (.parquet).")],
    out: Annotated[
        Path, typer.Option("-o", "--out", help="The file to write: .csv, .xlsx, .mat or .parquet.")
    ],
    form: Annotated[
        str | None,
        typer.Option("--format", help="csv, xlsx, mat or parquet; by the file's name otherwise."),
    ] = None,
    units: Annotated[
        Literal["si", "us"], typer.Option("--units", help="Units of calibrated values.")
    ] = "si",
    values: Annotated[
        Literal["both", "calibrated", "raw"] | None,
        typer.Option("--values", help="Which values; with --every calibrated ones by default."),
    ] = None,
    every: Annotated[
        str | None,
        typer.Option("--every", help='Common times, "0.1 s" apart, in place of native ones.'),
    ] = None,
    zone: Annotated[
        str | None,
        typer.Option("--zone", help="Zone of local times, Europe/Oslo; this machine's otherwise."),
    ] = None,
    from_: Annotated[
        str | None, typer.Option("--from", help='From when on, run time, such as "75 s".')
    ] = None,
    to: Annotated[str | None, typer.Option("--to", help="Before when, run time.")] = None,
    channels: Annotated[
        str | None, typer.Option("--channels", help="Ids with commas between; all otherwise.")
    ] = None,
    *,
    interpolate: Annotated[
        bool, typer.Option("--interpolate", help="With --every: values on straight lines.")
    ] = False,
    raw: Annotated[
        bool, typer.Option("--raw", help="CSV of t_s,channel,value that `import` takes back.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write a run for a spreadsheet, MATLAB or another program; never over another file.

    Native times of each channel by default; with --every a table at common times, each value
    the last reading at or before it. Beside a CSV file stands a JSON file with all the rest.

    Example: slewtrace export recordings/lifts-both-sides.parquet -o run.xlsx --every "0.1 s"
    """
    from dashboard.exporting import Asked, export_run  # noqa: PLC0415 - pulls in pyarrow
    from dashboard.figures.units import units_of  # noqa: PLC0415
    from logger.recording.export.channel_pieces import Stretch  # noqa: PLC0415
    from logger.recording.export.export import form_of  # noqa: PLC0415
    from logger.recording.export.wall_time import read_zone  # noqa: PLC0415
    from logger.recording.new_file import refuse_to_overwrite  # noqa: PLC0415
    from logger.recording.run import open_run  # noqa: PLC0415

    asked = Asked(
        form=form_of(out, form),
        units=units_of(units),
        values=values,
        channels=tuple(c.strip() for c in channels.split(",")) if channels is not None else (),
        stretch=Stretch(start_ns=_ns(from_, "--from"), end_ns=_ns(to, "--to")),
        every_ns=_interval_ns(every),
        on_a_line=interpolate,
        zone=None if zone is None else read_zone(zone),
        bare=raw,
    )
    _check(asked)
    refuse_to_overwrite(out, kind="an export")
    opened = open_run(run)
    signal.signal(signal.SIGTERM, _end)
    exported = export_run(opened, None if raw else _result(opened), out, asked)
    if as_json:
        document = {
            "paths": [str(p) for p in exported.paths],
            "run_id": opened.header.run_id,
            "format": asked.form,
            "rows": exported.rows,
            "times": exported.rule,
        }
        typer.echo(json.dumps(document, ensure_ascii=False))
        return
    typer.echo(f"{out}: {exported.rows} rows of readings, {exported.rule}")
    for beside in exported.paths[1:]:
        typer.echo(f"{beside}: units, result, events, notes, gaps and both files of the run")
    if raw:
        start = opened.header.started_utc
        typer.echo("`slewtrace import` takes it back" + (f" with --start-utc {start}" if start else ""))


def _check(asked: Asked) -> None:
    """Refuses options that say nothing together."""
    if asked.bare and (asked.form != "csv" or asked.every_ns is not None or asked.values):
        raise BadInput(
            where="--raw",
            what="is a CSV table of raw readings at their own times",
            would_do="name a .csv file and leave out --every and --values",
        )
    if asked.on_a_line and asked.every_ns is None:
        raise BadInput(
            where="--interpolate",
            what="goes with common times only",
            would_do='give --every, such as "0.1 s"',
        )
    start_ns, end_ns = asked.stretch.start_ns, asked.stretch.end_ns
    if start_ns is not None and end_ns is not None and start_ns >= end_ns:
        raise BadInput(
            where="--to",
            what="is not later than --from",
            would_do="give the later time to --to",
        )


def _ns(text: str | None, option: str) -> int | None:
    if text is None:
        return None
    seconds = read_option(text, Kind.TIME, option=option)
    if abs(seconds) > 9e9:
        raise BadInput(where=option, what=f"{text!r} is beyond any run", would_do="give less")
    return round(seconds * 1e9)


def _interval_ns(every: str | None) -> int | None:
    interval_ns = _ns(every, "--every")
    if interval_ns is not None and interval_ns < 1:
        raise BadInput(
            where="--every", what=f"{every!r} is no interval", would_do='give one, such as "0.1 s"'
        )
    return interval_ns


def _result(opened: Any) -> dict[str, Any]:
    from dashboard.results import analyse  # noqa: PLC0415 - scipy and the whole analysis

    return analyse(opened)


def _end(_signal: int, _frame: FrameType | None) -> None:
    # As after Ctrl-C: what is half written goes away.
    raise SystemExit(143)
