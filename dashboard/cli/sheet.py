"""``slewtrace sheet``."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from logger.errors import BadInput


def sheet_command(
    run: Annotated[Path, typer.Argument(help="A sealed run (.parquet).")],
    out: Annotated[Path, typer.Option("-o", "--out", help="Write the sheet to this .pdf.")],
    *,
    units: Annotated[
        Literal["si", "us"], typer.Option("--units", help="Units that are printed.")
    ] = "si",
    paper: Annotated[
        Literal["a4", "letter"], typer.Option("--paper", help="Size of the paper.")
    ] = "a4",
    part: Annotated[
        Literal["record", "placard", "both"], typer.Option("--part", help="What is printed.")
    ] = "both",
    record: Annotated[
        Path | None,
        typer.Option(
            "--record",
            help="What the run leaves open, as [record] in TOML; RUN.record.toml by default.",
        ),
    ] = None,
) -> None:
    """Print the record of a test, and the placard for the truck, as PDF.

    What no sensor tells (laboratory, customer, ground …) stands in [record] of the test file, or
    is added later in a file beside the run. What nobody states is printed as "n/a, because …".
    Exit code 1 where the run proves nothing: the placard then forbids lifting.

    Example: slewtrace sheet recordings/lifts-both-sides.parquet -o sheet.pdf --paper letter
    """
    # pyarrow, numpy and the compiler come in with these, which --help need not wait for.
    from dashboard.capacity.result import proves_something  # noqa: PLC0415
    from dashboard.sheet.gathered import gather_dossier, read_later  # noqa: PLC0415
    from dashboard.sheet.sheet import make_sheet  # noqa: PLC0415
    from logger.recording.run import open_run  # noqa: PLC0415

    _check_pdf(out)
    dossier = gather_dossier(
        open_run(run),
        units=units,
        issued=datetime.now(UTC).date().isoformat(),
        later=read_later(run, record),
    )
    _write(out, make_sheet(dossier, paper=paper, part=part))
    typer.echo(f"printed: {out}", err=True)
    if not proves_something(dossier.result):
        raise typer.Exit(1)


def _check_pdf(path: Path) -> None:
    if path.suffix.lower() != ".pdf":
        raise BadInput(
            where="-o", what=f"{str(path)!r} won't do", would_do="a name that ends in .pdf"
        )
    if not path.parent.is_dir():
        raise BadInput(
            where=f"-o {path}", what=f"there is no folder {path.parent}", would_do="make it first"
        )


def _write(path: Path, pdf: bytes) -> None:
    try:
        path.write_bytes(pdf)
    except OSError as exc:
        raise BadInput(
            where=f"-o {path}",
            what=f"can't be written ({exc.strerror})",
            would_do="name a file in a folder that you may write to",
        ) from exc
