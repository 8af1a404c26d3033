"""Reading one part of a journal whose recorder may have been killed, and whose file may be damaged.

The file is opened read-only: whatever is wrong with it, the original stays as it was. SQLite
itself drops a transaction that was cut off in the write-ahead log. Beyond that, rows are read
one by one past whatever can't be read, and blocks are held to their CRC. What is missing shows
in the rows' numbers; :mod:`logger.recording.run_reading` counts it over all parts of a run. A
read that the system refuses is no damage of the file: it may succeed the next time, so it stops
the reading and nothing is decided on it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Generator, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import msgspec
import numpy as np

from logger.errors import RunUnreadable, StorageFailed
from logger.readings.block import Nanoseconds, Values
from logger.readings.pack import ClockPair
from logger.recording.header import LARGEST_HEADER_BYTES, Gap, Note, RunHeader, parse_header
from logger.recording.journal import (
    APPLICATION_ID,
    JOURNAL_VERSION,
    NUMBERED,
    ClockedBlock,
    block_crc,
)
from logger.recording.parts import has_log, log_of

_REFUSALS = {
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_NOMEM,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PROTOCOL,
}
"""Primary result codes of SQLite that tell of the system, not of the file."""

_FURTHEST_STEP = 1 << 40
"""Row numbers are looked for this far beyond an unreadable row."""

BlockMark = tuple[str, str, int, int]
"""Of a block: channel, clock, count of samples, first time on that clock, ns."""

_BLOCK = "channel, clock, count, crc, times, value"
_WOULD_DO = "nothing was changed; name a run's journal"
_OBJECTS: dict[str, Any] = {"notes": Note, "gaps": Gap, "alarms": dict[str, Any]}


class NotBegun(RunUnreadable):
    """A journal that holds nothing: its recorder stopped before it had begun."""


class LogAlone(RunUnreadable):
    """An empty file with a log that is not: SQLite would remove that log as soon as it opens it."""


class RefusedPart(RunUnreadable):
    """A file that is none of this program's journals, or one of a newer version."""


