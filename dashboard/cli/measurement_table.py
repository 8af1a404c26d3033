"""A table of measured values as people keep it: CSV with the columns item, group and value."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from pathlib import Path

from dashboard.repeats.measurements import LARGEST, Measurements
from logger.cli.options import read_text
from logger.errors import FileInvalid

COLUMNS = ("item", "group", "value")


def read_measurements(path: Path) -> Measurements:
    """Reads such a table; fields set off by commas, or by semicolons as spreadsheets may.

    Where semicolons set fields off, a number may have a decimal comma.

    Raises:
        FileInvalid: naming line and column.
    """
    text = read_text(path, wanted="a CSV table")
    head = text.partition("\n")[0]
    mark = ";" if head.count(";") > head.count(",") else ","
    try:
        rows = [*_rows(text, mark, name=str(path))]
    except csv.Error as exc:
        raise FileInvalid(where=str(path), what=f"is no CSV table ({exc})") from exc
    if not rows:
        raise FileInvalid(
            where=str(path), what="holds no measurement", would_do="a line for each value"
        )
    items, groups, values = zip(*rows, strict=True)
    return Measurements(items=items, groups=groups, values=values)


def _rows(text: str, mark: str, *, name: str) -> Iterator[tuple[str, str, float]]:
    reader = csv.reader(text.splitlines(keepends=True), delimiter=mark, strict=True)
    places: dict[str, int] | None = None
    for row in reader:
        if not any(field.strip() for field in row):
            continue
        if places is None:
            places = _places(row, name=name)
            continue
        where = f"{name}, line {reader.line_num}"
        found = [_field(row, places[c], c, where=where) for c in COLUMNS]
        yield found[0], found[1], _value(found[2], mark, where=f"{where}, column value")


def _places(row: list[str], *, name: str) -> dict[str, int]:
    """Which column stands where."""
    named = [field.strip().casefold() for field in row]
    for column in COLUMNS:
        if named.count(column) != 1:
            how = "no" if column not in named else "more than one"
            raise FileInvalid(
                where=f"{name}, line 1",
                what=f"{how} column {column!r} among {', '.join(map(repr, named))}",
                would_do=f"begin with the line {','.join(COLUMNS)}",
            )
    return {column: named.index(column) for column in COLUMNS}


def _field(row: list[str], place: int, column: str, *, where: str) -> str:
    text = row[place].strip() if place < len(row) else ""
    if not text:
        raise FileInvalid(where=f"{where}, column {column}", what="is empty", would_do="fill it in")
    return text


def _value(text: str, mark: str, *, where: str) -> float:
    plain = text.replace("\u2212", "-").replace(",", "." if mark == ";" else ",")
    try:
        value = float(plain)
    except ValueError:
        value = math.nan
    if not abs(value) < LARGEST:
        raise FileInvalid(
            where=where,
            what=f"{text[:40]!r} is no measured number",
            would_do=f"a plain one, below {LARGEST:g} in size, such as 74.6",
        )
    return value
