"""The journal of a run: what a recorder keeps while it runs, so that a crash loses nothing.

It stands in parts, files that follow one another (:mod:`logger.recording.journal_part`). A new part
begins when the last one is full, or after the disk refused a write or a sync in it: nothing may
be tried again in the same file, so all that was not acknowledged goes once more into the new
one. The refused rows may yet have reached the disk; since every row carries a number that is
its own in the whole run, a reader takes it once, and finds out when one is missing.

A file that is removed or replaced takes writes without a word, so the journal looks once a second
whether its parts still are where they were made. Where one is gone, what it held is gone too: that
is a failure like one of the disk's, and the run goes on in a new part, in its folder made anew.

Rows are gathered in memory and written in one short transaction, so another process may read
all the time and add a note in between.
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from logger.errors import StorageFailed
from logger.readings.pack import ClockPair
from logger.recording.clock_pairs import promptest_of_each
from logger.recording.header import Gap, Note, RunHeader, canonical_json
from logger.recording.in_use import RunInHand
from logger.recording.journal import NUMBERED, ClockedBlock, Row, block_row, json_of, plain
from logger.recording.journal_part import JournalPart
from logger.recording.new_file import file_identity, make_folder
from logger.recording.parts import part_path, parts_of, refuse_taken_name, remove_part

PART_BYTES = 256 << 20
"""Size at which a new part begins: a damaged file costs at most this much of a run."""

_PART_LATER_BYTES = 16 << 20
"""How much more a full part takes before a new one is tried again."""

_PAIR_STRETCH_NS = 2_000_000

_LOOK_EVERY_S = 1.0
"""How often is looked whether the parts are still there: what is written in between can be lost."""


class RunJournal:
    """The journal of a run that is being recorded; made by :meth:`create`. One thread at a time.

    Attributes:
        path: the first part.
        samples: how many samples are durable; fewer again where a part was removed.
    """

    def __init__(
        self, *, header: RunHeader, header_json: str, first: JournalPart, part_bytes: int
    ) -> None:
        self.path = first.path
        self.samples = 0
        self._header_json = header_json
        self._channels = {c.id for c in header.rig.channel}
        self._in_hand = {file_identity(first.path): RunInHand(first.path)}
        self._current = first
        self._parts: dict[JournalPart, int] = {first: 0}
        self._looked_s = time.monotonic()
        self._part_bytes = self._full_bytes = part_bytes
        self._closed_bytes = 0
        self._waiting: dict[str, list[Row]] = {table: [] for table in NUMBERED}
        self._next = dict.fromkeys(NUMBERED, 1)
        self._waiting_samples = 0
        self._notes: list[Note] = []
        self._failure = ""

    @classmethod
    def create(cls, path: Path, header: RunHeader, *, part_bytes: int = PART_BYTES) -> RunJournal:
        """Makes a journal that holds its header; both are durable when this returns.

        Args:
            path: the first part, ``<run>.journal``.
            header: what is known at the start; it is repeated in each part.
            part_bytes: how large a part may grow.

        Raises:
            BadInput: where a part of it or its sealed run is there already, or no folder.
            StorageFailed: where the disk refuses; nothing half-made stays.
        """
        refuse_taken_name(path)
        text = canonical_json(header.to_json())
        firsts = dict.fromkeys(NUMBERED, 1)
        part = JournalPart.create(path, header_json=text, number=1, firsts=firsts)
        try:
            return cls(header=header, header_json=text, first=part, part_bytes=part_bytes)
        except OSError as exc:
            part.abandon()
            with contextlib.suppress(OSError):
                remove_part(path)
            raise StorageFailed(f"{path}: the journal can't be locked ({exc.strerror})") from exc

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def part(self) -> int:
        """Number of the part that is being written, from 1."""
        return self._current.number

    @property
    def bytes_on_disk(self) -> int:
        """Size of all parts with their logs."""
        return self._closed_bytes + self._current.bytes_on_disk

    def append(self, blocks: Iterable[ClockedBlock]) -> None:
        """Adds samples; durable after the next commit.

        Raises:
            ValueError: for a channel that the rig file does not have.
        """
        rows, seq = self._waiting["blocks"], self._next["blocks"]
        for block in blocks:
            if block.channel not in self._channels:
                raise ValueError(f"no channel {block.channel!r} in the rig file")
            if len(block):
                rows.append(block_row(seq, block))
                self._waiting_samples += len(block)
                seq += 1
                self._next["blocks"] = seq

    def add_pairs(self, clock: str, pairs: Iterable[ClockPair]) -> None:
        """Adds moments on a device's clock and on the run's.

        Of many frames within 2 ms of the device's clock the promptest is kept: the others say
        nothing about the clock, and a row for each would cost more than their readings do.
        """
        rows, number = self._waiting["pairs"], self._next["pairs"]
        for p in promptest_of_each(pairs, stretch_ns=_PAIR_STRETCH_NS):
            rows.append((number, clock, p.device_ns, p.arrival_ns, p.wire_ns, p.asked_ns))
            number += 1
        self._next["pairs"] = number

    def add_wall_pair(self, t_ns: int, utc_ns: int) -> None:
        """Adds a moment on the run's clock and in UTC (ns since 1970)."""
        self._add("wall_pairs", t_ns, utc_ns)

    def add_note(self, note: Note) -> None:
        """Adds what a person noted."""
        self._add("notes", json_of(note))

    def add_gap(self, gap: Gap) -> None:
        """Adds a stretch in which readings are missing."""
        self._add("gaps", json_of(gap))

    def add_alarm(self, alarm: Mapping[str, Any]) -> None:
        """Adds an alarm as it was given; a number that JSON has no word for becomes null."""
        self._add("alarms", canonical_json(plain(alarm)))

    def commit(self) -> None:
        """Makes everything added so far durable: it is when this returns.

        A part that is full gives way to a new one.

        Raises:
            StorageFailed: where the disk refuses, or a part was removed or replaced. Nothing
                added since the last commit is claimed, all of it waits, and :meth:`begin_part`
                must come before the next try.
        """
        if self._failure:
            raise StorageFailed(f"{self._current.path}: failed before ({self._failure})")
        if any(self._waiting.values()):
            self._write()
        self._look_for_parts()
        self._claim()
        self._tend_part()

    def begin_part(self) -> None:
        """Begins a new part; what waits goes into it with the next commit.

        A failed part in which nothing was ever acknowledged is removed, unless it is the first.

        Raises:
            StorageFailed: where it can't be made; nothing half-made stays, and all still waits.
        """
        old, failed = self._current, bool(self._failure)
        self._current = self._new_part(old.number + 1)
        self._parts[self._current] = 0
        self._keep_in_hand()
        self._failure = ""
        self._full_bytes = self._part_bytes
        if failed:
            self._leave_failed(old)
        else:
            # Where the disk refuses, the old part's log still holds what was acknowledged.
            with contextlib.suppress(sqlite3.Error, OSError):
                self._notes += old.close_whole()
        self._closed_bytes += old.bytes_on_disk

    def new_notes(self) -> list[Note]:
        """Notes that other processes have added since the last call."""
        # What can't be read now can't be written either, and the next commit says so.
        with contextlib.suppress(sqlite3.Error, OSError):
            self._notes += self._current.new_notes()
        found, self._notes = self._notes, []
        return found

    def close(self) -> None:
        """Closes the journal. What was not committed is not kept."""
        if self._failure:
            self._current.abandon()
        else:
            self._current.close()
        for held in self._in_hand.values():
            held.release()

    def _add(self, table: str, *columns: Any) -> None:
        self._waiting[table].append((self._next[table], *columns))
        self._next[table] += 1

    def _write(self) -> None:
        try:
            self._current.write(self._waiting)
        except (sqlite3.Error, OSError) as exc:
            self._failure = str(exc)
            raise StorageFailed(
                f"{self._current.path}: the disk refused ({exc}); {self.samples} samples are kept"
            ) from exc

    def _look_for_parts(self) -> None:
        """Raises StorageFailed where a part that was there is gone; of each it is told once."""
        now_s = time.monotonic()
        if now_s - self._looked_s < _LOOK_EVERY_S:
            return
        self._looked_s = now_s
        gone = [part for part in self._parts if not part.is_in_place]
        if not gone:
            return
        lost = sum(self._parts.pop(part) for part in gone)
        self.samples -= lost
        self._failure = (
            f"the journal was removed or replaced while it was written; "
            f"{lost} samples that were kept are gone"
        )
        raise StorageFailed(f"{gone[0].path}: {self._failure}")

    def _keep_in_hand(self) -> None:
        """Holds what whoever seals would hold: the first part's file that is there now."""
        # Where another one holds it already, the run is recorded on all the same.
        with contextlib.suppress(OSError, StorageFailed):
            first = next((path for _, path in parts_of(self.path)), self.path)
            file = file_identity(first)
            if file not in self._in_hand and first.is_file():
                self._in_hand[file] = RunInHand(first)

    def _claim(self) -> None:
        self._parts[self._current] += self._waiting_samples
        self.samples += self._waiting_samples
        self._waiting_samples = 0
        for rows in self._waiting.values():
            rows.clear()

    def _tend_part(self) -> None:
        """What a part needs after a commit; the commit itself stands whatever happens here."""
        try:
            self._current.shorten_log()
        except (sqlite3.Error, OSError) as exc:
            self._failure = str(exc)  # told by the next commit
            return
        # A part whose log was removed is whole again once its rows are in the file itself.
        if self._current.has_lost_log or self._current.bytes_on_disk >= self._full_bytes:
            try:
                self.begin_part()
            except StorageFailed:
                self._full_bytes += _PART_LATER_BYTES

    def _new_part(self, number: int) -> JournalPart:
        path = part_path(self.path, number)
        make_folder(path.parent)
        firsts = {table: self._next[table] - len(self._waiting[table]) for table in NUMBERED}
        try:
            remove_part(path)  # half-made before, where the disk refused even to remove it
        except OSError as exc:
            raise StorageFailed(f"{path}: can't be removed ({exc.strerror or exc})") from exc
        return JournalPart.create(path, header_json=self._header_json, number=number, firsts=firsts)

    def _leave_failed(self, old: JournalPart) -> None:
        may_hold_notes = True
        with contextlib.suppress(sqlite3.Error, OSError):
            self._notes += old.new_notes()
            may_hold_notes = old.has_foreign_notes
        with contextlib.suppress(sqlite3.Error, OSError):
            old.abandon()
        # What may stand under the name of a part that is gone is another's.
        if old in self._parts and old.number > 1 and not old.has_rows and not may_hold_notes:
            with contextlib.suppress(OSError):
                remove_part(old.path)
            del self._parts[old]
