"""Writing an export: which format, from what part of a run, as a file that is whole or absent.

The readings come from the run; what goes with them (result, events, facts) is handed in, since
results are made elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from logger.errors import BadInput
from logger.recording.export.channel_pieces import (
    WHOLE_RUN,
    ExportedChannel,
    Stretch,
    native_table,
)
from logger.recording.export.common_times import LAST_RULE, LINE_RULE, common_table
from logger.recording.export.csv_table import write_about, write_csv
from logger.recording.export.mat_file import write_mat
from logger.recording.export.parquet_table import write_parquet
from logger.recording.export.raw_table import write_raw_table
from logger.recording.export.tables import Export, FactTable
from logger.recording.export.wall_time import WallTime
from logger.recording.export.xlsx_book import write_xlsx
from logger.recording.new_file import whole_file
from logger.recording.run import Run

Form = Literal["csv", "xlsx", "mat", "parquet"]
FORMS: tuple[Form, ...] = get_args(Form)
FORMAT = "slewtrace.export/1"
NATIVE_RULE = "each channel at its own times, every reading as it was recorded"
_KIND = "an export"
_WRITERS = {"xlsx": write_xlsx, "mat": write_mat, "parquet": write_parquet}


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """What part of a run is written.

    Attributes:
        channels: what is written of each, and how.
        stretch: from when to when.
        every_ns: interval of common times, ns; None for each channel's own times.
        on_a_line: whether values at common times are worked out between readings.
    """

    channels: tuple[ExportedChannel, ...]
    stretch: Stretch = WHOLE_RUN
    every_ns: int | None = None
    on_a_line: bool = False

    @property
    def rule(self) -> str:
        """How the readings' times came about."""
        if self.every_ns is None:
            return NATIVE_RULE
        return f"every {self.every_ns / 1e9:g} s {LINE_RULE if self.on_a_line else LAST_RULE}"


def form_of(path: Path, asked: str | None) -> Form:
    """The format that was asked for, or that a file's name ends in.

    Raises:
        BadInput: where neither says one.
    """
    name = (asked or path.suffix.removeprefix(".")).lower()
    form = next((f for f in FORMS if f == name), None)
    if form is None:
        raise BadInput(
            where="--format" if asked else str(path),
            what=f"{name!r} is no format of an export" if name else "has no ending",
            would_do=f"take one of {', '.join(FORMS)}",
        )
    return form


def make_export(
    run: Run,
    selection: Selection,
    *,
    wall: WallTime,
    facts: Sequence[FactTable] = (),
    about: Mapping[str, Any] | None = None,
) -> Export:
    """All that is written of a run.

    Args:
        run: the run.
        selection: what part of it.
        wall: how its times become times of day.
        facts: tables that go with the readings.
        about: the same and more as a JSON object.

    Raises:
        BadInput: where there would be more than can be held.
        RunUnreadable: where the samples are damaged.
    """
    together = selection.every_ns is not None
    if selection.every_ns is None:
        tables = [native_table(run, c, selection.stretch) for c in selection.channels]
    else:
        tables = [
            common_table(
                run,
                selection.channels,
                selection.stretch,
                every_ns=selection.every_ns,
                on_a_line=selection.on_a_line,
            )
        ]
    return Export(
        readings=tuple(tables),
        together=together,
        wall=wall,
        facts=tuple(facts),
        about={"format": FORMAT, "run_id": run.header.run_id} | dict(about or {}),
    )


def write_export(path: Path, export: Export, form: Form) -> tuple[Path, ...]:
    """Writes an export.

    Args:
        path: the file to make.
        export: what is written.
        form: the format.

    Returns:
        The files that were made; CSV has a second one with all that is no reading.

    Raises:
        BadInput: where a name is taken, or the format can't hold so much.
        RunUnreadable: where the samples are damaged; nothing is left behind.
        StorageFailed: where the disk refuses; nothing is left behind.
    """
    if form == "csv":
        beside = about_path(path)
        with whole_file(beside, kind=_KIND) as about, whole_file(path, kind=_KIND) as table:
            write_about(about, export)
            write_csv(table, export)
        return path, beside
    with whole_file(path, kind=_KIND) as partial:
        _WRITERS[form](partial, export)
    return (path,)


def write_raw(path: Path, export: Export, run: Run) -> tuple[Path, ...]:
    """Writes the bare table that ``slewtrace import`` takes back.

    Args:
        path: the file to make.
        export: channels at their own times, raw values only.
        run: the run.

    Raises:
        BadInput: where the name is taken, or a value can't stand in such a table.
        RunUnreadable: where the samples are damaged.
        StorageFailed: where the disk refuses.
    """
    with whole_file(path, kind=_KIND) as partial:
        write_raw_table(partial, export, run)
    return (path,)


def about_path(path: Path) -> Path:
    """Where all that is no reading stands beside a CSV file: ``a.csv`` has ``a.about.json``."""
    return path.with_name(f"{path.stem}.about.json")
