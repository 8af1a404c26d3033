"""A load chart as a table that people write: boom length, radius, load.

```
boom_length m,radius m,load kg
6.0,2.0,4500
6.0,2.5,3600
```

The first line names the columns, in any order, each with its unit after a space or in brackets;
``boom_length`` may be left out. One point with two loads is refused; a load that rises with the
radius is a doubt that is told, since a maker may have a reason for it.
"""

from __future__ import annotations

import csv
import difflib
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from logger.errors import FileInvalid
from logger.readings.load_chart import ChartRow, ChartUnit, LoadChart
from logger.readings.quantity import Kind, unit_factor

LARGEST_CHART_BYTES = 200_000
"""A chart of a crane with many boom lengths has some hundred lines."""
LARGEST_ROWS = 5_000

_COLUMNS = {"boom_length": Kind.LENGTH, "radius": Kind.LENGTH, "load": Kind.MASS}
_NEEDED = ("radius", "load")
_EXAMPLE = "boom_length m,radius m,load kg"
_HEADING = re.compile(r"\s*([A-Za-z]+(?:[ _]+length)?)[\s_]*(?:[(\[]([^()\[\]]*)[)\]]|(.*))\s*")
_NUMBER = re.compile(r"(\d{1,3}(?:[ \u00a0\u2009\u202f]\d{3})+|\d+)?(?:\.(\d*))?", re.ASCII)
_SHOWN_CHARACTERS = 40


def read_load_chart(text: str, *, name: str = "load chart") -> LoadChart:
    """Reads a load chart.

    Args:
        text: the table; its columns are set off by commas, semicolons or tabs.
        name: the file's name, for errors.

    Raises:
        FileInvalid: naming the file, line and column, what stands there and what would do.
    """
    if len(text.encode("utf-8", "replace")) > LARGEST_CHART_BYTES:
        raise FileInvalid(
            where=name,
            what=f"is larger than {LARGEST_CHART_BYTES // 1000} kB",
            would_do="keep to the lines of this crane",
        )
    lines = _lines(text.removeprefix("\ufeff"), name=name)
    line, head = next(lines, (1, []))
    columns = _columns(head, where=f"{name}, line {line}")
    read = [_row(cells, columns, where=f"{name}, line {n}") for n, cells in lines]
    if not read:
        raise FileInvalid(
            where=name, what="has no lines below its first", would_do=f"write {_EXAMPLE} and rows"
        )
    return _chart(read, columns)


@dataclass(slots=True)
class _Column:
    name: str
    unit: str
    factor: float
    decimals: int = 0

    def done(self) -> ChartUnit:
        return ChartUnit(name=self.unit, factor=self.factor, decimals=self.decimals)


class _ReadRow(NamedTuple):
    row: ChartRow
    where: str


def _lines(text: str, *, name: str) -> Iterator[tuple[int, list[str]]]:
    """The cells of each line that is not empty, with its number."""
    kept = text.splitlines()
    head = next((x for x in kept if x.strip()), "")
    mark = next((m for m in (",", ";", "\t") if m in head), ",")
    reader = csv.reader(kept, delimiter=mark, strict=True)
    count = 0
    try:
        for cells in reader:
            if any(c.strip() for c in cells):
                count += 1
                if count > LARGEST_ROWS + 1:
                    raise FileInvalid(where=name, what=f"has more than {LARGEST_ROWS} lines")
                yield reader.line_num, [c.strip() for c in cells]
    except csv.Error as exc:
        raise FileInvalid(
            where=f"{name}, line {reader.line_num}", what=f"is no line of a table ({exc})"
        ) from exc


def _columns(head: list[str], *, where: str) -> list[_Column]:
    columns = [_column(cell, where=f"{where}, column {n}") for n, cell in enumerate(head, 1)]
    names = [c.name for c in columns]
    for name in _COLUMNS:
        if names.count(name) > 1:
            raise FileInvalid(where=where, what=f"names the column {name} twice")
        if name in _NEEDED and name not in names:
            raise FileInvalid(
                where=where, what=f"names no column {name}", would_do=f"write it like {_EXAMPLE!r}"
            )
    return columns


