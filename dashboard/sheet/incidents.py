"""What spoke against the test, and what was noted: findings, gaps, alarms, notes, corrections."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dashboard.figures.words import SIGN_OF_SEVERITY, angle_words, clock_words, number_words
from dashboard.sheet.blocks import Heading, Notices, Section, Table, Words
from dashboard.sheet.dossier import Dossier
from dashboard.sheet.written import name_in_words, utc_words
from logger.events.alarm import ACKNOWLEDGED

MOST_LINES = 60
"""Lines of one list on paper; all of them are in the run."""


def findings(dossier: Dossier) -> Section:
    """What an engineer must know before trusting the result."""
    in_units = dossier.units.sentence
    items = tuple(
        {
            "sign": SIGN_OF_SEVERITY[f["severity"]],
            "severity": f["severity"],
            "at": "" if f["t_s"] is None else clock_words(f["t_s"]),
            **{key: in_units(f[key]) for key in ("text", "effect", "what_to_do")},
        }
        for f in dossier.result["findings"]
    )
    none = "None: nothing was found that speaks against the test."
    return Section(title="Findings", blocks=(Notices(items=items, empty=none),))


def incidents(dossier: Dossier) -> Section:
    """Missing readings, alarms as they were given, notes, and later calibrations."""
    header = dossier.header
    return Section(
        title="Gaps, alarms, notes, corrections",
        blocks=(
            Heading(text="Gaps: readings that are known to be missing"),
            *_listed(_gaps(dossier), len(header.gaps)),
            Heading(text="Alarms, as they were given"),
            *_listed(_alarms(dossier), sum(1 for _ in _spoken(header.alarms))),
            Heading(text="Notes"),
            *_listed(_notes(dossier), len(header.notes)),
            *_added(dossier),
            Heading(text="Corrections laid over the sealed run"),
            _corrections(dossier),
        ),
    )


def _listed(table: Table, count: int) -> Iterator[Table | Words]:
    yield table
    if count > len(table.rows):
        left_out = count - len(table.rows)
        yield Words(text=f"{left_out} more are not printed; all of them are in the run.")


def _gaps(dossier: Dossier) -> Table:
    return Table(
        head=("at", "source", "what", "how many", "how long", "details"),
        rows=tuple(
            (
                clock_words(gap.t_ns / 1e9),
                name_in_words(gap.source),
                gap.kind.replace("_", " "),
                "—" if gap.missing is None else str(gap.missing),
                "—"
                if gap.duration_ns is None
                else number_words(gap.duration_ns / 1e9, "s", digits=2),
                gap.text or "—",
            )
            for gap in dossier.header.gaps[:MOST_LINES]
        ),
        widths=(0, 0, 0, 0, 0, 1),
        numbers=(0, 3, 4),
        empty="None.",
    )


def _spoken(alarms: tuple[dict[str, Any], ...]) -> Iterator[dict[str, Any]]:
    """Alarms, and silent channels; lifts stand in a table of their own."""
    return (a for a in alarms if a.get("event") != "wheel_lift" and a.get("event") != "gap")


def _alarms(dossier: Dossier) -> Table:
    rows = [
        (
            clock_words(a["t_s"]) if isinstance(a.get("t_s"), int | float) else "—",
            _state(a),
            str(a.get("text") or a.get("channel") or a.get("condition") or "—"),
            _acknowledged(a),
        )
        for a in _spoken(dossier.header.alarms)
    ]
    return Table(
        head=("at", "state", "what was told", "acknowledged"),
        rows=tuple(rows[:MOST_LINES]),
        widths=(0, 0, 1, 0),
        numbers=(0,),
        empty="None was given.",
    )


def _state(alarm: dict[str, Any]) -> str:
    if alarm.get("event") == "alarm" and alarm.get("active") is False:
        return "over"
    return str(alarm.get("state", alarm.get("event", "—")))


def _acknowledged(alarm: dict[str, Any]) -> str:
    """Whether a person acknowledged it: the recorder also calls acknowledged what needs nobody."""
    if alarm.get("event") != "alarm":
        return "—"
    if not alarm.get("acknowledged"):
        return "not yet"
    return "yes" if str(alarm.get("text", "")).endswith(ACKNOWLEDGED) else "not needed"


def _notes(dossier: Dossier) -> Table:
    length = dossier.units.length
    return Table(
        head=("at", "boom at", "kind", "note"),
        rows=tuple(
            (
                clock_words(note.t_ns / 1e9),
                angle_words(dossier.readings.slew_at(note.t_ns)),
                "radius by tape" if note.kind == "radius" else note.kind,
                " ".join(
                    filter(
                        None,
                        (
                            ""
                            if note.value_m is None
                            else length.words(note.value_m, digits=_tape_digits(dossier)),
                            note.text,
                        ),
                    )
                )
                or "—",
            )
            for note in dossier.header.notes[:MOST_LINES]
        ),
        widths=(0, 0, 0, 1),
        numbers=(0,),
        empty="None was made.",
    )


def _added(dossier: Dossier) -> Iterator[Heading | Table | Words]:
    """Notes that came after the run was sealed; nothing where there are none."""
    notes = dossier.later_notes
    if not notes:
        return
    yield Heading(text="Notes added after the run was sealed")
    table = Table(
        head=("about", "written", "by", "note"),
        rows=tuple(
            (
                clock_words(note.t_s),
                utc_words(note.written_utc),
                note.by or "not told",
                note.text,
            )
            for note in notes[:MOST_LINES]
        ),
        widths=(0, 0, 0.5, 1),
        numbers=(0,),
    )
    yield from _listed(table, len(notes))


def _tape_digits(dossier: Dossier) -> int:
    return 3 if dossier.units.name == "si" else 2


def _corrections(dossier: Dossier) -> Table:
    return Table(
        head=("made", "channel", "by", "why", "value = Σ dᵢ · rawⁱ", "against"),
        rows=tuple(
            (
                utc_words(c["made_utc"]),
                c["channel"],
                name_in_words(c["by"]),
                c["reason"],
                f"{', '.join(f'{d:g}' for d in c['coefficients'])} ({c['unit']})",
                c["reference"] or "—",
            )
            for c in dossier.result.get("corrections", ())
        ),
        widths=(0, 0, 1, 2, 1.4, 1.4),
        empty="None: the run is evaluated with the calibrations that it was recorded with.",
    )
