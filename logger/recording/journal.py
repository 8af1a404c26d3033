"""What stands in a journal: tables and rows, and how another process adds a note.

A journal is a SQLite file, or several that follow one another as parts. Samples go in as
blocks, a row each, with little-endian arrays: plain ones, since differences would save a
quarter of the bytes and cost 15 µs a block more (measured). Each block carries a CRC-32
(zlib's), because SQLite would not notice a flipped bit. Rows are numbered over the whole run,
from 1: the number of a block's row is its ``seq``.
"""

from __future__ import annotations

import contextlib
import json
import math
import sqlite3
import time
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from logger.errors import BadInput, StorageFailed
from logger.readings.block import Nanoseconds, Values
from logger.recording.header import Gap, Note
from logger.recording.parts import first_part, partial_path, parts_of, sealed_path

RUN_CLOCK = "run"
"""Clock id of times that are on the run's clock already."""

APPLICATION_ID = 0x534C4A31
"""SQLite's mark of whose file this is."""

JOURNAL_VERSION = 2
"""1: a single file, rows numbered by SQLite, pairs without ``asked_ns``, CRC without ``seq``."""

WAIT_S = 5.0
"""How long a write waits for another process that adds a note."""

_LOOK_AGAIN_S = 0.02

NUMBERED = ("blocks", "pairs", "wall_pairs", "notes", "gaps", "alarms")
"""Tables whose rows are numbered over the run; those of ``notes`` in the column ``own``."""

TABLES = """
CREATE TABLE header (id INTEGER PRIMARY KEY CHECK (id = 1), json TEXT NOT NULL);
CREATE TABLE part (id INTEGER PRIMARY KEY CHECK (id = 1), number INTEGER NOT NULL,
    blocks INTEGER NOT NULL, pairs INTEGER NOT NULL, wall_pairs INTEGER NOT NULL,
    notes INTEGER NOT NULL, gaps INTEGER NOT NULL, alarms INTEGER NOT NULL,
    followed INTEGER NOT NULL DEFAULT 0);
CREATE TABLE blocks (id INTEGER PRIMARY KEY, channel TEXT NOT NULL, clock TEXT NOT NULL,
    first_ns INTEGER NOT NULL, count INTEGER NOT NULL, crc INTEGER NOT NULL,
    times BLOB NOT NULL, value BLOB NOT NULL);
CREATE TABLE pairs (id INTEGER PRIMARY KEY, clock TEXT NOT NULL, device_ns INTEGER NOT NULL,
    arrival_ns INTEGER NOT NULL, wire_ns INTEGER NOT NULL, asked_ns INTEGER);
CREATE TABLE wall_pairs (id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, utc_ns INTEGER NOT NULL);
CREATE TABLE notes (id INTEGER PRIMARY KEY, own INTEGER, json TEXT NOT NULL);
CREATE TABLE gaps (id INTEGER PRIMARY KEY, json TEXT NOT NULL);
CREATE TABLE alarms (id INTEGER PRIMARY KEY, json TEXT NOT NULL);
"""
INSERTS = {
    "blocks": "INSERT INTO blocks VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
    "pairs": "INSERT INTO pairs VALUES (?, ?, ?, ?, ?, ?)",
    "wall_pairs": "INSERT INTO wall_pairs VALUES (?, ?, ?)",
    "notes": "INSERT INTO notes (own, json) VALUES (?, ?)",
    "gaps": "INSERT INTO gaps VALUES (?, ?)",
    "alarms": "INSERT INTO alarms VALUES (?, ?)",
}

