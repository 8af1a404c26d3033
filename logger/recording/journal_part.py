"""One part of a run's journal, while it is being written.

A part is one SQLite file in WAL mode with ``synchronous=FULL``: when a write returns, its rows
are on the disk, and a process that is killed or a mains plug that is pulled a moment later
can't undo it. After a failed write or sync nothing may be retried in the same file: Linux marks
pages clean after a failed sync, and a second try would claim what is not there (Rebello et al.,
USENIX ATC 2020). Such a part is left as it stands, with its log.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Mapping
from pathlib import Path

import msgspec

from logger.errors import StorageFailed
from logger.recording.header import Note
from logger.recording.journal import (
    APPLICATION_ID,
    INSERTS,
    JOURNAL_VERSION,
    NUMBERED,
    TABLES,
    Row,
    connect,
)
from logger.recording.new_file import file_identity, sync_folder
from logger.recording.parts import log_of, remove_part

_PAGE_BYTES = 4096
_ROW_BYTES = 64
"""About what a row takes beside its arrays."""

_LONG_LOG_BYTES = 4096 * _PAGE_BYTES
"""Checkpoint after 16 MiB: a third less CPU time than after 4 MiB (measured)."""


class JournalPart:
    """A part that is being written; made by :meth:`create`. One thread at a time.

    Attributes:
        path: the file.
        number: which part of the run it is, from 1.
        has_rows: whether any row of it was acknowledged.
    """

    def __init__(self, *, path: Path, number: int, connection: sqlite3.Connection) -> None:
        self.path = path
        self.number = number
        self.has_rows = False
        self._connection = connection
        self._log = log_of(path)
        self._identity = file_identity(path)
        self._log_identity = file_identity(self._log)
        self._unshortened_bytes = 0
        self._seen_version: int | None = None
        self._seen_note = 0

    @classmethod
    def create(
        cls, path: Path, *, header_json: str, number: int, firsts: Mapping[str, int]
    ) -> JournalPart:
        """Makes a part that holds the run's header; it is durable when this returns.

        Args:
            path: the file to make; whether the name is free is the caller's concern.
            header_json: the run's header.
            number: which part it is.
            firsts: number of the first row that may come, for each table.

        Raises:
            StorageFailed: where the disk refuses; nothing half-made stays.
        """
        connection = None
        try:
            connection = connect(path)
            connection.execute(f"PRAGMA page_size={_PAGE_BYTES}")
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")
            connection.executescript(f"BEGIN IMMEDIATE; {TABLES}")
            connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version={JOURNAL_VERSION}")
            connection.execute("INSERT INTO header VALUES (1, ?)", (header_json,))
            connection.execute(
                "INSERT INTO part VALUES (1, ?, ?, ?, ?, ?, ?, ?, 0)",
                (number, *(firsts[table] for table in NUMBERED)),
            )
            connection.execute("COMMIT")
            sync_folder(path.parent)
            return cls(path=path, number=number, connection=connection)
        except (sqlite3.Error, OSError) as exc:
            with contextlib.suppress(sqlite3.Error, OSError):
                if connection is not None:
                    connection.close()
                remove_part(path)
            raise StorageFailed(f"{path}: the journal can't be made ({exc})") from exc

    @property
    def bytes_on_disk(self) -> int:
        """Size of the file and its log."""
        return _size(self.path) + _size(self._log)

    @property
    def is_in_place(self) -> bool:
        """Whether its name still leads to the file that is written; also where nobody can say."""
        return _is_still(self.path, self._identity)

    @property
    def has_lost_log(self) -> bool:
        """Whether the log was removed or replaced while the file is in place."""
        return not _is_still(self._log, self._log_identity) and self.is_in_place

    def write(self, waiting: Mapping[str, list[Row]]) -> None:
        """Writes rows in one transaction: durable when this returns.

        Raises:
            sqlite3.Error: where the disk refuses; then nothing may be written here any more.
        """
        self._connection.execute("BEGIN IMMEDIATE")
        for table, rows in waiting.items():
            if rows:
                self._connection.executemany(INSERTS[table], rows)
        self._connection.execute("COMMIT")
        self.has_rows = True
        self._unshortened_bytes += _log_bytes(waiting)

    def shorten_log(self) -> None:
        """Brings the log's rows into the file itself where the log has grown long.

        Raises:
            sqlite3.Error: where the disk refuses; the log still holds every row.
        """
        # SQLite's own checkpoints hide a failed sync from the one who writes. The file of the
        # log stays long: SQLite writes over it from its start, which syncs faster.
        if self._unshortened_bytes > _LONG_LOG_BYTES:
            self._unshortened_bytes = 0
            self._checkpoint()

    def new_notes(self) -> list[Note]:
        """Notes that others have added since the last call.

        Raises:
            sqlite3.Error: where they can't be read.
        """
        (version,) = self._connection.execute("PRAGMA data_version").fetchone()
        if version == self._seen_version:
            return []
        found = self._connection.execute(
            "SELECT id, json FROM notes WHERE own IS NULL AND id > ? ORDER BY id",
            (self._seen_note,),
        ).fetchall()
        self._seen_version = version
        notes = []
        for row, text in found:
            self._seen_note = row
            with contextlib.suppress(ValueError, TypeError):
                notes.append(msgspec.json.decode(text, type=Note))
        return notes

    @property
    def has_foreign_notes(self) -> bool:
        """Whether :meth:`new_notes` has ever given one."""
        return self._seen_note > 0

    def close_whole(self) -> list[Note]:
        """Closes the part once a newer one is there, and notes in it that this is so.

        Returns:
            The last notes that others have added; from now on they find the newer part.

        Raises:
            sqlite3.Error: where its rows could not be brought from the log into the file; the
                log keeps them.
        """
        try:
            # Whoever adds a note looks for a newer part while holding this same lock.
            self._connection.execute("BEGIN IMMEDIATE")
            notes = self.new_notes()
            self._connection.execute("UPDATE part SET followed = 1")
            self._connection.execute("COMMIT")
            self._checkpoint()
        except BaseException:
            self.abandon()
            raise
        self._connection.close()
        return notes

    def abandon(self) -> None:
        """Closes the part and leaves file and log as they are."""
        with contextlib.suppress(sqlite3.Error):
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
        if not self.is_in_place:
            self._connection.close()  # SQLite touches no file that has taken this one's name
            return
        try:
            # The last connection to close brings the log into the file and removes it, unless
            # it may only read.
            last = connect(self.path, mode="ro")
        except sqlite3.Error:
            self._connection.close()
            return
        with contextlib.suppress(sqlite3.Error):
            last.execute("SELECT 1 FROM sqlite_master").fetchone()
        self._connection.close()
        last.close()

    def close(self) -> None:
        """Closes the part; its rows go from the log into the file where the disk lets them."""
        self._connection.close()

    def _checkpoint(self) -> None:
        self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()


def _log_bytes(waiting: Mapping[str, list[Row]]) -> int:
    """About how much the log grows by these rows: whole pages, at least one a table."""
    touched = sum(bool(rows) for rows in waiting.values())
    arrays: int = sum(16 * row[4] for row in waiting["blocks"])
    rows = sum(len(rows) for rows in waiting.values())
    return (touched + 1) * _PAGE_BYTES + arrays + _ROW_BYTES * rows


def _is_still(path: Path, identity: tuple[int, int]) -> bool:
    try:
        return file_identity(path) == identity
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True  # a disk that refuses is told by the next write


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
