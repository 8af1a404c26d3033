"""What an export is made of: tables of readings, tables of facts, and words about both.

Readings stream, since a run may hold many millions; facts are few and are held whole. The
writers of the formats know these only, and nothing of runs or results.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from logger.readings.block import Nanoseconds, Values
from logger.recording.export.wall_time import WallTime

Cell = str | float | int | bool | None
ROWS_IN_PIECE = 1 << 17
"""Readings that a writer holds at a time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column's name and unit; the unit is empty where it has none."""

    name: str
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Some rows of a table of readings.

    Attributes:
        t_ns: times, shape (n,), ns on the run's clock.
        values: a column each, shape (n,); NaN where nothing is known.
    """

    t_ns: Nanoseconds
    values: tuple[Values, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingTable:
    """Readings that share their times.

    Attributes:
        name: the channel's id; ``readings`` for a table of several channels.
        columns: what stands beside the times.
        rows: how many rows :attr:`pieces` gives in all.
        pieces: reads them, from the first on; may raise RunUnreadable.
    """

    name: str
    columns: tuple[Column, ...]
    rows: int
    pieces: Callable[[], Iterator[Piece]]


@dataclass(frozen=True, slots=True, kw_only=True)
class FactTable:
    """A small table: sectors, lifts, notes.

    Attributes:
        name: what it lists.
        columns: its columns.
        rows: a cell for each column.
    """

    name: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Export:
    """All that is written.

    Attributes:
        readings: one table a channel at its own times, or one of all channels at common times.
        together: whether it is that one table.
        wall: how times become UTC and local time.
        facts: tables about the run.
        about: the same and more as a JSON object, for formats that hold text beside numbers.
    """

    readings: tuple[ReadingTable, ...]
    together: bool
    wall: WallTime
    facts: tuple[FactTable, ...]
    about: dict[str, Any]

    @property
    def rows(self) -> int:
        """Rows of readings in all."""
        return sum(table.rows for table in self.readings)


def in_pieces(t_ns: Nanoseconds, values: Sequence[Values]) -> Iterator[Piece]:
    """Cuts long columns so that a writer holds few rows at a time."""
    for start in range(0, t_ns.size, ROWS_IN_PIECE):
        part = slice(start, start + ROWS_IN_PIECE)
        yield Piece(t_ns=t_ns[part], values=tuple(v[part] for v in values))
