"""The tables that go with exported readings: facts, sectors, lifts, holds, findings, events.

Every number is in the units that were asked for, its unit in the row below the column's name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard.figures.units import Units
from dashboard.provenance import equation
from logger.recording.export.channel_pieces import ExportedChannel
from logger.recording.export.tables import Cell, Column, FactTable
from logger.recording.run import Run

Result = Mapping[str, Any]
_Listed = tuple[str, "tuple[_Field, ...]", Iterable[Mapping[str, Any]]]
"""A table's name, columns and rows as a document has them."""
_MASS, _LENGTH, _MOMENT = "kg", "m", "N·m"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    """One column: its name, the key in a document, the SI unit there."""

    name: str
    key: str
    unit: str = ""


def _field(name: str, key: str, unit: str = "") -> _Field:
    return _Field(name=name, key=key, unit=unit)


_SECTORS = (
    _field("side", "side"),
    _field("from", "from_deg", "deg"),
    _field("to", "to_deg", "deg"),
    _field("rating", "percent", "%"),
    _field("basis", "basis"),
    _field("least proved moment", "least_proved_nm", _MOMENT),
    _field("least proved share", "least_proved_percent", "%"),
)
_LIFTS = (
    _field("sweep", "sweep"),
    _field("side", "side"),
    _field("first", "first"),
    _field("wheel", "wheel"),
    _field("t", "t_s", "s"),
    _field("slew", "slew_deg", "deg"),
    _field("slew low", "slew_low_deg", "deg"),
    _field("slew high", "slew_high_deg", "deg"),
    _field("estimate", "estimate_deg", "deg"),
    _field("standard uncertainty", "u_slew_deg", "deg"),
)
_HOLDS = (
    _field("sweep", "sweep"),
    _field("side", "side"),
    _field("from", "from_deg", "deg"),
    _field("to", "to_deg", "deg"),
    _field("start", "start_s", "s"),
    _field("end", "end_s", "s"),
    _field("load", "load_kg", _MASS),
    _field("load u", "u_load_kg", _MASS),
    _field("radius", "radius_m", _LENGTH),
    _field("radius u", "u_radius_m", _LENGTH),
    _field("radius by", "radius_by"),
    _field("moment", "moment_nm", _MOMENT),
    _field("moment u", "u_moment_nm", _MOMENT),
    _field("proved moment", "proved_moment_nm", _MOMENT),
    _field("proved share", "proved_percent", "%"),
)
_RADIUS_CHANGES = (
    _field("sweep", "sweep"),
    _field("side", "side"),
    _field("t", "t_s", "s"),
    _field("slew", "slew_deg", "deg"),
    _field("from", "from_m", _LENGTH),
    _field("to", "to_m", _LENGTH),
    _field("by", "by"),
    _field("set down", "set_down"),
)
_FINDINGS = (
    _field("severity", "severity"),
    _field("code", "code"),
    _field("t", "t_s", "s"),
    _field("text", "text"),
    _field("what to do", "what_to_do"),
)
_EVENTS = (
    _field("t", "t_s", "s"),
    _field("event", "event"),
    _field("of", "of"),
    _field("state", "state"),
    _field("slew", "slew_deg", "deg"),
    _field("load", "load"),
    _field("text", "text"),
)
_NOTES = (
    _field("t", "t_s", "s"),
    _field("kind", "kind"),
    _field("radius", "value_m", _LENGTH),
    _field("text", "text"),
)
_GAPS = (
    _field("t", "t_s", "s"),
    _field("source", "source"),
    _field("kind", "kind"),
    _field("missing", "missing"),
    _field("lasted", "duration_s", "s"),
    _field("text", "text"),
)
_CORRECTIONS = (
    _field("made", "made_utc", "ISO 8601"),
    _field("channel", "channel"),
    _field("by", "by"),
    _field("reason", "reason"),
    _field("unit", "unit"),
    _field("coefficients", "coefficients"),
    _field("reference", "reference"),
    _field("sha256", "sha256"),
)
_CHANNELS = (
    _field("channel", "channel"),
    _field("unit", "unit"),
    _field("source", "source"),
    _field("samples", "samples"),
    _field("calibration", "equation"),
    _field("standard uncertainty", "u"),
)


