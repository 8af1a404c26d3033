"""``slewtrace fleet``."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.capacity.method_version import METHOD_VERSION
from logger.cli.options import JsonOption
from logger.errors import BadInput

if TYPE_CHECKING:
    from dashboard.catalogue.building import Built, Told
    from dashboard.fleet.fleet import Fleet

FORMAT = "slewtrace.fleet/1"
_SHOWN = 10
"""Files set aside that a person is shown; JSON has them all."""


def fleet_command(
    runs: Annotated[str, typer.Argument(help="Folder of sealed runs, or URL of a bucket.")],
    *,
    catalogue: Annotated[
        str | None,
        typer.Option("-o", "--out", help="Where the catalogue lies; .slewtrace by the runs else."),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, max=512, help="Processes; one a core by default."),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", help="tcp://… of a dask scheduler, in place of --workers."),
    ] = None,
    compact: Annotated[
        str | None,
        typer.Option("--compact", help="Also pack the runs' samples into large files there."),
    ] = None,
    pack_mb: Annotated[
        float, typer.Option("--pack-mb", min=0.01, help="Size of a pack, MB; 128 to 512 is usual.")
    ] = 256,
    take_out: Annotated[
        str | None,
        typer.Option("--take-out", help="Seal the run of this id anew from --compact, as -o FILE."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Analyse a folder or bucket of runs and keep a catalogue: a row a run, a row a sector.

    Only new and changed runs are analysed. A file that can't be analysed is set aside with its
    reason and stops nothing. Broken off, it goes on where it was the next time. Workers of
    --scheduler must find the runs under the same name, and it takes no password: use it in a
    network that you trust.

    --compact PACKS keeps the samples of many small runs in few large Parquet files, sorted by
    truck, test and time; the runs stay as they are. slewtrace fleet runs --compact PACKS
    --take-out ID -o RUN.parquet gives one back as it was sealed.

    Example: slewtrace fleet runs --workers 2
    """
    from dashboard.fleet.fleet import fleet_of  # noqa: PLC0415 - pulls in pyarrow

    if take_out is not None:
        _take_out(take_out, packs=compact, out=catalogue)
        return
    fleet = fleet_of(runs, catalogue=catalogue, count=workers, scheduler=scheduler)
    with _progress("analysing runs") as told:
        built = fleet.build(told)
    document = _document(fleet, built)
    if compact is not None:
        document["packs"] = _pack(fleet, compact, pack_mb)
    if as_json:
        typer.echo(json.dumps(document, ensure_ascii=False, indent=2))
    else:
        typer.echo(_text(document))


def _pack(fleet: Fleet, compact: str, pack_mb: float) -> dict[str, Any]:
    from dashboard.catalogue.places import place_of  # noqa: PLC0415 - pulls in pyarrow

    with _progress("packing runs") as told:
        packed = fleet.pack(place_of(compact), pack_bytes=pack_mb * 1e6, told=told)
    return {
        "folder": compact,
        "runs": packed.runs,
        "packs": packed.packs,
        "packed": packed.packed,
        "refused": [{"path": path, "reason": why} for path, why in packed.refused.items()],
    }


def _take_out(run_id: str, *, packs: str | None, out: str | None) -> None:
    from dashboard.catalogue.places import place_of  # noqa: PLC0415 - pulls in pyarrow
    from dashboard.fleet.packing import take_run_out  # noqa: PLC0415

    if packs is None or out is None:
        raise BadInput(
            where="--take-out",
            what="needs the packs and a file to make",
            would_do="add --compact PACKS and -o RUN.parquet",
        )
    take_run_out(place_of(packs), run_id, Path(out))
    typer.echo(out)


def _document(fleet: Fleet, built: Built) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "method_version": METHOD_VERSION,
        "folder": fleet.runs.words,
        "catalogue": fleet.catalogue.words,
        "runs": built.runs,
        "sectors": built.sectors,
        "looked_at": built.looked_at,
        "analysed": built.analysed,
        "removed": built.removed,
        "set_aside": [{"path": path, "reason": why} for path, why in built.set_aside.items()],
    }


def _text(document: dict[str, Any]) -> str:
    aside = document["set_aside"]
    held = f"{document['runs']} runs with {document['sectors']} sectors"
    lines = [
        f"{held} in the catalogue {document['catalogue']}",
        f"{document['analysed']} analysed now, {document['removed']} gone, {len(aside)} set aside",
    ]
    lines += [_printable(f"  {a['path']}: {a['reason']}") for a in aside[:_SHOWN]]
    if len(aside) > _SHOWN:
        lines.append(f"  and {len(aside) - _SHOWN} more; --json lists them all")
    if "packs" in document:
        packs = document["packs"]
        lines.append(
            f"{packs['runs']} runs in {packs['packs']} packs in {packs['folder']}, "
            f"{packs['packed']} packed now"
        )
        lines += [_printable(f"  not packed: {r['reason']}") for r in packs["refused"][:_SHOWN]]
    return "\n".join(lines)


def _printable(line: str) -> str:
    """A file's name may hold anything; a terminal gets what it can show."""
    return "".join(c if c.isprintable() else "�" for c in line)


@contextmanager
def _progress(what: str) -> Iterator[Told]:
    """A line on standard error that says how far it is, from the first task on."""
    with ExitStack() as shown:
        lines: list[Told] = []

        def told(done: int, of: int) -> None:
            if not lines:
                lines.append(shown.enter_context(_progress_line(what)))
            lines[0](done, of)

        yield told


@contextmanager
def _progress_line(what: str) -> Iterator[Told]:
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import (  # noqa: PLC0415
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        line = progress.add_task(what)
        yield lambda done, of: progress.update(line, completed=done, total=of)
