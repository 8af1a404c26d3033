"""Finding and reading one channel's samples in a sealed run, without the rest of the file.

Row groups hold one channel each, so the footer's statistics are an index: channel, first and
last time, number of rows. Samples go straight from Arrow's buffers into one numpy array that
was made for them, so that a whole channel is in memory once. Several threads decode row
groups side by side, as pyarrow's own whole-file reader does.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from logger.readings.block import Nanoseconds, Values

COLUMNS = ("channel", "t_ns", "value")
_PHYSICAL = ("BYTE_ARRAY", "INT64", "DOUBLE")
MOST_ROWS = 1 << 24
"""Samples in a row group, at most: 16 times what is ever written. A row group is read whole, and
a small file can state any number of equal rows."""
_MOST_WORKERS = 4
"""Threads that decode row groups; more gain nothing, since memory is the limit."""


class ColumnsUnreadable(ValueError):
    """The columns are not those of a run, or their pages are damaged; the text says which."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowGroup:
    """One row group, as the footer tells it.

    Attributes:
        number: its place in the file.
        rows: how many samples.
        first_ns: time of its first sample, ns.
        last_ns: time of its last sample, ns.
    """

    number: int
    rows: int
    first_ns: int
    last_ns: int


def check_schema(metadata: pq.FileMetaData) -> None:
    """Refuses a file whose columns are not plain text, int64 and float64.

    Looks at Parquet's own types only, so that no Arrow extension type is ever built.

    Raises:
        ColumnsUnreadable: where they are anything else.
    """
    schema = metadata.schema
    columns = [schema.column(i) for i in range(len(schema))] if len(schema) <= len(COLUMNS) else []
    plain = [(c.path, c.physical_type, c.max_repetition_level) for c in columns]
    if plain != [(n, p, 0) for n, p in zip(COLUMNS, _PHYSICAL, strict=True)]:
        raise ColumnsUnreadable("does not have the columns channel, t_ns and value of a run")
    if any(str(c.logical_type.type) not in ("NONE", "INT") for c in columns[1:]):
        raise ColumnsUnreadable("has times or values of a type that is no plain number")


def index_row_groups(metadata: pq.FileMetaData) -> dict[str, tuple[RowGroup, ...]]:
    """Which row groups hold which channel.

    Returns:
        For each channel its row groups in order of time.

    Raises:
        ColumnsUnreadable: where a row group mixes channels, has no statistics, or is larger than
            any that is written.
    """
    index: dict[str, list[RowGroup]] = {}
    for number in range(metadata.num_row_groups):
        group = metadata.row_group(number)
        _check_size(group, number)
        channel, times = (group.column(i).statistics for i in (0, 1))
        if not (channel and channel.has_min_max and times and times.has_min_max):
            raise ColumnsUnreadable(f"has no statistics for row group {number}")
        if channel.min != channel.max:
            raise ColumnsUnreadable(f"has several channels in row group {number}")
        known = index.setdefault(str(channel.min), [])
        if known and times.min < known[-1].last_ns:
            raise ColumnsUnreadable(f"has times of {channel.min} that fall")
        known.append(
            RowGroup(number=number, rows=group.num_rows, first_ns=times.min, last_ns=times.max)
        )
    return {channel: tuple(groups) for channel, groups in index.items()}


def _check_size(group: pq.RowGroupMetaData, number: int) -> None:
    """Refuses a row group that would take too much memory, before any of it is read."""
    if not 0 <= group.num_rows <= MOST_ROWS:
        raise ColumnsUnreadable(
            f"has {group.num_rows} samples in row group {number}, and no run has more than "
            f"{MOST_ROWS} in one"
        )
    # Arrow reads as many values as a column states, whatever the row group says.
    if any(group.column(i).num_values != group.num_rows for i in range(len(COLUMNS))):
        raise ColumnsUnreadable(f"has columns of unequal length in row group {number}")


