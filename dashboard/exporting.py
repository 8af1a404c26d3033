"""A run exported: what was asked for, put together from its readings and its result."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from dashboard.export_request import Asked, Values
from dashboard.export_tables import document_of, fact_tables
from dashboard.figures.units import Measure, Units
from logger.errors import BadInput
from logger.readings.quantity import Kind
from logger.readings.rig_file import Channel
from logger.recording.corrections import corrections_document
from logger.recording.export.channel_pieces import WHEEL_UNIT, ExportedChannel
from logger.recording.export.export import (
    Form,
    Selection,
    make_export,
    write_export,
    write_raw,
)
from logger.recording.export.tables import Cell, Export, Piece, ReadingTable
from logger.recording.export.wall_time import WallTime, read_start
from logger.recording.run import Run
from logger.software import software_name

OnShare = Callable[[float], None]
_ROWS_OF_SHEET_AT_A_TIME = 4096
"""A workbook's rows are written cell by cell: as many take about half a second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What was written.

    Attributes:
        paths: the files.
        rows: rows of readings in them.
        rule: how the readings' times came about.
    """

    paths: tuple[Path, ...]
    rows: int
    rule: str


def export_run(
    run: Run,
    result: Mapping[str, Any] | None,
    path: Path,
    asked: Asked,
    *,
    on_share: OnShare | None = None,
) -> Exported:
    """Writes a run for another program.

    Args:
        run: the run.
        result: its result; None leaves it out.
        path: the file to make.
        asked: what is wanted.
        on_share: told how much of the readings is written, 0 to 1.

    Raises:
        BadInput: where something that was asked for can't be had; nothing is left behind.
        RunUnreadable: where the samples are damaged; nothing is left behind.
        StorageFailed: where the disk refuses; nothing is left behind.
    """
    check_stretch(run, asked)
    selection = Selection(
        channels=tuple(_exported(c, asked) for c in _chosen(run, asked.channels)),
        stretch=asked.stretch,
        every_ns=asked.every_ns,
        on_a_line=asked.on_a_line,
    )
    wall = WallTime(
        start_utc_ns=read_start(run.header.started_utc),
        clock_rate=run.header.clock_rate,
        zone=asked.zone,
    )
    if asked.bare:
        bare = _telling(make_export(run, selection, wall=wall), asked.form, on_share)
        return Exported(paths=write_raw(path, bare, run), rows=bare.rows, rule=selection.rule)
    facts = _facts(run, result, selection, asked, wall)
    tables = fact_tables(run, result, selection.channels, facts, units=asked.units)
    about = {
        "facts": facts,
        "tables": document_of(tables),
        "result": result,
        "rig_toml": run.header.rig_toml,
        "test_toml": run.header.test_toml,
        "load_chart_csv": run.header.load_chart_csv,
        "check": run.header.check,
        "corrections": corrections_document(run.corrections),
    }
    export = make_export(run, selection, wall=wall, facts=tables, about=about)
    paths = write_export(path, _telling(export, asked.form, on_share), asked.form)
    return Exported(paths=paths, rows=export.rows, rule=selection.rule)


def check_stretch(run: Run, asked: Asked) -> None:
    """Refuses a stretch that lies beside the run.

    Raises:
        BadInput: naming the end at fault, and what the run has.
    """
    first_ns, last_ns = run.span_ns
    start_ns, end_ns = asked.stretch.start_ns, asked.stretch.end_ns
    would_do = f"it has readings from {first_ns / 1e9:.1f} s to {last_ns / 1e9:.1f} s"
    if start_ns is not None and start_ns > last_ns:
        what = f"{start_ns / 1e9:g} s is beyond the run's end"
        raise BadInput(where="from", what=what, would_do=would_do)
    if end_ns is not None and end_ns <= first_ns:
        what = f"{end_ns / 1e9:g} s is before the run's first reading"
        raise BadInput(where="to", what=what, would_do=would_do)


def _telling(export: Export, form: Form, on_share: OnShare | None) -> Export:
    """An export that tells how much of it was taken up by its writer."""
    if on_share is None:
        return export
    written = _Written(
        rows=sum(t.rows * _passes(t, form) for t in export.readings), on_share=on_share
    )
    tables = tuple(written.telling(t, in_small=form == "xlsx") for t in export.readings)
    return replace(export, readings=tables)


def _passes(table: ReadingTable, form: Form) -> int:
    """How often a format reads a table: a MAT file is written column by column."""
    return 3 + len(table.columns) if form == "mat" else 1


class _Written:
    """Counts the rows that a writer is done with."""

    def __init__(self, *, rows: int, on_share: OnShare) -> None:
        self._rows = max(1, rows)
        self._done = 0
        self._on_share = on_share

    def telling(self, table: ReadingTable, *, in_small: bool) -> ReadingTable:
        def pieces() -> Iterator[Piece]:
            for piece in table.pieces():
                for part in _small(piece) if in_small else (piece,):
                    yield part  # and when the next is asked for, this one is written
                    self._done += part.t_ns.size
                    self._on_share(self._done / self._rows)

        return replace(table, pieces=pieces)


def _small(piece: Piece) -> Iterator[Piece]:
    for start in range(0, piece.t_ns.size, _ROWS_OF_SHEET_AT_A_TIME):
        part = slice(start, start + _ROWS_OF_SHEET_AT_A_TIME)
        yield Piece(t_ns=piece.t_ns[part], values=tuple(v[part] for v in piece.values))


def _chosen(run: Run, channels: Sequence[str]) -> list[Channel]:
    known = {c.id: c for c in run.header.rig.channel if c.id in run.channels}
    unknown = next((c for c in channels if c not in known), None)
    if unknown is not None:
        raise BadInput(
            where="channels",
            what=f"the run has no readings of {unknown[:60]!r}",
            would_do=f"name some of {', '.join(known)}",
        )
    return [known[c] for c in dict.fromkeys(channels)] or list(known.values())


def _exported(wired: Channel, asked: Asked) -> ExportedChannel:
    usual: Values = "both" if asked.every_ns is None else "calibrated"
    values = "raw" if asked.bare else asked.values or usual
    unit, si_in_one = _unit(wired, asked.units)
    return ExportedChannel(
        wired=wired,
        unit=unit,
        si_in_one=si_in_one,
        calibrated=values != "raw",
        raw=values != "calibrated",
    )


def _unit(wired: Channel, units: Units) -> tuple[str, float]:
    if wired.is_wheel:
        return WHEEL_UNIT, 1.0
    measures: dict[Kind, Measure] = {
        Kind.MASS: units.mass,
        Kind.LENGTH: units.length,
        Kind.SPEED: units.speed,
        Kind.MOMENT: units.moment,
    }
    measure = measures.get(wired.kind)
    return (str(wired.kind), 1.0) if measure is None else (measure.unit, measure.si_in_one)


def _facts(
    run: Run,
    result: Mapping[str, Any] | None,
    selection: Selection,
    asked: Asked,
    wall: WallTime,
) -> dict[str, Cell]:
    header, stretch = run.header, selection.stretch
    first_ns, last_ns = run.span_ns
    facts: dict[str, Cell] = {
        "run": header.run_id,
        "truck": header.test.truck.id,
        "crane": header.test.crane.id,
        "test": header.test.test.id,
        "operator": header.test.test.operator,
        "sha256 of the recording": header.sha256,
        "recorded by": header.software,
        "exported by": software_name(),
        "start (UTC)": header.started_utc or "not known",
        "run seconds in a second": header.clock_rate,
        "zone of local times": wall.zone_words,
        "units": asked.units.words,
        "times": selection.rule,
        "from (s)": (first_ns if stretch.start_ns is None else stretch.start_ns) / 1e9,
        "to (s)": (last_ns if stretch.end_ns is None else stretch.end_ns) / 1e9,
        "end": "the last reading belongs to it"
        if stretch.end_ns is None
        else "readings before it belong to it",
        "load": "as the cell feels it; what hangs above the cell is not in it",
        "corrections of calibrations": len(run.corrections),
    }
    if result is not None:
        facts |= {
            "verdict": result["verdict"]["standing"],
            "verdict in words": result["verdict"]["text"],
            "method version": result["method_version"],
            "decision rule": asked.units.sentence(result["decision_rule"]),
            "caution": " ".join(result["cautions"]),
        }
    return facts