class JournalReader:
    """A part of a journal to read; use it in a ``with`` statement.

    Attributes:
        path: the file.
        cut: tables whose end can't be read, so that nobody can count what stood there.

    Raises:
        NotBegun: where nothing was ever kept in it.
        LogAlone: where it is empty and its log is not; neither was opened.
        RefusedPart: for what is no journal, or one of a newer version.
        RunUnreadable: for what can't be read.
        StorageFailed: here and from every method, where the system refuses a read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.cut: set[str] = set()
        _refuse_what_is_no_file(path)
        _refuse_log_of_empty_file(path)
        try:
            self._connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?{_way_to_open(path)}",
                uri=True,
                isolation_level=None,
                check_same_thread=False,
            )
            # Without this SQLite refuses a file that is shorter than it says; nothing is written.
            self._connection.execute("PRAGMA writable_schema=ON")
            self._connection.text_factory = lambda raw: raw.decode(errors="replace")
            try:
                self._version = self._check_kind()
            except BaseException:
                self._connection.close()
                raise
        except sqlite3.Error as exc:
            self._stop_where_refused(exc)
            raise self._unreadable(f"can't be read as a journal ({exc})") from exc

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Closes the file."""
        self._connection.close()

    def header(self) -> RunHeader:
        """The header as it was when the recording began.

        Raises:
            RunUnreadable: where it is damaged.
        """
        try:
            row = self._connection.execute(
                "SELECT json FROM header WHERE id = 1 AND length(json) <= ?",
                (LARGEST_HEADER_BYTES,),
            ).fetchone()
            if row is None or not isinstance(row[0], str):
                raise self._not_begun("holds no run")
            header, _ = parse_header(row[0])
        except sqlite3.Error as exc:
            self._stop_where_refused(exc)
            raise self._unreadable(f"has a header that can't be read ({exc})") from exc
        except ValueError as exc:
            raise self._unreadable(str(exc)) from exc
        return header

    def firsts(self) -> dict[str, int]:
        """For each table the number of the part's first row: all before stood in earlier parts."""
        unknown = dict.fromkeys(NUMBERED, 1)
        if self._version == 1:
            return unknown
        try:
            row = self._connection.execute(
                f"SELECT {', '.join(NUMBERED)} FROM part WHERE id = 1"  # noqa: S608 - our own names
            ).fetchone()
        except sqlite3.Error as exc:
            self._stop_where_refused(exc)
            row = None
        if row is None or not all(isinstance(v, int) and v > 0 for v in row):
            return unknown
        return dict(zip(NUMBERED, row, strict=True))

    def is_followed(self) -> bool:
        """Whether a further part was made whole after this one."""
        if self._version == 1:
            return False
        try:
            row = self._connection.execute("SELECT followed FROM part WHERE id = 1").fetchone()
        except sqlite3.Error as exc:
            self._stop_where_refused(exc)
            row = None
        return row is not None and row[0] == 1

    def blocks(self, after: int = 0) -> Generator[tuple[int, ClockedBlock | None]]:
        """Each block with its number, in order; None for one that is damaged.

        Args:
            after: only blocks with a greater number.
        """
        for seq, *fields in self._rows("blocks", _BLOCK, after=after):
            yield seq, self._block(fields) if self._is_whole(seq, fields) else None

    def block_marks(self) -> Iterator[tuple[int, BlockMark | None]]:
        """Like :meth:`blocks`, each block checked likewise, but only what it is of."""
        for seq, *fields in self._rows("blocks", _BLOCK):
            if not self._is_whole(seq, fields):
                yield seq, None
                continue
            channel, clock, count, _, times, _ = fields
            yield seq, (channel, clock, count, int.from_bytes(times[:8], "little", signed=True))

    def block(self, seq: int) -> ClockedBlock:
        """A block that was whole before.

        Raises:
            RunUnreadable: where it is no longer.
        """
        try:
            fields = self._connection.execute(
                f"SELECT {_BLOCK} FROM blocks WHERE id = ?",  # noqa: S608 - our own names
                (seq,),
            ).fetchone()
        except sqlite3.Error as exc:
            self._stop_where_refused(exc)
            fields = None
        if fields is None or not self._is_whole(seq, fields):
            raise self._unreadable("can't be read twice the same; the disk is failing")
        return self._block(fields)

    def pairs(self, after: int = 0) -> Generator[tuple[int, tuple[str, ClockPair] | None]]:
        """Each (clock, moment on it and on the run's) with its number; None for a damaged one.

        Args:
            after: only pairs with a greater number.
        """
        asked = "NULL" if self._version == 1 else "asked_ns"
        columns = f"clock, device_ns, arrival_ns, wire_ns, {asked}"
        for number, clock, device_ns, arrival_ns, wire_ns, asked_ns in self._rows(
            "pairs", columns, after=after
        ):
            times = (device_ns, arrival_ns, wire_ns, 0 if asked_ns is None else asked_ns)
            if not (isinstance(clock, str) and all(isinstance(t, int) for t in times)):
                yield number, None
                continue
            pair = ClockPair(
                device_ns=device_ns, arrival_ns=arrival_ns, wire_ns=wire_ns, asked_ns=asked_ns
            )
            yield number, (clock, pair)

    def numbered_wall_pairs(self) -> Iterator[tuple[int, tuple[int, int] | None]]:
        """Each (ns on the run's clock, ns of UTC since 1970) with its number; None if damaged."""
        for number, t_ns, utc_ns in self._rows("wall_pairs", "t_ns, utc_ns"):
            whole = isinstance(t_ns, int) and isinstance(utc_ns, int)
            yield number, (t_ns, utc_ns) if whole else None

    def wall_pairs(self) -> tuple[tuple[int, int], ...]:
        """Moments as (ns on the run's clock, ns of UTC since 1970)."""
        return tuple(pair for _, pair in self.numbered_wall_pairs() if pair is not None)

    def objects(self, table: str) -> Iterator[tuple[int, Any]]:
        """Each gap or alarm, or each note, with its number; None for a damaged one."""
        for number, text in self._rows(table, "json"):
            yield number, _object(text, _OBJECTS[table])

    def own_numbers(self) -> dict[int, int]:
        """Numbers over the whole run of the notes that the recorder itself added, by row."""
        if self._version == 1:
            return {}
        return {
            row: own for row, own in self._rows("notes", "own", counted=False) if own is not None
        }

    def _is_whole(self, seq: int, fields: Sequence[Any]) -> bool:
        channel, clock, count, crc, times, value = fields
        if not (
            isinstance(channel, str)
            and isinstance(clock, str)
            and isinstance(times, bytes)
            and isinstance(value, bytes)
            and isinstance(count, int)
            and count > 0
            and len(times) == len(value) == 8 * count
        ):
            return False
        counted = None if self._version == 1 else seq
        return bool(
            crc == block_crc(seq=counted, channel=channel, clock=clock, times=times, value=value)
        )

    def _block(self, fields: Sequence[Any]) -> ClockedBlock:
        channel, clock, _, _, times, value = fields
        t_ns: Nanoseconds = np.frombuffer(times, dtype="<i8")
        values: Values = np.frombuffer(value, dtype="<f8")
        return ClockedBlock(channel=channel, clock=clock, t_ns=t_ns, value=values)

    def _rows(
        self, table: str, columns: str, *, after: int = 0, counted: bool = True
    ) -> Iterator[tuple[Any, ...]]:
        """Rows of a table from the first to the last, past those that can't be read."""
        query = f"SELECT id, {columns} FROM {table} WHERE id >= ? ORDER BY id"  # noqa: S608 - our own names
        wanted = after + 1
        while wanted:
            try:
                for row in _rising(self._connection.execute(query, (wanted,)), wanted):
                    wanted = row[0] + 1
                    yield row
            except sqlite3.DatabaseError as exc:
                self._stop_where_refused(exc)
                wanted = self._next_readable(table, wanted)
                if not wanted and counted:
                    self.cut.add(table)
            else:
                return

    def _next_readable(self, table: str, unreadable: int) -> int:
        """The next row number after one that can't be read; 0 where there is none."""
        query = f"SELECT id FROM {table} WHERE id >= ? ORDER BY id LIMIT 1"  # noqa: S608 - our own names
        step = 1
        while step < _FURTHEST_STEP:
            try:
                found = self._connection.execute(query, (unreadable + step,)).fetchone()
            except sqlite3.DatabaseError as exc:
                self._stop_where_refused(exc)
                found = (0,)
            if found is None:
                break
            if found[0] >= unreadable + step:
                return int(found[0])
            step *= 2
        return 0

    def _check_kind(self) -> int:
        (mark,) = self._connection.execute("PRAGMA application_id").fetchone()
        (version,) = self._connection.execute("PRAGMA user_version").fetchone()
        if mark == 0 and version == 0:
            if self.path.stat().st_size == 0:
                raise self._not_begun("is empty")
            if not self._connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone():
                raise self._not_begun("holds nothing")
        if mark != APPLICATION_ID:
            raise self._refused("is a SQLite file, but no journal")
        if version not in (1, JOURNAL_VERSION):
            raise self._refused(
                f"is of journal version {version} and this program reads {JOURNAL_VERSION}: "
                "use a newer Slewtrace"
            )
        return int(version)

    def _stop_where_refused(self, exc: sqlite3.Error) -> None:
        """Raises StorageFailed where the system refused, and not the file's content."""
        code = getattr(exc, "sqlite_errorcode", None)  # errors of our own have none
        if code is not None and code & 0xFF in _REFUSALS:
            raise StorageFailed(
                f"{self.path}: the disk refused a read ({exc}); nothing was changed; try again, "
                "or copy the journal with all its parts to another disk and recover the copy"
            ) from exc

    def _not_begun(self, what: str) -> NotBegun:
        return NotBegun(
            where=str(self.path),
            what=f"{what}: its recorder stopped before it had begun",
            would_do=f"there is nothing to recover, and nothing was changed{self._hint()}",
        )

    def _hint(self) -> str:
        """What may explain pages without a row: all of a short run stands in the log."""
        if has_log(self.path) or self.path.stat().st_size == 0:
            return ""
        return (
            f"; where it is a copy, its file {log_of(self.path).name} may be missing: "
            "copy it together with its -wal file"
        )

    def _refused(self, what: str) -> RefusedPart:
        return RefusedPart(where=str(self.path), what=what, would_do=_WOULD_DO)

    def _unreadable(self, what: str) -> RunUnreadable:
        return RunUnreadable(where=str(self.path), what=what, would_do=_WOULD_DO)