def read_samples(
    path: Path, *, metadata: pq.FileMetaData, channel: str, groups: Sequence[RowGroup]
) -> tuple[Nanoseconds, Values]:
    """Reads whole row groups of one channel.

    Args:
        path: the run.
        metadata: its footer, already read.
        channel: the channel's id.
        groups: the row groups, in order of time.

    Returns:
        Times and raw values, each of shape (n,).

    Raises:
        ColumnsUnreadable: where a page is damaged or can't be read.
    """
    ends = np.cumsum([g.rows for g in groups], dtype=np.int64)
    rows = int(ends[-1]) if groups else 0
    t_ns, value = _new_array(rows, np.dtype(np.int64)), _new_array(rows, np.dtype(np.float64))
    workers = min(len(groups), os.cpu_count() or 1, _MOST_WORKERS)

    def fill(worker: int) -> None:
        mine = groups[worker::workers]
        read = _each_group(path, metadata=metadata, channel=channel, groups=mine)
        for group, end, (times, values) in zip(mine, ends[worker::workers], read, strict=True):
            if not times.size == values.size == group.rows:
                raise ColumnsUnreadable(f"has not the number of samples of {channel} it states")
            t_ns[end - group.rows : end] = times
            value[end - group.rows : end] = values

    if workers < 2:
        for worker in range(workers):
            fill(worker)
    else:
        with ThreadPoolExecutor(workers, thread_name_prefix="read") as pool:
            list(pool.map(fill, range(workers)))
    return t_ns, value


def _new_array(rows: int, dtype: np.dtype[Any]) -> NDArray[Any]:
    """Memory from Arrow's pool, which is used again from one channel to the next.

    New memory from the system costs more time than decoding the samples into it (measured).
    """
    if not rows:
        return np.empty(0, dtype=dtype)
    return np.frombuffer(pa.allocate_buffer(rows * dtype.itemsize), dtype=dtype)


def stream_samples(
    path: Path, *, metadata: pq.FileMetaData, channel: str, groups: Sequence[RowGroup]
) -> Iterator[tuple[Nanoseconds, Values]]:
    """Reads row groups of one channel one after the other; only one is in memory.

    Raises:
        ColumnsUnreadable: where a page is damaged or can't be read.
    """
    return _each_group(path, metadata=metadata, channel=channel, groups=groups)


def check_channel_column(
    path: Path, *, metadata: pq.FileMetaData, index: dict[str, tuple[RowGroup, ...]]
) -> None:
    """Compares every channel name in the samples with the statistics that reads rely on.

    Raises:
        ColumnsUnreadable: where a row says another channel.
    """
    for channel, groups in index.items():
        with _opened(path, metadata, channel) as file:
            for group in groups:
                names = file.read_row_group(group.number, columns=["channel"]).column(0)
                if names.unique().to_pylist() != [channel]:
                    raise ColumnsUnreadable(f"has rows of other channels among those of {channel}")


def _each_group(
    path: Path, *, metadata: pq.FileMetaData, channel: str, groups: Sequence[RowGroup]
) -> Iterator[tuple[Nanoseconds, Values]]:
    with _opened(path, metadata, channel) as file:
        for group in groups:
            table = file.read_row_group(group.number, columns=["t_ns", "value"], use_threads=False)
            yield (
                _as_numpy(table.column("t_ns"), np.dtype(np.int64)),
                _as_numpy(table.column("value"), np.dtype(np.float64)),
            )


class _opened:  # noqa: N801 - reads as the `with` phrase that it is
    """The file's columns, with every failure of Arrow's told as one error."""

    def __init__(self, path: Path, metadata: pq.FileMetaData, channel: str) -> None:
        self._channel = channel
        self._file = pq.ParquetFile(
            path,
            metadata=metadata,
            pre_buffer=False,
            page_checksum_verification=True,
            arrow_extensions_enabled=False,
        )

    def __enter__(self) -> pq.ParquetFile:
        return self._file

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, tb: object
    ) -> None:
        self._file.close()
        if isinstance(exc, OSError | pa.ArrowException | MemoryError):
            raise ColumnsUnreadable(f"has damaged samples of {self._channel}") from exc


def _as_numpy(column: pa.ChunkedArray, dtype: np.dtype[Any]) -> NDArray[Any]:
    """Arrow's buffer as numpy, not copied (``to_numpy`` would import pandas)."""
    if column.null_count:
        raise pa.ArrowInvalid("a reading is missing")
    parts = [
        np.frombuffer(c.buffers()[1], dtype=dtype, count=len(c), offset=c.offset * dtype.itemsize)
        for c in column.chunks
        if len(c)
    ]
    return parts[0] if len(parts) == 1 else np.concatenate(parts or [np.empty(0, dtype=dtype)])