def _column(cell: str, *, where: str) -> _Column:
    match = _HEADING.fullmatch(cell)
    name = re.sub(r"[ _]+", "_", match[1].lower()) if match else ""
    if match is None or name not in _COLUMNS:
        near = difflib.get_close_matches(name, _COLUMNS, n=1)
        would_do = f"did you mean {near[0]!r}?" if near else f"write it like {_EXAMPLE!r}"
        raise FileInvalid(where=where, what=f"{_shown(cell)} is no column here", would_do=would_do)
    unit = (match[2] if match[2] is not None else match[3]).strip()
    example = f"write it like {name + (' kg' if name == 'load' else ' m')!r}"
    if not unit:
        raise FileInvalid(where=where, what=f"{_shown(cell)} has no unit", would_do=example)
    try:
        return _Column(name, unit, unit_factor(unit, _COLUMNS[name]))
    except ValueError as exc:
        raise FileInvalid(
            where=where, what=f"{_shown(cell)} won't do", would_do=f"{exc}; {example}"
        ) from exc


def _row(cells: list[str], columns: list[_Column], *, where: str) -> _ReadRow:
    if len(cells) != len(columns):
        raise FileInvalid(
            where=where,
            what=f"has {len(cells)} columns and the first line {len(columns)}",
            would_do="write decimals with a point and leave no column out",
        )
    values = {
        column.name: _value(cell, column, where=f"{where}, column {column.name}")
        for cell, column in zip(cells, columns, strict=True)
    }
    row = ChartRow(values.get("boom_length", 0.0), values["radius"], values["load"])
    return _ReadRow(row, where)


def _value(cell: str, column: _Column, *, where: str) -> float:
    match = _NUMBER.fullmatch(cell)
    if cell.startswith(("-", "−")):
        raise FileInvalid(where=where, what=f"{_shown(cell)} is below 0")
    if match is None or not any(c.isdigit() for c in cell):
        raise FileInvalid(
            where=where,
            what=f"{_shown(cell)} is no number" if cell else "is empty",
            would_do=f"write a plain number of {column.unit}, decimals with a point",
        )
    number = float(f"{re.sub(r'[^0-9]', '', match[1] or '0')}.{match[2] or '0'}")
    column.decimals = max(column.decimals, len((match[2] or "").rstrip("0")))
    value = number * column.factor
    if not math.isfinite(value):
        raise FileInvalid(where=where, what=f"{_shown(cell)} is too large a number")
    if value <= 0 and column.name != "load":
        raise FileInvalid(where=where, what=f"{_shown(cell)} is not above 0")
    return value


def _chart(read: list[_ReadRow], columns: list[_Column]) -> LoadChart:
    units = {c.name: c.done() for c in columns}
    ordered = sorted(read, key=lambda r: r.row)
    rows: list[ChartRow] = []
    doubts: list[str] = []
    for earlier, later in pairwise([_ReadRow(ChartRow(-1.0, 0.0, 0.0), ""), *ordered]):
        if earlier.row[:2] == later.row[:2]:
            _refuse_two_loads(earlier, later, units["load"])
            continue
        same_boom = earlier.row.boom_length_m == later.row.boom_length_m
        if same_boom and later.row.load_kg > earlier.row.load_kg:
            doubts.append(_rise(earlier, later, units))
        rows.append(later.row)
    return LoadChart(
        rows=tuple(rows),
        has_boom_lengths="boom_length" in units,
        length_unit=units.get("boom_length", units["radius"]),
        radius_unit=units["radius"],
        load_unit=units["load"],
        doubts=tuple(doubts),
    )


def _refuse_two_loads(earlier: _ReadRow, later: _ReadRow, unit: ChartUnit) -> None:
    if earlier.row.load_kg != later.row.load_kg:
        line = earlier.where.rsplit(", ", 1)[-1]
        raise FileInvalid(
            where=later.where,
            what=f"gives {unit.of(later.row.load_kg):g} {unit.name} where {line} gives "
            f"{unit.of(earlier.row.load_kg):g} {unit.name} at the same radius",
            would_do="keep the one that the chart shows",
        )


def _rise(earlier: _ReadRow, later: _ReadRow, units: dict[str, ChartUnit]) -> str:
    radius, load = units["radius"], units["load"]
    return (
        f"{later.where}: the load rises from {load.of(earlier.row.load_kg):g} to "
        f"{load.of(later.row.load_kg):g} {load.name} as the radius grows from "
        f"{radius.of(earlier.row.radius_m):g} to {radius.of(later.row.radius_m):g} {radius.name}; "
        "compare it with the crane's chart"
    )


def _shown(text: str) -> str:
    return repr(text if len(text) <= _SHOWN_CHARACTERS else text[:_SHOWN_CHARACTERS] + "…")
