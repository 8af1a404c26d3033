"""The keeper: the one thread that touches the disk while a run is recorded.

The recorder's thread hands over batches and goes on at once, so a disk that is slow, or hangs
in a sync, delays no alarm. A batch is durable when the journal's commit returns; only then are
its senders told that they may forget it. What the disk refused is never tried again in the
same file: it goes into a new part of the journal, again and again if need be, while what comes
in the meantime waits in memory, up to a bound. What the keeper notices, the recorder picks up:
a failing disk, little room left, a note that another process has written.
"""

from __future__ import annotations

import shutil
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from logger.errors import StorageFailed
from logger.readings.pack import ClockPair
from logger.recording.header import Gap, Note
from logger.recording.journal import ClockedBlock
from logger.recording.run_journal import RunJournal
from logger.sources.arrival import Acknowledge

WAITING_SAMPLES = 8_000_000
"""Samples that may wait for the disk: 128 MB, over half a minute at 200,000 a second."""

LOOK_EVERY_S = 0.1
"""How often notes of other processes are looked for."""

RETRY_AFTER_S = 0.25
ROOM_WARNING_S = 600.0
ROOM_ENOUGH_S = 720.0
"""The warning ends only with this much room again."""

_ROOM_LOOK_S = 1.0
_RATE_OVER_S = 60.0
_LEAST_RATE_OVER_S = 3.0
_SEALED_SHARE = 0.5
"""Room that sealing needs beside the journal, as a share of the journal: measured 0.1 to 0.3."""


@dataclass(slots=True, kw_only=True, eq=False)
class Batch:
    """What the recorder hands over at a time; all of it becomes durable together."""

    blocks: list[ClockedBlock] = field(default_factory=list)
    pairs: dict[str, list[ClockPair]] = field(default_factory=dict)
    wall_pairs: list[tuple[int, int]] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    acknowledgements: list[Acknowledge] = field(default_factory=list)
    offered_s: float = 0.0

    @property
    def samples(self) -> int:
        """How many samples are in it."""
        return sum(len(block) for block in self.blocks)


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskFault:
    """The disk refused, or it keeps again what it had refused (``over``)."""

    text: str
    over: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskRoom:
    """How long the room on the disk lasts at the present rate, s; None where that is unknown."""

    left_s: float | None


Notice: TypeAlias = DiskFault | DiskRoom | Note


