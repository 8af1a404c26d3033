"""Notes that are added to a run after it was sealed: beside it, dated, never changed.

A sealed run is not altered, so what someone notes while looking at it later goes into a file of
its own, ``<run>.notes.jsonl``: one line of JSON a note, only ever added to. Each says what moment
of the run it is about, when it was written, and by whom where that was told.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from logger.errors import BadInput

LONGEST_TEXT = 2_000
LONGEST_NAME = 120
LARGEST_BYTES = 4 * 1024 * 1024


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
    path = notes_path(run)
    try:
        if path.stat().st_size > LARGEST_BYTES:
            return ()
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ()
    return tuple(note for note in map(_note, lines) if note is not None)


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
        BadInput: where there are no words, too many, or the file can't be written.
    """
    words = " ".join(text.split())
    if not words or len(words) > LONGEST_TEXT:
        raise BadInput(
            where="note",
            what="has no words" if not words else f"has {len(words)} characters",
            would_do=f"write 1 to {LONGEST_TEXT}",
        )
    written = (now or datetime.now(UTC)).astimezone(UTC)
    note = LaterNote(
        t_s=t_s,
        written_utc=written.strftime("%Y-%m-%dT%H:%M:%SZ"),
        by=" ".join(by.split())[:LONGEST_NAME],
        text=words,
    )
    line = json.dumps(
        {"t_s": note.t_s, "written_utc": note.written_utc, "by": note.by, "text": note.text},
        ensure_ascii=False,
    )
    path = notes_path(run)
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(line + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as exc:
        raise BadInput(
            where=str(path),
            what=f"can't be written ({exc.strerror})",
            would_do="make the folder writable, or write the note elsewhere",
        ) from exc
    return note


def _note(line: str) -> LaterNote | None:
    try:
        told = json.loads(line)
        return LaterNote(
            t_s=float(told["t_s"]),
            written_utc=str(told["written_utc"]),
            by=str(told.get("by", "")),
            text=str(told["text"]),
        )
    except (ValueError, KeyError, TypeError):
        return None
