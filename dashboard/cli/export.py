"""``slewtrace export``."""

from __future__ import annotations

import json
import signal
from pathlib import Path
from types import FrameType
from typing import Annotated, Any, Literal

import typer

from dashboard.cli.export_progress import ExportProgress
from logger.cli.options import JsonOption


def export_command(
    run: Annotated[Path, typer.Argument(help="A sealed run (.parquet).")],
    out: Annotated[
        Path, typer.Option("-o", "--out", help="The file to write: .csv, .xlsx, .mat or .parquet.")
    ],
    *,
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
    from dashboard.export_request import read_asked  # noqa: PLC0415 - pulls in pyarrow
    from dashboard.exporting import check_stretch, export_run  # noqa: PLC0415
    from logger.recording.new_file import refuse_to_overwrite  # noqa: PLC0415
    from logger.recording.run import open_run  # noqa: PLC0415

    words = {
        "format": form,
        "units": units,
        "values": values,
        "every": every,
        "zone": zone,
        "from": from_,
        "to": to,
        "channels": channels,
        "interpolate": "yes" if interpolate else None,
        "raw": "yes" if raw else None,
    }
    asked = read_asked({k: v for k, v in words.items() if v is not None}, path=out)
    refuse_to_overwrite(out, kind="an export")
    opened = open_run(run)
    check_stretch(opened, asked)
    signal.signal(signal.SIGTERM, _end)
    with ExportProgress() as progress:
        result = None
        if not raw:
            progress.doing("analysing the run")
            result = _result(opened)
        progress.doing(f"writing {out.name}")
        exported = export_run(opened, result, out, asked, on_share=progress.share)
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
        typer.echo(
            "`slewtrace import` takes it back" + (f" with --start-utc {start}" if start else "")
        )


def _result(opened: Any) -> dict[str, Any]:
    from dashboard.results import analyse  # noqa: PLC0415 - scipy and the whole analysis

    return analyse(opened)


def _end(_signal: int, _frame: FrameType | None) -> None:
    # As after Ctrl-C: what is half written goes away.
    raise SystemExit(143)
