"""The journal: what a recorder keeps while it runs, so that a crash loses nothing it claimed.

One SQLite file in WAL mode with ``synchronous=FULL``: when ``commit`` returns, everything
added before is on the disk, and a process that is killed or a mains plug that is pulled a
moment later can't undo it. Samples go in as blocks, a row each, with little-endian arrays:
plain ones, since differences would save a quarter of the bytes and cost 15 µs a block more
(measured). Each block carries a CRC-32 (zlib's), because SQLite would not notice a flipped bit.

Rows are gathered in memory and written in one short transaction, so another process may read
all the time and add a note in between. After a failed write or sync nothing may be retried:
Linux marks pages clean after a failed sync, and a second try would claim what is not there
(Rebello et al., USENIX ATC 2020). The journal then refuses all further work.
"""

from __future__ import annotations

import json
import math
import sqlite3
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import msgspec
import numpy as np

from logger.errors import BadInput, StorageFailed
from logger.readings.block import Nanoseconds, Values
from logger.readings.pack import ClockPair
from logger.recording.header import Gap, Note, RunHeader, canonical_json
from logger.recording.new_file import refuse_to_overwrite, sync_folder

RUN_CLOCK = "run"
"""Clock id of times that are on the run's clock already."""

APPLICATION_ID = 0x534C4A31
"""SQLite's mark of whose file this is."""

JOURNAL_VERSION = 1
_PAGE_BYTES = 4096
_PAGES_IN_WAL = 4096
"""Checkpoint after 16 MiB: a third less CPU time than after 4 MiB (measured)."""

_WAIT_S = 5.0
"""How long a commit waits for another process that adds a note."""

_TABLES = """
CREATE TABLE header (id INTEGER PRIMARY KEY CHECK (id = 1), json TEXT NOT NULL);
CREATE TABLE blocks (id INTEGER PRIMARY KEY, channel TEXT NOT NULL, clock TEXT NOT NULL,
    first_ns INTEGER NOT NULL, count INTEGER NOT NULL, crc INTEGER NOT NULL,
    times BLOB NOT NULL, value BLOB NOT NULL);
CREATE TABLE pairs (id INTEGER PRIMARY KEY, clock TEXT NOT NULL, device_ns INTEGER NOT NULL,
    arrival_ns INTEGER NOT NULL, wire_ns INTEGER NOT NULL);
CREATE TABLE wall_pairs (id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, utc_ns INTEGER NOT NULL);
CREATE TABLE notes (id INTEGER PRIMARY KEY, json TEXT NOT NULL);
CREATE TABLE gaps (id INTEGER PRIMARY KEY, json TEXT NOT NULL);
CREATE TABLE alarms (id INTEGER PRIMARY KEY, json TEXT NOT NULL);
"""
_INSERTS = {
    "blocks": "INSERT INTO blocks VALUES (NULL, ?, ?, ?, ?, ?, ?, ?)",
    "pairs": "INSERT INTO pairs VALUES (NULL, ?, ?, ?, ?)",
    "wall_pairs": "INSERT INTO wall_pairs VALUES (NULL, ?, ?)",
    "notes": "INSERT INTO notes VALUES (NULL, ?)",
    "gaps": "INSERT INTO gaps VALUES (NULL, ?)",
    "alarms": "INSERT INTO alarms VALUES (NULL, ?)",
}


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


def block_crc(*, channel: str, clock: str, times: bytes, value: bytes) -> int:
    """CRC-32 (zlib's) over channel, clock and both arrays of a block."""
    return zlib.crc32(value, zlib.crc32(times, zlib.crc32(f"{channel}\0{clock}\0".encode())))


