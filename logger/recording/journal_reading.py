"""Reading a journal whose recorder may have been killed, and whose file may be damaged.

The journal is opened read-only: whatever is wrong with it, the original stays as it was.
SQLite itself drops a transaction that was cut off in the write-ahead log. Beyond that, rows
are read one by one past whatever can't be read, blocks are held to their CRC, and what is
missing is counted.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import msgspec
import numpy as np

from logger.errors import RunUnreadable
from logger.readings.block import Nanoseconds, Values
from logger.recording.header import LARGEST_HEADER_BYTES, Gap, Note, RunHeader, parse_header
from logger.recording.journal import APPLICATION_ID, JOURNAL_VERSION, block_crc

_FURTHEST_STEP = 1 << 40
"""Row numbers are looked for this far beyond an unreadable row."""


@dataclass(slots=True, kw_only=True)
class Damage:
    """What could not be read.

    Attributes:
        blocks: blocks of samples that are known to be missing or wrong.
        rows: rows of other tables.
        cut: whether there may be more that nobody can count.
    """

    blocks: int = 0
    rows: int = 0
    cut: bool = False

    def __bool__(self) -> bool:
        return bool(self.blocks or self.rows or self.cut)

    def __str__(self) -> str:
        text = f"{self.blocks} blocks of samples and {self.rows} other rows can't be read"
        return f"{text}; the file is cut, so there may have been more" if self.cut else text


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockPlace:
    """Where a block stands: its row, its clock and how many samples it should have."""

    row: int
    clock: str
    count: int


class JournalReader:
    """A journal to read; use it in a ``with`` statement.

    Attributes:
        path: the file.
        damage: what could not be read so far.

    Raises:
        RunUnreadable: for what is no journal, or one of a newer version.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.damage = Damage()
        _refuse_what_is_no_file(path)
        try:
            self._connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?{_way_to_open(path)}", uri=True, isolation_level=None
            )
            # Without this SQLite refuses a file that is shorter than it says; nothing is written.
            self._connection.execute("PRAGMA writable_schema=ON")
            self._connection.text_factory = lambda raw: raw.decode(errors="replace")
            try:
                self._check_kind()
            except BaseException:
                self._connection.close()
                raise
        except sqlite3.Error as exc:
            raise self._unreadable(f"can't be read as a journal ({exc})") from exc

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
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
                raise self._unreadable("holds no run: its recorder stopped before it had begun")
            header, _ = parse_header(row[0])
        except sqlite3.Error as exc:
            raise self._unreadable(f"has a header that can't be read ({exc})") from exc
        except ValueError as exc:
            raise self._unreadable(str(exc)) from exc
        return header

    def places(self) -> dict[str, list[BlockPlace]]:
        """Where each channel's whole blocks stand, in the order in which they were recorded.

        Reads every block and holds it to its CRC; those that fail are counted as damage.
        """
        places: dict[str, list[BlockPlace]] = {}
        last_row = 0
        for row, *fields in self._rows("blocks", "channel, clock, count, crc, times, value"):
            self.damage.blocks += row - last_row - 1
            last_row = row
            if _is_whole(fields):
                place = BlockPlace(row=row, clock=fields[1], count=fields[2])
                places.setdefault(fields[0], []).append(place)
            else:
                self.damage.blocks += 1
        return places

    def block(self, place: BlockPlace) -> tuple[Nanoseconds, Values]:
        """A whole block's times on its own clock and raw values, each of shape (n,).

        Raises:
            RunUnreadable: where it was whole a moment ago and is no longer.
        """
        try:
            times, value = self._connection.execute(
                "SELECT times, value FROM blocks WHERE id = ?", (place.row,)
            ).fetchone()
        except (sqlite3.Error, TypeError) as exc:
            raise self._unreadable("can't be read twice the same; the disk is failing") from exc
        return np.frombuffer(times, dtype="<i8"), np.frombuffer(value, dtype="<f8")

    def pairs(self) -> dict[str, list[tuple[int, int, int]]]:
        """For each device clock its (device_ns, arrival_ns, wire_ns)."""
        pairs: dict[str, list[tuple[int, int, int]]] = {}
        for _, clock, *pair in self._rows("pairs", "clock, device_ns, arrival_ns, wire_ns"):
            if all(isinstance(v, int) for v in pair):
                pairs.setdefault(str(clock), []).append((pair[0], pair[1], pair[2]))
            else:
                self.damage.rows += 1
        return pairs

    def wall_pairs(self) -> tuple[tuple[int, int], ...]:
        """Moments as (ns on the run's clock, ns of UTC since 1970)."""
        rows = self._rows("wall_pairs", "t_ns, utc_ns")
        return tuple((t, u) for _, t, u in rows if isinstance(t, int) and isinstance(u, int))

    def notes(self) -> tuple[Note, ...]:
        """Notes by time."""
        return tuple(sorted(self._objects("notes", Note), key=lambda note: note.t_ns))

    def gaps(self) -> tuple[Gap, ...]:
        """Gaps by time."""
        return tuple(sorted(self._objects("gaps", Gap), key=lambda gap: gap.t_ns))

    def alarms(self) -> tuple[dict[str, Any], ...]:
        """Alarms in the order in which they were given."""
        return tuple(self._objects("alarms", dict[str, Any]))

    def _objects(self, table: str, kind: Any) -> Iterator[Any]:
        for _, text in self._rows(table, "json"):
            try:
                yield msgspec.convert(json.loads(text), kind)
            except (ValueError, TypeError, RecursionError):
                self.damage.rows += 1

    def _rows(self, table: str, columns: str) -> Iterator[tuple[Any, ...]]:
        """Rows of a table from the first to the last, past those that can't be read."""
        query = f"SELECT id, {columns} FROM {table} WHERE id >= ? ORDER BY id"  # noqa: S608 - our own names
        wanted = 1
        while wanted:
            try:
                for row in _rising(self._connection.execute(query, (wanted,)), wanted):
                    wanted = row[0] + 1
                    yield row
            except sqlite3.DatabaseError:
                wanted = self._next_readable(table, wanted)
            else:
                return

    def _next_readable(self, table: str, unreadable: int) -> int:
        """The next row number after one that can't be read; 0 where there is none."""
        query = f"SELECT id FROM {table} WHERE id >= ? ORDER BY id LIMIT 1"  # noqa: S608 - our own names
        if table != "blocks":
            self.damage.rows += 1
        step = 1
        while step < _FURTHEST_STEP:
            try:
                found = self._connection.execute(query, (unreadable + step,)).fetchone()
            except sqlite3.DatabaseError:
                found = (0,)
            if found is None:
                break
            if found[0] >= unreadable + step:
                return int(found[0])
            step *= 2
        self.damage.cut = True
        return 0

    def _check_kind(self) -> None:
        (mark,) = self._connection.execute("PRAGMA application_id").fetchone()
        (version,) = self._connection.execute("PRAGMA user_version").fetchone()
        if mark == 0 and version == 0 and self.path.stat().st_size == 0:
            raise self._unreadable("is empty: its recorder stopped before it had begun")
        if mark != APPLICATION_ID:
            raise self._unreadable("is a SQLite file, but no journal")
        if version != JOURNAL_VERSION:
            raise self._unreadable(
                f"is of journal version {version} and this program reads {JOURNAL_VERSION}: "
                "use a newer Slewtrace"
            )

    def _unreadable(self, what: str) -> RunUnreadable:
        return RunUnreadable(
            where=str(self.path), what=what, would_do="nothing was changed; name a run's journal"
        )


def _way_to_open(path: Path) -> str:
    """Read-only; with no log beside it nobody writes, and SQLite need not leave files there."""
    return "mode=ro" if path.with_name(f"{path.name}-wal").exists() else "mode=ro&immutable=1"


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


def _is_whole(fields: list[Any]) -> bool:
    channel, clock, count, crc, times, value = fields
    return (
        isinstance(channel, str)
        and isinstance(clock, str)
        and isinstance(count, int)
        and isinstance(times, bytes)
        and isinstance(value, bytes)
        and len(times) == len(value) == 8 * count
        and crc == block_crc(channel=channel, clock=clock, times=times, value=value)
    )