def _way_to_open(path: Path) -> str:
    """Read-only; with no log beside it nobody writes, and SQLite need not leave files there."""
    return "mode=ro" if log_of(path).exists() else "mode=ro&immutable=1"


def _refuse_log_of_empty_file(path: Path) -> None:
    if path.stat().st_size == 0 and has_log(path):
        log = log_of(path)
        raise LogAlone(
            where=str(path),
            what=f"is empty, and {log.name} beside it holds {log.stat().st_size} bytes",
            would_do="nothing was changed; copy both files again from where they were recorded",
        )


def _refuse_what_is_no_file(path: Path) -> None:
    if path.is_dir():
        raise RunUnreadable(where=str(path), what="is a folder", would_do="name the journal in it")
    if not path.exists():
        raise RunUnreadable(
            where=str(path), what="is not there", would_do="name a run's .journal file"
        )
    if not path.is_file():
        raise RunUnreadable(where=str(path), what="is no file", would_do="name a .journal file")


def _rising(rows: sqlite3.Cursor, wanted: int) -> Iterator[tuple[Any, ...]]:
    """Rows whose numbers rise: a page of zeros gives others, and SQLite does not always notice."""
    for row in rows:
        if row[0] < wanted:
            raise sqlite3.DatabaseError("row numbers that fall")
        wanted = row[0] + 1
        yield row


def _object(text: Any, kind: Any) -> Any:
    try:
        return msgspec.convert(json.loads(text), kind)
    except (ValueError, TypeError, RecursionError):
        return None
