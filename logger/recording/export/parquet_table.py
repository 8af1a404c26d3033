"""Readings as a Parquet file for other programs: typed columns, times to the nanosecond.

This is no run: it has calibrated values and times of day, and no seal. What goes with the
readings is JSON in the file's metadata under ``slewtrace.export``.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from logger.readings.block import Nanoseconds, Values
from logger.recording.export.tables import Export, Piece, ReadingTable
from logger.recording.export.wall_time import WallTime

ABOUT_KEY = b"slewtrace.export"
_NAME = pa.dictionary(pa.int32(), pa.string())
_TIME_FIELDS = (
    pa.field("t_ns", pa.int64(), nullable=False),
    pa.field("t_s", pa.float64(), nullable=False),
    pa.field("utc", pa.timestamp("ns", "UTC")),
    pa.field("local", pa.timestamp("ns")),
    pa.field("local_ahead_s", pa.int32()),
)


def write_parquet(path: Path, export: Export) -> None:
    """Writes the readings and all that goes with them.

    Raises:
        RunUnreadable: where the samples are damaged.
        OSError: where the disk refuses.
    """
    schema = _schema(export)
    with pq.ParquetWriter(path, schema, compression="zstd", write_page_checksum=True) as writer:
        for table in export.readings:
            for piece in table.pieces():
                writer.write_batch(_batch(piece, table, export, schema))
        about = json.dumps(export.about, ensure_ascii=False, allow_nan=False)
        writer.add_key_value_metadata({ABOUT_KEY: about.encode(errors="replace")})


def _schema(export: Export) -> pa.Schema:
    if export.together:
        columns = export.readings[0].columns
        own = [pa.field(c.name, pa.float64(), metadata={"unit": c.unit}) for c in columns]
        return pa.schema([*_TIME_FIELDS, *own])
    names = [c.name for c in export.readings[0].columns] if export.readings else ["value"]
    unit = [pa.field("unit", _NAME)] if "value" in names else []
    values = [pa.field(name, pa.float64()) for name in names]
    return pa.schema([pa.field("channel", _NAME, nullable=False), *_TIME_FIELDS, *values, *unit])


def _batch(piece: Piece, table: ReadingTable, export: Export, schema: pa.Schema) -> pa.RecordBatch:
    rows = piece.t_ns.size
    columns: dict[str, Any] = _times(piece.t_ns, export.wall)
    columns |= {c.name: _numbers(v) for c, v in zip(table.columns, piece.values, strict=True)}
    if not export.together:
        columns["channel"] = _same(table.name, rows)
        columns["unit"] = _same(table.columns[0].unit, rows)
    return pa.RecordBatch.from_arrays([columns[name] for name in schema.names], schema=schema)


def _times(t_ns: Nanoseconds, wall: WallTime) -> dict[str, pa.Array]:
    times = {"t_ns": pa.array(t_ns), "t_s": pa.array(t_ns / 1e9)}
    if not wall.known:
        empty = {f.name: pa.nulls(t_ns.size, f.type) for f in _TIME_FIELDS if f.nullable}
        return times | empty
    utc_ns = wall.utc_ns(t_ns)
    ahead_s = wall.offset_s(utc_ns)
    return times | {
        "utc": _moments(utc_ns).cast(pa.timestamp("ns", "UTC")),
        "local": _moments(utc_ns + ahead_s * 1_000_000_000),
        "local_ahead_s": pa.array(ahead_s.astype(np.int32)),
    }


def _moments(ns: NDArray[np.int64]) -> pa.Array:
    return pa.array(ns).cast(pa.timestamp("ns"))


def _numbers(value: Values) -> pa.Array:
    return pa.array(value, mask=np.isnan(value)) if np.isnan(value).any() else pa.array(value)


def _same(text: str, rows: int) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(
        pa.array(np.zeros(rows, dtype=np.int32)), pa.array([text], pa.string())
    )
