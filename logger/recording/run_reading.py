"""Reading all parts of a run's journal as one.

Rows are numbered over the run, so what stands in two parts is taken once, from the first part
in which it is whole, and every number that stands nowhere is a row that is missing: exactly
counted, but for what may have stood beyond the readable end of the last part.
"""

from __future__ import annotations

import contextlib
from array import array
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self, TypeVar

from logger.errors import RunUnreadable
from logger.readings.pack import ClockPair
from logger.readings.polled_clock import is_polled
from logger.recording.clock_pairs import GatheredPairs
from logger.recording.header import Gap, Note, RunHeader
from logger.recording.journal import ClockedBlock
from logger.recording.journal_reading import JournalReader, LogAlone, NotBegun, RefusedPart
from logger.recording.log_check import lost_commits
from logger.recording.number_ranges import NumberRanges
from logger.recording.parts import ASIDE, lone_logs, parts_of

KEPT_ASIDE = f"the journal's files are kept as *{ASIDE}*"
"""Stands in the words on a damage where they are."""

_Row = TypeVar("_Row")


@dataclass(slots=True, kw_only=True)
class Damage:
    """What could not be read.

    Attributes:
        blocks: blocks of samples that are known to be missing or wrong.
        rows: rows of other tables.
        cut: whether there may be more that nobody can count.
        commits: commits in logs (``-wal``) beyond a damaged place.
        lone_logs: logs without the file to which they belong.
    """

    blocks: int = 0
    rows: int = 0
    cut: bool = False
    commits: int = 0
    lone_logs: int = 0

    @property
    def in_logs(self) -> bool:
        """Whether the files hold what SQLite does not read, so that they must be kept."""
        return bool(self.commits or self.lone_logs)

    def __bool__(self) -> bool:
        return bool(self.blocks or self.rows or self.cut or self.in_logs)

    def __str__(self) -> str:
        text = f"{self.blocks} blocks of samples and {self.rows} other rows can't be read"
        if self.cut:
            text += "; the file is cut, so there may have been more"
        if self.commits:
            text += f"; at least {self.commits} commits stand beyond a damaged place in a -wal file"
        if self.lone_logs:
            text += f"; {self.lone_logs} -wal files are there without their .journal file"
        return f"{text}; {KEPT_ASIDE}" if self.in_logs else text


@dataclass(slots=True, kw_only=True)
class ChannelPlaces:
    """Where a channel's whole blocks stand.

    Attributes:
        samples: how many samples they hold together.
        seqs: their numbers, by the index of the part, both rising.
        clocks: for each clock of theirs the first time on it, ns.
    """

    samples: int = 0
    seqs: dict[int, array[int]] = field(default_factory=dict)
    clocks: dict[str, int] = field(default_factory=dict)


def clocks_of(places: Mapping[str, ChannelPlaces]) -> dict[str, int]:
    """Every clock that samples are on, with the first time on it, ns."""
    found: dict[str, int] = {}
    for place in places.values():
        for clock, first_ns in place.clocks.items():
            found.setdefault(clock, first_ns)
    return found


