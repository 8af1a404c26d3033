"""Notes that are added to a run after it was sealed: beside it, dated, never changed.

A sealed run is not altered, so what someone notes while looking at it later goes into a file of
its own, ``<run>.notes.jsonl``: one line of JSON a note, only ever added to. Each says what moment
of the run it is about, when it was written, and by whom where that was told.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from dashboard.sidecar_lines import add_line, one_line, read_lines, short_name, written_utc
from logger.errors import BadInput

_LAST_S = 9e9
"""Nanoseconds in 64 bits reach no further, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaterNote:
    """One such note.

    Attributes:
        t_s: what moment of the run it is about, s.
        written_utc: when it was written, ISO 8601.
        by: who wrote it; empty where nobody said.
        text: the words.
    """

    t_s: float
    written_utc: str
    by: str
    text: str


def notes_path(run: Path) -> Path:
    """Where the notes about a run lie."""
    return run.with_name(f"{run.stem}.notes.jsonl")


def read_later_notes(run: Path) -> tuple[LaterNote, ...]:
    """The notes about a run as they were written, one after the other; other lines are left out."""
    found = map(_note, read_lines(notes_path(run)))
    return tuple(note for note in found if note is not None)


def add_later_note(
    run: Path, *, t_s: float, text: str, by: str = "", now: datetime | None = None
) -> LaterNote:
    """Adds a note; it is on the disk when this returns.

    Args:
        run: the run's file.
        t_s: what moment it is about, s.
        text: the words.
        by: who writes it.
        now: when; None for now.

    Raises:
        BadInput: where there are no words, too many, no such moment, or the file can't be
            written, or is full.
    """
    if not abs(t_s) <= _LAST_S:
        raise BadInput(where="note", what=f"is about no moment of the run ({t_s} s)")
    note = LaterNote(
        t_s=t_s,
        written_utc=written_utc(now),
        by=short_name(by),
        text=one_line(text, where="note"),
    )
    would_do = "make the folder writable, or write the note elsewhere"
    add_line(notes_path(run), asdict(note), would_do=would_do)
    return note


def _note(told: dict[str, Any]) -> LaterNote | None:
    try:
        t_s = float(told["t_s"])
        if not abs(t_s) <= _LAST_S:
            return None
        return LaterNote(
            t_s=t_s,
            written_utc=str(told["written_utc"]),
            by=str(told.get("by", "")),
            text=str(told["text"]),
        )
    except (ValueError, KeyError, TypeError, OverflowError):
        return None
