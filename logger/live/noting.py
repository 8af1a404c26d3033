"""A note from another terminal into the run that is being recorded.

The note's moment is on the run's clock. The recorder and the one who notes share a computer,
so they share its monotonic clock, whatever the wall clock does in the meantime. The note is on
the disk before anyone is told that it was noted.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from logger.errors import BadInput
from logger.live.live_recordings import LiveRecording, recording_to_note
from logger.operating_system import steady_ns
from logger.recording.header import Note, NoteKind, RunHeader
from logger.recording.journal import add_note
from logger.recording.journal_reading import JournalReader
from logger.recording.parts import parts_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """What was noted, and where.

    Attributes:
        recording: the run.
        note: the note, durable.
    """

    recording: LiveRecording
    note: Note


def take_note(
    kind: NoteKind,
    *,
    text: str = "",
    value_m: float | None = None,
    run: Path | None = None,
    at_s: float | None = None,
) -> Noted:
    """Adds a note to the run that is being recorded; durable on return.

    Args:
        kind: what it is.
        text: the words.
        value_m: the radius read from the tape, m; None for other kinds.
        run: a part of the run's journal, or its folder; None for the only one recorded here.
        at_s: the moment it is of, s since the run's start; None for now.

    Raises:
        BadInput: where there is no such run, or that moment has not come; in one line.
        StorageFailed: where the disk refuses.
    """
    recording = recording_to_note(run)
    journal = Path(recording.journal)
    t_ns = _now_ns(journal)
    if at_s is not None:
        if not 0 <= at_s <= t_ns * 1e-9:
            raise BadInput(
                where="--at",
                what=f"{at_s:g} s is outside the run",
                would_do=f"it has gone on for {t_ns * 1e-9:.1f} s",
            )
        t_ns = round(at_s * 1e9)
    note = Note(t_ns=t_ns, kind=kind, text=text, value_m=value_m)
    add_note(journal, note)
    return Noted(recording=recording, note=note)


def _now_ns(journal: Path) -> int:
    """The present on a run's clock, ns."""
    monotonic_ns, utc_ns = steady_ns(), time.time_ns()
    with JournalReader(journal) as reader:
        header = reader.header()
    pairs: tuple[tuple[int, int], ...] = ()
    if header.monotonic_start_ns is None:
        with JournalReader(parts_of(journal)[-1][1]) as reader:
            pairs = reader.wall_pairs()
    return moment_ns(header, pairs[-1:], monotonic_ns=monotonic_ns, utc_ns=utc_ns)


def moment_ns(
    header: RunHeader,
    latest_pair: tuple[tuple[int, int], ...],
    *,
    monotonic_ns: int,
    utc_ns: int,
) -> int:
    """A moment of this computer on a run's clock, ns.

    Args:
        header: of the run.
        latest_pair: (ns on the run's clock, ns of UTC since 1970) lately, where there is one.
        monotonic_ns: the moment on this computer's monotonic clock.
        utc_ns: the same moment on its wall clock, ns since 1970.

    Raises:
        BadInput: where nothing ties the run's clock to one of this computer's.
    """
    if header.monotonic_start_ns is not None:
        return max(0, round((monotonic_ns - header.monotonic_start_ns) * header.clock_rate))
    for t_ns, then_utc_ns in latest_pair:
        return t_ns + max(0, round((utc_ns - then_utc_ns) * header.clock_rate))
    raise BadInput(where=header.run_id, what="nothing ties its clock to this computer's yet")