Row = tuple[Any, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClockedBlock:
    """Samples of one channel, their times on a clock that may be a device's.

    Attributes:
        channel: id of the channel in the rig file.
        clock: ``run``, or ``<source>#<boot>`` for a device's uptime.
        t_ns: times on that clock, shape (n,), ns; they may fall where packs came late.
        value: raw values, shape (n,).

    Raises:
        ValueError: when the shapes differ.
    """

    channel: str
    clock: str
    t_ns: Nanoseconds
    value: Values

    def __post_init__(self) -> None:
        if self.t_ns.shape != self.value.shape or self.t_ns.ndim != 1:
            raise ValueError(
                f"block of {self.channel}: {self.t_ns.shape} times for {self.value.shape} values"
            )

    def __len__(self) -> int:
        return int(self.t_ns.size)


def block_crc(*, seq: int | None, channel: str, clock: str, times: bytes, value: bytes) -> int:
    """CRC-32 (zlib's) over number, channel, clock and both arrays of a block.

    Args:
        seq: the block's number; None in version 1, where it was not in the CRC.
        channel: its channel.
        clock: its clock.
        times: its times as stored.
        value: its values as stored.
    """
    names = f"{channel}\0{clock}\0" if seq is None else f"{seq}\0{channel}\0{clock}\0"
    return zlib.crc32(value, zlib.crc32(times, zlib.crc32(names.encode())))


def connect(path: Path, *, mode: str = "rwc") -> sqlite3.Connection:
    """A connection that never checkpoints by itself; its mode as in SQLite's URIs."""
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}",
        uri=True,
        timeout=WAIT_S,
        isolation_level=None,
        check_same_thread=False,
    )
    connection.execute("PRAGMA wal_autocheckpoint=0")
    return connection


def block_row(seq: int, block: ClockedBlock) -> Row:
    """A block as the table takes it."""
    times = np.ascontiguousarray(block.t_ns, dtype="<i8").tobytes()
    value = np.ascontiguousarray(block.value, dtype="<f8").tobytes()
    crc = block_crc(seq=seq, channel=block.channel, clock=block.clock, times=times, value=value)
    return seq, block.channel, block.clock, int(block.t_ns[0]), len(block), crc, times, value


def json_of(value: Note | Gap) -> str:
    """A note or gap as the tables take it."""
    return json.dumps(plain(msgspec.to_builtins(value)), ensure_ascii=False, allow_nan=False)


def plain(value: Any) -> Any:
    """A value as JSON can hold it: numpy's numbers as Python's, NaN and infinity as null."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def add_note(path: Path, note: Note) -> None:
    """Adds a note to a run that another process may be recording; durable on return.

    Args:
        path: the run's journal, any part of it.
        note: what to add.

    Raises:
        BadInput: where no such run is being recorded.
        StorageFailed: where the disk refuses.
    """
    first = first_part(path)
    give_up_s = time.monotonic() + WAIT_S
    while not _note_in_newest_part(first, note):
        if time.monotonic() > give_up_s:
            raise StorageFailed(f"{first}: its newest part takes no note")
        time.sleep(_LOOK_AGAIN_S)
    # Whoever seals makes the partial file before the notes are read.
    sealed = sealed_path(first)
    if sealed.exists() or partial_path(sealed).exists():
        raise BadInput(
            where=str(first), what="is being sealed, so the note may not be in the run any more"
        )


def _note_in_newest_part(first: Path, note: Note) -> bool:
    """Whether it could be added; not while the newest part is being made."""
    parts = parts_of(first)
    if not parts or not parts[-1][1].is_file():
        raise BadInput(where=str(first), what="is no journal of a run that is being recorded")
    number, path = parts[-1]
    if path.stat().st_size == 0:
        # SQLite removes the log of an empty file when it opens it.
        if number > 1:
            return False
        raise BadInput(where=str(path), what="is no journal")
    try:
        with contextlib.closing(connect(path, mode="rw")) as connection:
            connection.execute("PRAGMA synchronous=FULL")
            (mark,) = connection.execute("PRAGMA application_id").fetchone()
            if mark != APPLICATION_ID:
                if number > 1 and mark == 0:
                    return False
                raise BadInput(where=str(path), what="is no journal")
            # The recorder makes a new part, then takes this lock and reads the last notes here.
            connection.execute("BEGIN IMMEDIATE")
            if parts_of(first) != parts:
                return False
            connection.execute("INSERT INTO notes (json) VALUES (?)", (json_of(note),))
            connection.execute("COMMIT")
    except sqlite3.Error as exc:
        if parts_of(first) != parts:
            return False
        raise StorageFailed(f"{path}: the note could not be added ({exc})") from exc
    return True