class Keeper:
    """Writes batches to a run's journal, from a thread of its own.

    Args:
        journal: where to; the keeper's alone from its start to its close.
        waiting_samples: how many samples may wait for the disk.
    """

    def __init__(self, journal: RunJournal, *, waiting_samples: int = WAITING_SAMPLES) -> None:
        self._journal = journal
        self._limit = waiting_samples
        self._changed = threading.Condition()
        self._batches: list[Batch] = []
        self._in_hand: list[Batch] = []
        self._waiting_samples = 0
        self._closing = False
        self._give_up_s: float | None = None
        self._broken: BaseException | None = None
        self._notices: deque[Notice] = deque()
        self._room = _RoomWatch(journal)
        self.kept_samples = 0
        """How many samples are durable."""
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)

    def start(self) -> None:
        """Starts the thread."""
        self._thread.start()

    def offer(self, batch: Batch) -> bool:
        """Hands a batch over; never waits.

        Returns:
            False where too much waits already: then nothing of it was taken.

        Raises:
            StorageFailed: where the keeper has ended before its time.
        """
        self._raise_broken()
        with self._changed:
            if batch.samples and self._waiting_samples + batch.samples > self._limit:
                return False
            batch.offered_s = time.monotonic()
            self._batches.append(batch)
            self._waiting_samples += batch.samples
            self._changed.notify()
        return True

    def notices(self) -> list[Notice]:
        """What was noticed since the last call."""
        found = []
        while self._notices:
            found.append(self._notices.popleft())
        return found

    @property
    def waiting_s(self) -> float:
        """For how long the oldest batch that is not durable has waited, s."""
        with self._changed:
            oldest = (self._in_hand or self._batches)[:1]
        return time.monotonic() - oldest[0].offered_s if oldest else 0.0

    @property
    def room_left_s(self) -> float | None:
        """How long the room on the disk lasts, s; None where that is unknown."""
        return self._room.left_s

    def close(self, *, within_s: float) -> None:
        """Makes durable what was handed over, ends the thread and closes the journal.

        Args:
            within_s: how long a failing disk is tried.

        Raises:
            StorageFailed: where something could not be kept, saying how much.
        """
        with self._changed:
            self._closing = True
            self._give_up_s = time.monotonic() + within_s
            self._changed.notify()
        self._thread.join(within_s + 1)
        if self._thread.is_alive():
            raise StorageFailed(
                f"{self._journal.path}: the disk does not answer; "
                f"{self._waiting_samples} samples are not kept"
            )
        self._journal.close()
        self._raise_broken()

    def _run(self) -> None:
        try:
            while True:
                with self._changed:
                    self._changed.wait_for(self._has_work, timeout=LOOK_EVERY_S)
                    self._in_hand, self._batches = self._batches, []
                    closing = self._closing
                self._keep(self._in_hand)
                self._look_around()
                if closing:
                    return
        except BaseException as exc:  # noqa: BLE001 - raised again in the recorder's thread
            self._broken = exc

    def _has_work(self) -> bool:
        return bool(self._batches) or self._closing

    def _keep(self, batches: Sequence[Batch]) -> None:
        for batch in batches:
            self._append(batch)
        if batches:
            self._commit()
            for batch in batches:
                for acknowledge in batch.acknowledgements:
                    acknowledge()
        with self._changed:
            self._waiting_samples -= sum(batch.samples for batch in batches)
            self._in_hand = []
        self.kept_samples = self._journal.samples

    def _append(self, batch: Batch) -> None:
        journal = self._journal
        journal.append(batch.blocks)
        for clock, pairs in batch.pairs.items():
            journal.add_pairs(clock, pairs)
        for t_ns, utc_ns in batch.wall_pairs:
            journal.add_wall_pair(t_ns, utc_ns)
        for gap in batch.gaps:
            journal.add_gap(gap)
        for note in batch.notes:
            journal.add_note(note)
        for alarm in batch.alarms:
            journal.add_alarm(alarm)

    def _commit(self) -> None:
        """Returns once all is durable, in a new part of the journal where it must be.

        Raises:
            StorageFailed: where it is time to give up.
        """
        try:
            self._journal.commit()
        except StorageFailed as exc:
            self._notices.append(DiskFault(text=str(exc)))
        else:
            return
        while True:
            try:
                self._journal.begin_part()
                self._journal.commit()
            except StorageFailed as exc:
                if self._give_up_s is not None and time.monotonic() > self._give_up_s:
                    with self._changed:
                        lost = self._waiting_samples
                    raise StorageFailed(f"{exc}; {lost} samples are not kept") from exc
                time.sleep(RETRY_AFTER_S)
            else:
                text = f"all that waited is kept in part {self._journal.part} of the journal"
                self._notices.append(DiskFault(text=text, over=True))
                return

    def _look_around(self) -> None:
        self._notices.extend(self._journal.new_notes())
        if self._room.look():
            self._notices.append(DiskRoom(left_s=self._room.left_s))

    def _raise_broken(self) -> None:
        if self._broken is not None:
            if isinstance(self._broken, StorageFailed):
                raise self._broken
            raise StorageFailed(f"the keeper ended: {self._broken!r}") from self._broken


class _RoomWatch:
    """How long the disk's room lasts at the rate of the last minute."""

    def __init__(self, journal: RunJournal) -> None:
        self._journal = journal
        self._look_at_s = 0.0
        self._written: deque[tuple[float, int]] = deque()
        self.left_s: float | None = None

    def look(self) -> bool:
        """Looks, at most once a second; whether there is something new to tell."""
        now_s = time.monotonic()
        if now_s < self._look_at_s:
            return False
        self._look_at_s = now_s + _ROOM_LOOK_S
        on_disk = self._journal.bytes_on_disk
        self._written.append((now_s, on_disk))
        while now_s - self._written[0][0] > _RATE_OVER_S:
            self._written.popleft()
        first_s, first = self._written[0]
        if now_s - first_s < _LEAST_RATE_OVER_S or on_disk <= first:
            return False
        try:
            free = shutil.disk_usage(self._journal.path.parent).free
        except OSError:
            return False
        rate_bps = (on_disk - first) / (now_s - first_s)
        # What is written now must be sealed beside the journal later.
        for_journal = (free - _SEALED_SHARE * on_disk) / (1 + _SEALED_SHARE)
        self.left_s = max(0.0, for_journal / rate_bps)
        return True
