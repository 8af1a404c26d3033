"""The table that a calibration starts from: what was applied, and what the sensor read.

A cell is a plain number, in the unit of the calibration, or a quantity with a unit of its own
(``"3.2 m"``, ``"1500 lb"``), since tapes and weights are labelled in what they are labelled in.
Every line is either understood or refused by its number.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from logger.errors import FileInvalid
from logger.readings.block import Values
from logger.readings.quantity import Kind, parse_quantity, unit_factor

MOST_POINTS = 10_000
READING, U, TIME = "reading", "u", "t_s"

_PLAIN = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?", re.ASCII)
_SHOWN_CHARACTERS = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """Points of a calibration, in the file's order.

    Attributes:
        name: the file, for errors.
        unit: unit of ``applied`` and ``u``.
        line: line numbers in the file, shape (n,).
        applied: what is known: load, sighted angle or tape, shape (n,).
        reading: what the sensor sent, shape (n,), raw.
        u: standard uncertainty of ``applied``, shape (n,), or None where no column gives it.
        t_s: when, shape (n,), s, never falling; or None.
    """

    name: str
    unit: str
    line: NDArray[np.int64]
    applied: Values
    reading: Values
    u: Values | None = None
    t_s: Values | None = None

    def __len__(self) -> int:
        return int(self.applied.size)


def read_points(text: str, *, name: str, applied: str, kind: Kind, unit: str) -> Points:
    """Reads the table.

    Args:
        text: CSV with the columns ``applied`` (see below) and ``reading``, and perhaps ``u``
            and ``t_s``, in any order, named in the first line.
        name: the file's name, for errors.
        applied: what the column of the known quantity is called.
        kind: what that quantity measures.
        unit: the unit that numbers without one are in.

    Raises:
        FileInvalid: naming the line, what stands there and what would do.
    """
    lines = [(n, row) for n, row in enumerate(text.splitlines(), start=1) if row.strip()]
    if not lines:
        raise FileInvalid(
            where=name, what="is empty", would_do=f"begin with the line {applied},{READING}"
        )
    reader = _TableReader(name=name, applied=applied, kind=kind, unit=unit)
    order = reader.order(*lines[0])
    if len(lines) - 1 > MOST_POINTS:
        raise FileInvalid(
            where=name,
            what=f"has {len(lines) - 1} points, more than {MOST_POINTS}",
            would_do="give one steady reading for each load",
        )
    rows = [reader.row(number, row, order) for number, row in lines[1:]]
    columns = {
        column: np.array([row[column] for row in rows], dtype=np.float64) for column in order
    }
    number = np.array([n for n, _ in lines[1:]], dtype=np.int64)
    reader.check_times(number, columns.get(TIME))
    return Points(
        name=name,
        unit=unit,
        line=number,
        applied=columns[applied],
        reading=columns[READING],
        u=columns.get(U),
        t_s=columns.get(TIME),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _TableReader:
    name: str
    applied: str
    kind: Kind
    unit: str

    def order(self, number: int, row: str) -> tuple[str, ...]:
        """The columns as the first line names them."""
        columns = tuple(self._cells(number, row.removeprefix("\ufeff")))
        known = {self.applied, READING, U, TIME}
        whole = {self.applied, READING} <= set(columns) <= known
        if not whole or len(set(columns)) != len(columns):
            raise FileInvalid(
                where=f"{self.name}, line {number}",
                what=f"names the columns {_shown(','.join(columns))}",
                would_do=f"name {self.applied} and {READING}, with a comma between; "
                f"{U} and {TIME} may follow, and no others",
            )
        return columns

    def row(self, number: int, row: str, order: tuple[str, ...]) -> dict[str, float]:
        """The numbers of a line by column."""
        cells = self._cells(number, row)
        if len(cells) != len(order):
            raise self._invalid(
                number,
                f"has {len(cells)} fields where {','.join(order)} are {len(order)}: {_shown(row)}",
            )
        return {c: self._number(number, c, t) for c, t in zip(order, cells, strict=True)}

    def check_times(self, number: NDArray[np.int64], t_s: Values | None) -> None:
        """Refuses times that fall: the order of the lines is the order of the test."""
        if t_s is None or t_s.size < 2:
            return
        falls = np.flatnonzero(np.diff(t_s) < 0)
        if falls.size:
            at = int(falls[0]) + 1
            raise self._invalid(
                int(number[at]), f"{TIME} = {t_s[at]:g} is before the line above it"
            )

    def _cells(self, number: int, row: str) -> list[str]:
        try:
            cells = next(csv.reader([row], strict=True, skipinitialspace=True))
        except (csv.Error, StopIteration) as exc:
            raise self._invalid(number, f"has quotes that do not match: {_shown(row)}") from exc
        return [cell.strip() for cell in cells]

    def _number(self, number: int, column: str, text: str) -> float:
        try:
            value = self._plain_or_quantity(column, text)
        except ValueError as exc:
            raise self._invalid(number, f"{column} = {_shown(text)} won't do: {exc}") from exc
        if column == U and value < 0:
            raise self._invalid(number, f"{column} = {_shown(text)} is negative")
        return value

    def _plain_or_quantity(self, column: str, text: str) -> float:
        if _PLAIN.fullmatch(text):
            value = float(text)
            if not abs(value) < 1e300:
                raise ValueError("too large a number")
            return value
        if column not in (self.applied, U):
            raise ValueError("a plain number stands here, with a point for decimals")
        if not re.search(r"[A-Za-z°]", text) or text.lower().lstrip("+-") in ("nan", "inf"):
            raise ValueError("a number stands here, with a point for decimals")
        return parse_quantity(text, self.kind) / unit_factor(self.unit, self.kind)

    def _invalid(self, number: int, what: str) -> FileInvalid:
        return FileInvalid(
            where=f"{self.name}, line {number}", what=what, would_do="mend it; nothing was written"
        )


def _shown(text: str) -> str:
    return repr(text if len(text) <= _SHOWN_CHARACTERS else text[:_SHOWN_CHARACTERS] + "…")


def branches(applied: Values) -> Iterator[tuple[int, str]]:
    """Which way the load was going at each point: ``up`` or ``down``.

    One fall alone is a new start, not a way down: series are often run up several times, with
    the load taken off in between. Two falls in a row are a way down, and so is every further
    one; equal loads keep the way they were reached by.

    Args:
        applied: loads in order, shape (n,).
    """
    step = np.sign(np.diff(applied))
    moves = [(i + 1, s) for i, s in enumerate(step) if s != 0]
    falls_twice = {
        at
        for (before, s0), (after, s1) in pairwise(moves)
        if s0 < 0 and s1 < 0
        for at in (before, after)
    }
    way = "up"
    yield 0, way
    for i in range(1, applied.size):
        if step[i - 1] != 0:
            way = "down" if i in falls_twice else "up"
        yield i, way
