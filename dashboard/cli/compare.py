"""``slewtrace compare``."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated

import typer

from logger.cli.options import JsonOption, read_option
from logger.errors import BadInput
from logger.readings.quantity import Kind


def compare_command(
    runs: Annotated[
        list[Path] | None, typer.Argument(help="Sealed runs (.parquet) of one truck.")
    ] = None,
    *,
    against: Annotated[
        str | None,
        typer.Option("--against", help="The run that others are compared with; the first else."),
    ] = None,
    limit: Annotated[
        str | None,
        typer.Option(
            "--limit", help='Practical limit of a difference between first lifts, "2 deg".'
        ),
    ] = None,
    exclude: Annotated[
        list[str] | None,
        typer.Option("--exclude", help='RUN="reason": set it aside; kept beside the run.'),
    ] = None,
    include: Annotated[
        list[str] | None,
        typer.Option("--include", help='RUN or RUN="reason": take it back; kept as well.'),
    ] = None,
    by: Annotated[str, typer.Option("--by", help="Who sets aside or takes back.")] = "",
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Also runs of other trucks, cranes or plans.")
    ] = False,
    table: Annotated[
        Path | None,
        typer.Option("--table", help="In place of runs: a CSV with item,group,value."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Put repeat tests of one truck side by side, with the statistics of what repeats.

    Exit code 1 only with --limit: where the first lifts are not shown to agree within it.

    Example: slewtrace compare runs/monday.parquet runs/friday.parquet --limit "2 deg"

    Example: slewtrace compare --table values.csv --json
    """
    if table is not None:
        given = {
            "RUN": runs,
            "--against": against,
            "--limit": limit,
            "--exclude": exclude,
            "--include": include,
        }
        _compare_table(table, [name for name, value in given.items() if value], as_json=as_json)
        return
    # numpy, pyarrow and scipy come in with these, which --help need not wait for.
    from dashboard.cli.compare_text import print_comparison  # noqa: PLC0415
    from dashboard.comparing import compare_files  # noqa: PLC0415
    from dashboard.repeats.run_comparison import Asked  # noqa: PLC0415

    paths = list(runs or ())
    limit_deg = None if limit is None else _limit_deg(limit)
    ids = _ids_of(paths)
    asked = Asked(
        against=_id_of(against, ids, option="--against") if against else "",
        limit_deg=limit_deg,
        anyway=anyway,
    )
    _decide(ids, exclude or (), include or (), by)
    document = compare_files(paths, asked)
    if as_json:
        typer.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))
    else:
        print_comparison(document)
    if document["within_limit"] is False:
        raise typer.Exit(1)


def _compare_table(path: Path, given: Sequence[str], *, as_json: bool) -> None:
    """Statistics of a table; nothing about runs goes with it."""
    if given:
        raise BadInput(
            where="--table",
            what=f"does not go with {given[0]}",
            would_do="compare runs, or give a table",
        )
    from dashboard.cli.compare_text import print_statistics  # noqa: PLC0415 - scipy
    from dashboard.cli.measurement_table import read_measurements  # noqa: PLC0415 - numpy
    from dashboard.repeats.table_statistics import table_statistics  # noqa: PLC0415 - scipy

    document = table_statistics(read_measurements(path))
    if as_json:
        typer.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))
    else:
        print_statistics(document)


def _limit_deg(text: str) -> float:
    would_do = 'an angle above 0 with its unit, such as "2 deg"'
    limit_deg = read_option(text, Kind.ANGLE, option="--limit", would_do=would_do)
    if limit_deg <= 0:
        raise BadInput(where="--limit", what=f"{text!r} won't do", would_do=would_do)
    return limit_deg


def _ids_of(paths: Sequence[Path]) -> dict[str, Path]:
    """The runs by their ids."""
    from logger.recording.run import open_run  # noqa: PLC0415 - pyarrow

    return {open_run(path).header.run_id: path for path in paths}


def _id_of(named: str, ids: dict[str, Path], *, option: str) -> str:
    """The id of a run that is named by id, file or file's name.

    Raises:
        BadInput: where it is none of the runs.
    """
    for run_id, path in ids.items():
        if named in (run_id, str(path), path.name):
            return run_id
    raise BadInput(
        where=f"{option} {named}",
        what="is none of the runs that are compared",
        would_do=f"one of {', '.join(list(ids)[:6]) or 'the runs named before'}",
    )


def _decide(ids: dict[str, Path], exclude: Sequence[str], include: Sequence[str], by: str) -> None:
    """Keeps who sets a run aside or takes it back; nothing is kept where one can't be."""
    from dashboard.exclusions import decide  # noqa: PLC0415 - only where it is asked for

    asked = [
        *_decisions(ids, exclude, option="--exclude"),
        *_decisions(ids, include, option="--include"),
    ]
    for path, excluded, reason in asked:
        decide(path, excluded=excluded, reason=reason, by=by)


def _decisions(
    ids: dict[str, Path], told: Sequence[str], *, option: str
) -> Iterator[tuple[Path, bool, str]]:
    from dashboard.exclusions import TAKEN_BACK  # noqa: PLC0415 - only where it is asked for

    excluded = option == "--exclude"
    for text in told:
        named, reason = _named_and_reason(ids, text)
        if excluded and not reason:
            raise BadInput(
                where=f"--exclude {text}",
                what="gives no reason",
                would_do='write RUN="why it is left out"',
            )
        run_id = _id_of(named, ids, option=option)
        yield ids[run_id], excluded, reason or TAKEN_BACK


def _named_and_reason(ids: dict[str, Path], text: str) -> tuple[str, str]:
    """The run's name and the reason after it; a file's name may itself hold the sign between."""
    names = [name for run_id, path in ids.items() for name in (run_id, str(path), path.name)]
    known = [name for name in names if text == name or text.startswith(f"{name}=")]
    named = max(known, key=len) if known else text.partition("=")[0]
    return named, text[len(named) + 1 :].strip()
