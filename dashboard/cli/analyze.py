"""``slewtrace analyze``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from dashboard.capacity.result import proves_something
from logger.cli.options import JsonOption


def analyze_command(
    run: Annotated[Path, typer.Argument(help="A sealed run (.parquet).")],
    *,
    as_json: JsonOption = False,
) -> None:
    """Find lifts, holds and radius changes in a run and compute its capacity sectors.

    Exit code 1 where the run proves nothing at all.

    Example: slewtrace analyze recordings/both-sides.parquet
    """
    from dashboard.results import analyse  # noqa: PLC0415 - pulls in pyarrow
    from logger.recording.run import open_run  # noqa: PLC0415

    result = analyse(open_run(run))
    if as_json:
        typer.echo(json.dumps(result, ensure_ascii=False, indent=2))
    else:
        from dashboard.result_text import result_text  # noqa: PLC0415

        typer.echo(result_text(result))
    if not proves_something(result):
        raise typer.Exit(1)