class Journal:
    """A journal that is being written; made by :meth:`create`. One thread at a time.

    Attributes:
        path: the file.
        samples: how many samples are durable.
    """

    def __init__(self, *, path: Path, header: RunHeader, connection: sqlite3.Connection) -> None:
        self.path = path
        self.samples = 0
        self._channels = {c.id for c in header.rig.channel}
        self._connection = connection
        self._waiting: dict[str, list[tuple[Any, ...]]] = {table: [] for table in _INSERTS}
        self._waiting_samples = 0
        self._failure = ""

    @classmethod
    def create(cls, path: Path, header: RunHeader) -> Journal:
        """Makes a journal that holds its header; both are durable when this returns.

        Args:
            path: the ``.journal`` file to make.
            header: what is known at the start.

        Raises:
            BadInput: where a journal or its sealed run is there already, or no folder.
            StorageFailed: where the disk refuses.
        """
        refuse_to_overwrite(path)
        refuse_to_overwrite(path.with_suffix(".parquet"))
        text = canonical_json(header.to_json())
        try:
            connection = _connect(path)
            connection.execute(f"PRAGMA page_size={_PAGE_BYTES}")
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version={JOURNAL_VERSION}")
            connection.executescript(f"BEGIN IMMEDIATE; {_TABLES}")
            connection.execute("INSERT INTO header VALUES (1, ?)", (text,))
            connection.execute("COMMIT")
            sync_folder(path.parent)
        except (sqlite3.Error, OSError) as exc:
            raise StorageFailed(f"{path}: the journal can't be made ({exc})") from exc
        return cls(path=path, header=header, connection=connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def append(self, blocks: Iterable[ClockedBlock]) -> None:
        """Adds samples; durable after the next commit.

        Raises:
            ValueError: for a channel that the rig file does not have.
            StorageFailed: where the journal failed before.
        """
        for block in blocks:
            if block.channel not in self._channels:
                raise ValueError(f"no channel {block.channel!r} in the rig file")
            if len(block):
                self._add("blocks", _block_row(block))
                self._waiting_samples += len(block)

    def add_pairs(self, clock: str, pairs: Iterable[ClockPair]) -> None:
        """Adds moments on a device's clock and on the run's."""
        for pair in pairs:
            self._add("pairs", (clock, pair.device_ns, pair.arrival_ns, pair.wire_ns))

    def add_wall_pair(self, t_ns: int, utc_ns: int) -> None:
        """Adds a moment on the run's clock and in UTC (ns since 1970)."""
        self._add("wall_pairs", (t_ns, utc_ns))

    def add_note(self, note: Note) -> None:
        """Adds what a person noted."""
        self._add("notes", (_json_of(note),))

    def add_gap(self, gap: Gap) -> None:
        """Adds a stretch in which readings are missing."""
        self._add("gaps", (_json_of(gap),))

    def add_alarm(self, alarm: Mapping[str, Any]) -> None:
        """Adds an alarm as it was given; a number that JSON has no word for becomes null."""
        self._add("alarms", (canonical_json(_plain(alarm)),))

    def commit(self) -> None:
        """Makes everything added so far durable: it is when this returns.

        Raises:
            StorageFailed: where the disk refuses; nothing since the last commit is claimed, and
                the journal must not be used further.
        """
        self._refuse_after_failure()
        if not any(self._waiting.values()):
            return
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            for table, rows in self._waiting.items():
                if rows:
                    self._connection.executemany(_INSERTS[table], rows)
            self._connection.execute("COMMIT")
            self.samples += self._waiting_samples
            self._forget_waiting()
            self._checkpoint()
        except (sqlite3.Error, OSError) as exc:
            self._failure = str(exc)
            raise StorageFailed(
                f"{self.path}: the disk refused ({exc}); {self.samples} samples are kept"
            ) from exc

    def close(self) -> None:
        """Closes the file. What was not committed is not kept."""
        self._connection.close()

    def _add(self, table: str, row: tuple[Any, ...]) -> None:
        self._refuse_after_failure()
        self._waiting[table].append(row)

    def _refuse_after_failure(self) -> None:
        if self._failure:
            raise StorageFailed(f"{self.path}: failed before ({self._failure}); begin a new run")

    def _forget_waiting(self) -> None:
        self._waiting_samples = 0
        for rows in self._waiting.values():
            rows.clear()

    def _checkpoint(self) -> None:
        # SQLite's own checkpoints hide a failed sync from the one who commits.
        wal = self.path.with_name(f"{self.path.name}-wal")
        if wal.stat().st_size > _PAGES_IN_WAL * _PAGE_BYTES:
            self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()


def add_note(path: Path, note: Note) -> None:
    """Adds a note to a journal that another process may be writing; durable on return.

    Raises:
        BadInput: where there is no such journal.
        StorageFailed: where the disk refuses.
    """
    if not path.is_file():
        raise BadInput(where=str(path), what="is no journal of a run that is being recorded")
    try:
        connection = _connect(path)
        try:
            connection.execute("PRAGMA synchronous=FULL")
            (mark,) = connection.execute("PRAGMA application_id").fetchone()
            if mark != APPLICATION_ID:
                raise BadInput(where=str(path), what="is no journal")
            connection.execute("BEGIN IMMEDIATE")
            connection.execute(_INSERTS["notes"], (_json_of(note),))
            connection.execute("COMMIT")
        finally:
            connection.close()
    except sqlite3.Error as exc:
        raise StorageFailed(f"{path}: the note could not be added ({exc})") from exc


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(
        path, timeout=_WAIT_S, isolation_level=None, check_same_thread=False
    )
    connection.execute("PRAGMA wal_autocheckpoint=0")
    return connection


def _block_row(block: ClockedBlock) -> tuple[Any, ...]:
    times = np.ascontiguousarray(block.t_ns, dtype="<i8").tobytes()
    value = np.ascontiguousarray(block.value, dtype="<f8").tobytes()
    crc = block_crc(channel=block.channel, clock=block.clock, times=times, value=value)
    return block.channel, block.clock, int(block.t_ns[0]), len(block), crc, times, value


def _json_of(value: Note | Gap) -> str:
    return json.dumps(_plain(msgspec.to_builtins(value)), ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    """A value as JSON can hold it: numpy's numbers as Python's, NaN and infinity as null."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
