"""Readings as a MAT file of level 5: a struct of columns for each channel.

Small variables are written by scipy. The readings are not, since it would hold every column
twice: a struct of real columns is written here, piece by piece, in the level 5 format (The
MathWorks, "MAT-File Format"; the tests read it with scipy).
"""

from __future__ import annotations

import json
import re
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from logger.errors import BadInput
from logger.readings.block import Values
from logger.recording.export.tables import Cell, Column, Export, FactTable, Piece, ReadingTable
from logger.recording.export.wall_time import WallTime

LARGEST_BYTES = (1 << 31) - (1 << 20)
"""A level 5 file holds variables below 2 GiB; a file of more is one that few programs read."""

_LONGEST_NAME = 63
_FIELD_BYTES = 64
_INT8, _INT32, _UINT32, _DOUBLE, _MATRIX = 1, 5, 6, 9, 14
_STRUCT_CLASS, _DOUBLE_CLASS = 2, 6
_TIMES = (Column(name="t_s"), Column(name="utc_s"), Column(name="local_s"))


def write_mat(path: Path, export: Export) -> None:
    """Writes the readings and all that goes with them.

    Raises:
        BadInput: where the file would be larger than its format holds.
        RunUnreadable: where the samples are damaged.
        OSError: where the disk refuses.
    """
    from scipy.io import savemat  # noqa: PLC0415 - half a second that other formats need not pay

    size = sum(8 * t.rows * (len(_TIMES) + len(t.columns)) for t in export.readings)
    if size > LARGEST_BYTES:
        raise BadInput(
            where=".mat",
            what=f"{size / 1e9:.1f} GB of readings are more than a MAT file of level 5 holds",
            would_do="take --every, --from and --to, or fewer --channels; or export to .parquet",
        )
    names = identifiers([t.name for t in export.readings])
    with path.open("wb") as file:
        small = _small_variables(export, names)
        # scipy writes to any open file, which its types do not know.
        savemat(file, small, appendmat=False, long_field_names=True)  # type: ignore[arg-type]
        for name, table in zip(names, export.readings, strict=True):
            _write_struct(file, name, table, export.wall)


def identifiers(names: list[str]) -> list[str]:
    """Names as a MAT file's variables may be called: ``wheel/rear_left`` is wheel_rear_left."""
    taken = {"about_json", "columns", "facts"}
    found: list[str] = []
    for name in names:
        plain = re.sub(r"[^A-Za-z0-9_]", "_", name)
        plain = plain if plain[:1].isalpha() else f"x{plain}"
        base = plain = plain[: _LONGEST_NAME - 4]
        number = 2
        while plain.lower() in taken:
            plain, number = f"{base}_{number}", number + 1
        taken.add(plain.lower())
        found.append(plain)
    return found


def _small_variables(export: Export, names: list[str]) -> dict[str, Any]:
    columns = FactTable(
        name="columns",
        columns=tuple(Column(name=n) for n in ("variable", "field", "channel", "unit")),
        rows=tuple(
            (name, field, column.name if export.together else table.name, unit)
            for name, table in zip(names, export.readings, strict=True)
            for field, column, unit in _fields(table)
        ),
    )
    facts = identifiers([t.name for t in export.facts])
    return {
        "columns": _struct(columns),
        "facts": {n: _struct(t) for n, t in zip(facts, export.facts, strict=True)},
        "about_json": _plain(json.dumps(export.about, ensure_ascii=False, allow_nan=False)),
    }


def _fields(table: ReadingTable) -> Iterator[tuple[str, Column, str]]:
    units = ("s", "s since 1970, UTC", "s since 1970 by local clocks")
    for column, unit in zip(_TIMES, units, strict=True):
        yield column.name, column, unit
    own = identifiers([c.name for c in table.columns])
    for field, column in zip(own, table.columns, strict=True):
        yield field, column, column.unit


def _struct(table: FactTable) -> dict[str, Any]:
    """A table as a struct of columns: numbers as a column, text as a column of cells."""
    fields = identifiers([_with_unit(c) for c in table.columns])
    cells = zip(*table.rows, strict=True) if table.rows else [()] * len(fields)
    return {f: _column(list(c)) for f, c in zip(fields, cells, strict=True)}


def _with_unit(column: Column) -> str:
    unit = column.unit.replace("·", "").replace("%", "percent").replace("/", "_per_")
    return f"{column.name}_{unit}" if unit else column.name


def _column(cells: list[Cell]) -> np.ndarray[Any, Any]:
    if any(isinstance(c, str) for c in cells):
        texts = np.empty((len(cells), 1), dtype=object)
        for row, cell in enumerate(cells):
            texts[row, 0] = "" if cell is None else _plain(str(cell))
        return texts
    numbers = [np.nan if c is None else float(c) for c in cells]
    return np.array(numbers, dtype=np.float64).reshape(-1, 1)


def _plain(text: str) -> str:
    return text.encode(errors="replace").decode()


def _write_struct(file: BinaryIO, name: str, table: ReadingTable, wall: WallTime) -> None:
    """One variable: a struct of real columns, each streamed from the readings."""
    fields = [field for field, _, _ in _fields(table)]
    column_bytes = len(_column_head(table.rows)) + 8 * table.rows
    head = (
        _element(_UINT32, struct.pack("<II", _STRUCT_CLASS, 0))
        + _element(_INT32, struct.pack("<ii", 1, 1))
        + _element(_INT8, name.encode())
        + struct.pack("<HHi", _INT32, 4, _FIELD_BYTES)
        + _element(_INT8, b"".join(f.encode().ljust(_FIELD_BYTES, b"\0") for f in fields))
    )
    file.write(struct.pack("<II", _MATRIX, len(head) + len(fields) * column_bytes) + head)
    for number in range(len(fields)):
        file.write(_column_head(table.rows))
        file.writelines(
            _numbers(piece, number, wall).astype("<f8").tobytes() for piece in table.pieces()
        )


def _column_head(rows: int) -> bytes:
    """What stands before a real column's numbers, its own tag first."""
    head = (
        _element(_UINT32, struct.pack("<II", _DOUBLE_CLASS, 0))
        + _element(_INT32, struct.pack("<ii", rows, 1))
        + struct.pack("<II", _INT8, 0)
        + struct.pack("<II", _DOUBLE, 8 * rows)
    )
    return struct.pack("<II", _MATRIX, len(head) + 8 * rows) + head


def _element(kind: int, content: bytes) -> bytes:
    return struct.pack("<II", kind, len(content)) + content + bytes(-len(content) % 8)


def _numbers(piece: Piece, number: int, wall: WallTime) -> Values:
    if number == 0:
        return piece.t_ns / 1e9
    if number == 1:
        return wall.utc_seconds(piece.t_ns)
    if number == 2:
        return wall.local_seconds(piece.t_ns)
    return piece.values[number - len(_TIMES)]
