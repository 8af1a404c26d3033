"""From a run to all that its sheet is made of."""

from __future__ import annotations

from pathlib import Path

from dashboard.figures.sectors_of_result import Result
from dashboard.figures.units import UnitsName, units_of
from dashboard.later_notes import read_later_notes
from dashboard.load_charts import chart_of
from dashboard.results import analyse
from dashboard.run_readings import read_readings
from dashboard.sheet.dossier import Dossier
from dashboard.sheet.stated import stated
from logger.cli.options import read_text
from logger.readings.record_table import LaterRecord, read_record
from logger.recording.run import Run

_SUFFIX = ".record.toml"


def later_path(run: Path) -> Path:
    """Where what a run leaves open may be written: beside it, ``RUN.record.toml``."""
    return run.with_suffix(_SUFFIX)


def read_later(run: Path, named: Path | None = None) -> tuple[str, LaterRecord] | None:
    """What was stated after a run was sealed.

    Args:
        run: the sealed run.
        named: the file to read; None for the one beside the run, where there is one.

    Returns:
        The file's name and what it states; None where there is none.

    Raises:
        FileInvalid: where it can't be used.
    """
    path = named or later_path(run)
    if named is None and not path.exists():
        return None
    return str(path), read_record(read_text(path), name=str(path))


def gather_dossier(
    run: Run,
    *,
    units: UnitsName,
    issued: str,
    later: tuple[str, LaterRecord] | None = None,
    result: Result | None = None,
) -> Dossier:
    """All that a sheet is made of.

    Args:
        run: the sealed run.
        units: in which quantities are written.
        issued: day of issue, ISO 8601.
        later: name and content of a file with what the run leaves open.
        result: the run's result, where it is known already.

    Raises:
        RunUnreadable: where the samples are damaged.
        FileInvalid: where the later file says otherwise than the run.
    """
    name, added = later or ("", None)
    statements = stated(run.header.test, added, name=name)
    return Dossier(
        run=run,
        result=analyse(run) if result is None else result,
        readings=read_readings(run),
        chart=chart_of(run),
        stated=statements,
        units=units_of(units),
        issued=issued,
        later_notes=read_later_notes(run.path),
    )