class RunReader:
    """The journal of a run, to read; use it in a ``with`` statement.

    Args:
        first: the run's first part, whether or not it is still there.

    Attributes:
        damage: what could not be read so far.

    Raises:
        NotBegun: where no part holds anything.
        RunUnreadable: where no part can be read, or one is none of this run's or of a newer
            version.
    """

    def __init__(self, first: Path) -> None:
        self._first = first
        self.damage = Damage()
        self._stack = contextlib.ExitStack()
        with contextlib.ExitStack() as opening:
            self._readers, self._header = self._open_parts(opening)
            self._stack = opening.pop_all()
        self._firsts = [reader.firsts() for reader in self._readers]
        self.damage.cut |= self._readers[-1].is_followed()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc_info: object) -> None:
        self._stack.close()

    def header(self) -> RunHeader:
        """The header as it was when the recording began."""
        return self._header

    def places(self) -> dict[str, ChannelPlaces]:
        """Where each channel's whole blocks stand; reads and checks every block."""
        places: dict[str, ChannelPlaces] = {}
        marks = self._rows("blocks", JournalReader.block_marks)
        for part, seq, (channel, clock, count, first_ns) in marks:
            place = places.setdefault(channel, ChannelPlaces())
            place.samples += count
            place.seqs.setdefault(part, array("q")).append(seq)
            place.clocks.setdefault(clock, first_ns)
        return places

    def blocks(self, places: ChannelPlaces) -> Iterator[ClockedBlock]:
        """A channel's blocks in the order in which they were recorded.

        Raises:
            RunUnreadable: where one was whole a moment ago and is no longer.
        """
        for part, seqs in places.seqs.items():
            for seq in seqs:
                yield self._readers[part].block(seq)

    def pairs(self) -> dict[str, list[ClockPair]]:
        """What ties each device clock to the run's; of very many pairs the best."""
        gathered: dict[str, GatheredPairs] = {}
        for _, _, (clock, pair) in self._rows("pairs", JournalReader.pairs):
            if clock not in gathered:
                gathered[clock] = GatheredPairs(slowest=is_polled(clock))
            gathered[clock].add(pair)
        return {clock: held.pairs() for clock, held in sorted(gathered.items())}

    def wall_pairs(self) -> tuple[tuple[int, int], ...]:
        """Moments as (ns on the run's clock, ns of UTC since 1970)."""
        rows = self._rows("wall_pairs", JournalReader.numbered_wall_pairs)
        return tuple(pair for _, _, pair in rows)

    def gaps(self) -> tuple[Gap, ...]:
        """Gaps by time."""
        rows = self._rows("gaps", lambda reader: reader.objects("gaps"))
        return tuple(sorted((gap for _, _, gap in rows), key=lambda gap: gap.t_ns))

    def alarms(self) -> tuple[dict[str, Any], ...]:
        """Alarms in the order in which they were given."""
        rows = self._rows("alarms", lambda reader: reader.objects("alarms"))
        return tuple(alarm for _, _, alarm in rows)

    def notes(self) -> tuple[Note, ...]:
        """Notes by time: the recorder's, and those that others added to one part or another."""
        found: list[Note] = []
        taken, last_own, missing = NumberRanges(), 0, 0
        for reader, firsts in zip(self._readers, self._firsts, strict=True):
            own, last = reader.own_numbers(), 0
            last_own = max(last_own, firsts["notes"] - 1, *own.values())
            for row, note in reader.objects("notes"):
                missing += row - last - 1 + (note is None)
                last = row
                if note is not None and (row not in own or taken.add(own[row])):
                    found.append(note)
            self.damage.cut |= "notes" in reader.cut
        self.damage.rows += max(missing, last_own - len(taken))
        return tuple(sorted(found, key=lambda note: note.t_ns))

    def _rows(
        self, table: str, rows_of: Callable[[JournalReader], Iterator[tuple[int, _Row | None]]]
    ) -> Iterator[tuple[int, int, _Row]]:
        """Each whole row once, as (index of its part, number, row); then counts the missing."""
        taken, last = NumberRanges(), 0
        for part, reader in enumerate(self._readers):
            last = max(last, self._firsts[part][table] - 1)
            for number, row in rows_of(reader):
                last = max(last, number)
                if row is not None and taken.add(number):
                    yield part, number, row
        missing = last - len(taken)
        if table == "blocks":
            self.damage.blocks += missing
        else:
            self.damage.rows += missing
        # What an earlier part lacks, the next one's first numbers tell.
        self.damage.cut |= table in self._readers[-1].cut

    def _open_parts(self, opening: contextlib.ExitStack) -> tuple[list[JournalReader], RunHeader]:
        readers: list[JournalReader] = []
        headers: list[RunHeader] = []
        refusals: list[RunUnreadable] = []
        self.damage.lone_logs = len(lone_logs(self._first))
        for _, path in parts_of(self._first) or [(1, self._first)]:
            lost = lost_commits(path)
            self.damage.commits += lost
            try:
                reader = opening.enter_context(contextlib.closing(JournalReader(path)))
                header = reader.header()
            except RefusedPart:
                raise
            except NotBegun as exc:
                refusals.append(_damaged_from_the_start(path, lost) if lost else exc)
            except LogAlone as exc:
                refusals.append(exc)
                self.damage.lone_logs += 1
                self.damage.cut = True
            except RunUnreadable as exc:
                refusals.append(exc)
                self.damage.cut = True
            else:
                self.damage.cut = False
                readers.append(reader)
                headers.append(header)
        if not readers:
            raise next((r for r in refusals if not isinstance(r, NotBegun)), refusals[0])
        if len({header.run_id for header in headers}) > 1:
            raise RunUnreadable(
                where=str(readers[-1].path),
                what=f"is of another run than {readers[0].path}",
                would_do="nothing was changed; move one of the two to another folder",
            )
        return readers, headers[0]


def _damaged_from_the_start(path: Path, commits: int) -> RunUnreadable:
    return RunUnreadable(
        where=str(path),
        what=f"has a -wal file that is damaged near its beginning; at least {commits} commits "
        "in it can't be read",
        would_do="nothing was changed; keep both files, and recover another copy if there is one",
    )
