"""Following a journal while its recorder writes it, from another thread or process.

What was committed is there to read a moment later. A follower opens the files read-only and
holds a snapshot only while it takes a few rows, so the recorder never waits for it. It goes
over from part to part as the recorder does. Once the run is sealed the parts are removed; a
follower still reads the part that it has open to its end, and then says that the run has ended:
the rest stands in the sealed run.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Self, TypeVar

from logger.errors import RunUnreadable, StorageFailed
from logger.readings.pack import ClockPair
from logger.recording.header import RunHeader
from logger.recording.journal import ClockedBlock
from logger.recording.journal_reading import JournalReader, NotBegun
from logger.recording.parts import first_part, parts_of

_MOST_PAIRS = 50_000

_Row = TypeVar("_Row")


class JournalFollower:
    """Reads what a recorder has made durable, as it goes; use it in a ``with`` statement.

    One thread at a time, but any. Numbers count rows over the whole run, from 1.

    Args:
        path: any part of the run's journal.

    Attributes:
        header: what was known when the recording began.

    Raises:
        RunUnreadable: where there is no such journal.
    """

    def __init__(self, path: Path) -> None:
        self._first = first_part(path)
        self._readers: dict[int, tuple[JournalReader, dict[str, int]]] = {}
        self._at: dict[str, int] = {}
        earliest = self._next_part(0)
        if earliest is None:
            JournalReader(self._first).close()  # says what is wrong with it
            raise NotBegun(where=str(self._first), what="holds no run: its recorder has not begun")
        self.header: RunHeader = self._readers[earliest][0].header()
        self._at = dict.fromkeys(("blocks", "pairs"), earliest)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc_info: object) -> None:
        self.close()

    @property
    def ended(self) -> bool:
        """Whether the run was sealed, and no part is left that this follower has not read."""
        number = self._at["blocks"]
        path = self._readers[number][0].path
        return not path.exists() and not any(n > number for n, _ in parts_of(self._first))

    def blocks_after(self, seq: int, *, limit_samples: int) -> list[tuple[int, ClockedBlock]]:
        """The blocks that follow one, with their numbers; empty while there are none.

        Args:
            seq: number of the last block that is known, 0 at first.
            limit_samples: about how many samples to give at most; one block always.
        """
        return self._after("blocks", seq, lambda reader: _blocks(reader, seq, limit_samples))

    def pairs_after(self, number: int) -> list[tuple[int, str, ClockPair]]:
        """Moments on a device's clock and on the run's, each with its number and clock.

        Args:
            number: that of the last pair that is known, 0 at first.
        """
        return self._after("pairs", number, lambda reader: _pairs(reader, number))

    def wall_pairs(self) -> tuple[tuple[int, int], ...]:
        """(ns on the run's clock, ns of UTC since 1970), those in the part that is being read."""
        return self._readers[self._at["blocks"]][0].wall_pairs()

    def close(self) -> None:
        """Closes the files."""
        for reader, _ in self._readers.values():
            reader.close()
        self._readers.clear()

    def _after(
        self, table: str, number: int, read: Callable[[JournalReader], list[_Row]]
    ) -> list[_Row]:
        if self._readers[self._at[table]][1][table] > number + 1:
            self._at[table] = self._next_part(0) or self._at[table]
        while True:
            at = self._at[table]
            reader, _ = self._readers[at]
            if rows := read(reader):
                return rows
            following = self._next_part(at)
            # A commit may have come between the first look and the new part.
            if following is None or (rows := read(reader)):
                return rows
            self._at[table] = following
            self._close_what_is_read()

    def _next_part(self, number: int) -> int | None:
        """The next part that holds a header, opened; None where there is none yet."""
        for later, path in parts_of(self._first):
            if later <= number:
                continue
            if later in self._readers:
                return later
            try:
                reader = JournalReader(path)
            except (RunUnreadable, StorageFailed):
                continue  # it is being made, or was removed this moment
            try:
                reader.header()
            except (RunUnreadable, StorageFailed):
                reader.close()
                continue
            self._readers[later] = (reader, reader.firsts())
            return later
        return None

    def _close_what_is_read(self) -> None:
        for number in set(self._readers) - set(self._at.values()):
            self._readers.pop(number)[0].close()


def _blocks(reader: JournalReader, seq: int, limit_samples: int) -> list[tuple[int, ClockedBlock]]:
    found: list[tuple[int, ClockedBlock]] = []
    samples = 0
    with closing(reader.blocks(seq)) as rows:
        for number, block in rows:
            if block is None:
                continue
            samples += len(block)
            if found and samples > limit_samples:
                break
            found.append((number, block))
    return found


def _pairs(reader: JournalReader, number: int) -> list[tuple[int, str, ClockPair]]:
    found: list[tuple[int, str, ClockPair]] = []
    with closing(reader.pairs(number)) as rows:
        for row, pair in rows:
            if pair is not None:
                found.append((row, *pair))
            if len(found) == _MOST_PAIRS:
                break
    return found