def fact_tables(
    run: Run,
    result: Result | None,
    channels: Sequence[ExportedChannel],
    facts: Mapping[str, Cell],
    *,
    units: Units,
) -> tuple[FactTable, ...]:
    """All tables that go with a run's readings.

    Args:
        run: the run.
        result: its result; None where there is none.
        channels: the channels that are written.
        facts: single facts by name.
        units: the units to write in.
    """
    listed: list[_Listed] = [("channels", _CHANNELS, [_channel(run, c) for c in channels])]
    listed += _of_result(result) if result is not None else []
    listed += [
        ("events", _EVENTS, [_event(e) for e in run.header.alarms]),
        (
            "notes",
            _NOTES,
            [{"t_s": n.t_ns / 1e9, **_plain(n, "kind", "value_m", "text")} for n in run.notes],
        ),
        ("gaps", _GAPS, [_gap(g) for g in run.gaps]),
    ]
    names = (Column(name="fact"), Column(name="value"))
    return (
        FactTable(name="run", columns=names, rows=tuple(facts.items())),
        *(_table(name, fields, rows, units) for name, fields, rows in listed),
    )


def document_of(tables: Iterable[FactTable]) -> dict[str, Any]:
    """Tables as JSON: names and units of the columns, and the rows."""
    return {
        t.name: {
            "columns": [c.name for c in t.columns],
            "units": [c.unit for c in t.columns],
            "rows": [list(row) for row in t.rows],
        }
        for t in tables
    }


def _of_result(result: Result) -> list[_Listed]:
    sweeps = list(enumerate(result["sweeps"], start=1))
    return [
        ("sectors", _SECTORS, list(result["sectors"])),
        ("lifts", _LIFTS, [row for n, s in sweeps for row in _lifts(n, s)]),
        ("holds", _HOLDS, [_in_sweep(n, s, h) for n, s in sweeps for h in s["holds"]]),
        (
            "radius changes",
            _RADIUS_CHANGES,
            [_in_sweep(n, s, c) for n, s in sweeps for c in s["radius_changes"]],
        ),
        ("findings", _FINDINGS, list(result["findings"])),
        ("corrections", _CORRECTIONS, list(result["corrections"])),
    ]


def _table(
    name: str, fields: tuple[_Field, ...], rows: Iterable[Mapping[str, Any]], units: Units
) -> FactTable:
    columns = tuple(Column(name=f.name, unit=_unit(f, units)) for f in fields)
    written = [_writer(f, units) for f in fields]
    cells = tuple(tuple(w(row) for w in written) for row in rows)
    return FactTable(name=name, columns=columns, rows=cells)


def _unit(field: _Field, units: Units) -> str:
    found = units.measure_of(field.unit)
    return field.unit if found is None else found[0].unit


def _writer(field: _Field, units: Units) -> Callable[[Mapping[str, Any]], Cell]:
    found = units.measure_of(field.unit)

    def write(row: Mapping[str, Any]) -> Cell:
        cell = row.get(field.key)
        if isinstance(cell, list | tuple | dict):
            return ", ".join(map(str, cell))
        if isinstance(cell, str):
            return units.sentence(cell) if field.key in ("text", "what_to_do") else cell
        if cell is None or found is None:
            return cell
        measure, size = found
        return measure.of(cell * size)

    return write


def _lifts(number: int, sweep: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    for first, lift in ((True, sweep["first_lift"]), *((False, lift) for lift in sweep["lifts"])):
        if lift is not None:
            yield {**_in_sweep(number, sweep, lift), "first": first}


def _in_sweep(number: int, sweep: Mapping[str, Any], row: Mapping[str, Any]) -> dict[str, Any]:
    return {**row, "sweep": number, "side": sweep["side"]}


def _channel(run: Run, channel: ExportedChannel) -> dict[str, Any]:
    wired = channel.wired
    return {
        "channel": wired.id,
        "unit": channel.unit,
        "source": wired.source,
        "samples": run.header.samples.get(wired.id, 0),
        "equation": equation(wired),
        "u": wired.u,
    }


def _event(event: Mapping[str, Any]) -> dict[str, Any]:
    of = next((event[k] for k in ("wheel", "channel", "condition", "source") if k in event), None)
    plain = {k: v for k, v in event.items() if v is None or isinstance(v, str | int | float)}
    return plain | {"of": of if isinstance(of, str) else None}


def _gap(gap: Any) -> dict[str, Any]:
    lasted = None if gap.duration_ns is None else gap.duration_ns / 1e9
    words = _plain(gap, "source", "kind", "missing", "text")
    return {"t_s": gap.t_ns / 1e9, "duration_s": lasted, **words}


def _plain(value: Any, *names: str) -> dict[str, Any]:
    return {name: getattr(value, name) for name in names}
