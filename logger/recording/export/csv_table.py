"""Readings as CSV, and what goes with them as JSON beside.

Channels at their own times make one long table, ``channel,t_s,utc,local,value,unit,raw``;
channels at common times a wide one with a row of units under the names. Numbers are written
with the fewest digits that give back the same float64.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from logger.readings.block import Values
from logger.recording.export.tables import Export, Piece, ReadingTable
from logger.recording.export.text_cells import quoted
from logger.recording.export.wall_time import WallTime, elapsed_text

_TIMES = (("t_s", "s"), ("utc", "ISO 8601"), ("local", "ISO 8601"))


def write_csv(path: Path, export: Export) -> None:
    """Writes the readings.

    Raises:
        RunUnreadable: where the samples are damaged.
        OSError: where the disk refuses.
    """
    with path.open("wb") as file:
        if export.together:
            _write_wide(file, export)
        else:
            _write_long(file, export)


def write_about(path: Path, export: Export) -> None:
    """Writes what goes with the readings: units, rules, result, events, notes, both TOML files.

    Raises:
        OSError: where the disk refuses.
    """
    text = json.dumps(export.about, ensure_ascii=False, indent=1, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", errors="replace")


def _write_long(file: BinaryIO, export: Export) -> None:
    names = [c.name for c in export.readings[0].columns] if export.readings else ["value"]
    after = ["value,unit" if name == "value" else name for name in names]
    heads = ["channel", *(name for name, _ in _TIMES), *after]
    file.write((",".join(heads) + "\n").encode())
    for table in export.readings:
        for piece in table.pieces():
            cells = [quoted(table.name), *_times(piece, export.wall)]
            for column, value in zip(table.columns, piece.values, strict=True):
                cells += [number_text(value), *([quoted(column.unit)] * (column.name == "value"))]
            write_lines(file, cells)


def _write_wide(file: BinaryIO, export: Export) -> None:
    for table in export.readings:
        file.writelines((",".join(line) + "\n").encode() for line in _wide_heads(table))
        for piece in table.pieces():
            write_lines(file, [*_times(piece, export.wall), *map(number_text, piece.values)])


def _wide_heads(table: ReadingTable) -> Iterator[list[str]]:
    yield [*(name for name, _ in _TIMES), *(quoted(c.name) for c in table.columns)]
    yield [*(unit for _, unit in _TIMES), *(quoted(c.unit) for c in table.columns)]


def _times(piece: Piece, wall: WallTime) -> list[pa.StringArray | str]:
    return [elapsed_text(piece.t_ns), *wall.texts(piece.t_ns)]


def number_text(value: Values) -> pa.StringArray:
    """Numbers as the shortest text that gives them back; empty where there is none."""
    text = pa.array(np.ascontiguousarray(value)).cast(pa.string())
    unknown = ~np.isfinite(value)
    return pc.if_else(pa.array(unknown), "", text) if unknown.any() else text


def write_lines(file: BinaryIO, cells: list[pa.StringArray | str]) -> None:
    """Writes rows of text cells.

    Args:
        file: where to.
        cells: a column each: an array of cells as they stand in the file, or one for all rows.
    """
    # One array of whole lines: its bytes are the file's.
    lines = pc.binary_join_element_wise(
        *(pa.scalar(c) if isinstance(c, str) else c for c in cells), ","
    )
    lines = pc.binary_join_element_wise(lines, pa.scalar(""), "\n")
    file.write(lines.buffers()[2].to_pybytes() if len(lines) else b"")
