"""Packs: the samples of many sealed runs in one Parquet file each, as object storage likes them.

A pack holds the columns run_id, channel, t_ns and value, sorted by truck, test and time of the
runs, then as each run has them. Beside it lies a table of headers: for each run where its rows
begin, its header as it was sealed, and its corrections. So each run can be taken out again, and
its content hash proves that it is the one that went in. A pack is read back whole before it
gets its name.
"""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import StorageFailed
from logger.readings.block import Block, Nanoseconds, Values
from logger.recording.content_hash import ContentHash
from logger.recording.header import parse_header

ROWS_IN_GROUP = 1 << 18
"""Samples in a row group, of several runs or of a part of a long one: one run is read without
much else."""
_COMPRESSION_LEVEL = 3
_WORD = pa.dictionary(pa.int32(), pa.string())
SAMPLES = pa.schema(
    [
        pa.field("run_id", _WORD, nullable=False),
        pa.field("channel", _WORD, nullable=False),
        pa.field("t_ns", pa.int64(), nullable=False),
        pa.field("value", pa.float64(), nullable=False),
    ]
)
HEADERS = pa.schema(
    [
        pa.field("run_id", pa.string(), nullable=False),
        pa.field("sha256", pa.string(), nullable=False),
        pa.field("first_row", pa.int64(), nullable=False),
        pa.field("rows", pa.int64(), nullable=False),
        pa.field("header", pa.binary(), nullable=False),  # JSON, as it was sealed
        pa.field("corrections", pa.binary()),  # the file beside the run; null without one
    ]
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loose:
    """A run on its way into a pack, or out of one.

    Attributes:
        header: its header as it was sealed, JSON.
        corrections: the file of corrections beside it; None without one.
        blocks: its samples, channels in order, each by time.
    """

    header: bytes
    corrections: bytes | None
    blocks: Iterable[Block]


class PackWriter:
    """Writes one pack to a file of this machine.

    Args:
        path: the file to make.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._sink = path.open("wb")
        self._writer = pq.ParquetWriter(
            self._sink,
            SAMPLES,
            compression="zstd",
            compression_level=_COMPRESSION_LEVEL,
            use_dictionary=["run_id", "channel", "value"],
            column_encoding={"t_ns": "DELTA_BINARY_PACKED"},
            write_page_checksum=True,
        )
        self._pieces: list[tuple[str, Block]] = []
        self._waiting = 0
        self._rows = 0
        self._headers: list[dict[str, Any]] = []

    @property
    def size_bytes(self) -> int:
        """How large the file is so far, without what still waits to be written."""
        return self._sink.tell()

    def add(self, run: Loose) -> None:
        """Adds a run behind the others.

        Raises:
            ValueError: where its header is none.
        """
        header, _ = parse_header(run.header)
        first_row = self._rows
        for block in run.blocks:
            self._pieces.append((header.run_id, block))
            self._rows += len(block)
            self._waiting += len(block)
            if self._waiting >= ROWS_IN_GROUP:
                self._flush()
        self._headers.append(
            {
                "run_id": header.run_id,
                "sha256": header.sha256,
                "first_row": first_row,
                "rows": self._rows - first_row,
                "header": run.header,
                "corrections": run.corrections,
            }
        )

    def _flush(self) -> None:
        if self._pieces:
            self._writer.write_table(_rows_of(self._pieces), row_group_size=2 * ROWS_IN_GROUP)
        self._pieces.clear()
        self._waiting = 0

    def finish(self) -> pa.Table:
        """Ends the pack, and reads it back.

        Returns:
            The table of headers.

        Raises:
            StorageFailed: where a run in it is not what its hash says.
        """
        self._flush()
        self._writer.close()
        self._sink.close()
        _check(self._path, self._headers)
        return pa.Table.from_pylist(self._headers, HEADERS)

    def abandon(self) -> None:
        """Ends it, come what may, and leaves nothing that would be written later."""
        with contextlib.suppress(OSError, ValueError):
            self._writer.close()
        with contextlib.suppress(OSError):
            self._sink.close()


def take_out(pack: Path, row: Mapping[str, Any]) -> Loose:
    """A run out of a pack.

    Args:
        pack: the pack's samples.
        row: the run's, of the table of headers.

    Returns:
        The run; its samples are read when they are asked for.
    """
    blocks = _blocks(pack, row["first_row"], row["first_row"] + row["rows"])
    return Loose(
        header=row["header"],
        corrections=row["corrections"],
        blocks=(block for _, block in blocks),
    )


def content_hash(run: Loose) -> str:
    """The content hash of a run as it is, whatever its header states."""
    content = ContentHash()
    for block in run.blocks:
        content.add(channel=block.channel, t_ns=block.t_ns, value=block.value)
    return content.of(parse_header(run.header)[1])


def _check(pack: Path, rows: list[dict[str, Any]]) -> None:
    """Reads a pack through, and compares each run's content hash with what its header states."""
    contents = {row["run_id"]: ContentHash() for row in rows}
    for run_id, block in _blocks(pack, 0, sum(row["rows"] for row in rows)):
        contents[run_id].add(channel=block.channel, t_ns=block.t_ns, value=block.value)
    for row in rows:
        _, header_json = parse_header(row["header"])
        if contents[row["run_id"]].of(header_json) != row["sha256"]:
            raise StorageFailed(f"{pack}: does not hold run {row['run_id']} as it was sealed")


def _blocks(pack: Path, first: int, end: int) -> Iterator[tuple[str, Block]]:
    """Samples of some rows: the run, and a block for each stretch of one channel."""
    file = pq.ParquetFile(pack, page_checksum_verification=True, arrow_extensions_enabled=False)
    start = 0
    with file:
        for number in range(file.num_row_groups):
            rows = file.metadata.row_group(number).num_rows
            if start < end and first < start + rows:
                table = file.read_row_group(number, use_threads=False)
                yield from _cut(table.slice(max(0, first - start), end - max(first, start)))
            start += rows


def _cut(table: pa.Table) -> Iterator[tuple[str, Block]]:
    for batch in table.unify_dictionaries().combine_chunks().to_batches():
        runs, channels = batch.column("run_id"), batch.column("channel")
        run_codes, codes = (_numpy(c.indices, np.dtype(np.int32)) for c in (runs, channels))
        t_ns = _numpy(batch.column("t_ns"), np.dtype(np.int64))
        value = _numpy(batch.column("value"), np.dtype(np.float64))
        changes = np.flatnonzero((np.diff(codes) != 0) | (np.diff(run_codes) != 0)) + 1
        for low, high in itertools.pairwise([0, *changes.tolist(), codes.size]):
            channel = channels.dictionary[int(codes[low])].as_py()
            run_id = runs.dictionary[int(run_codes[low])].as_py()
            yield run_id, Block(channel=channel, t_ns=t_ns[low:high], value=value[low:high])


def _numpy(column: pa.Array, kind: np.dtype[Any]) -> Any:
    """Arrow's memory as numpy's, not copied."""
    data = column.buffers()[1]
    return np.frombuffer(data, dtype=kind, count=column.offset + len(column))[column.offset :]


def _rows_of(pieces: list[tuple[str, Block]]) -> pa.Table:
    """Rows of samples; made from buffers, since ``pa.array`` of numpy would load pandas."""
    sizes = [len(block) for _, block in pieces]
    t_ns: Nanoseconds = np.concatenate([b.t_ns for _, b in pieces])
    value: Values = np.concatenate([b.value for _, b in pieces])
    return pa.Table.from_arrays(
        [
            _words([run_id for run_id, _ in pieces], sizes),
            _words([block.channel for _, block in pieces], sizes),
            pa.Array.from_buffers(pa.int64(), t_ns.size, [None, pa.py_buffer(t_ns)]),
            pa.Array.from_buffers(pa.float64(), value.size, [None, pa.py_buffer(value)]),
        ],
        schema=SAMPLES,
    )


def _words(names: list[str], sizes: list[int]) -> pa.DictionaryArray:
    """Each name as often as its size says."""
    known = {name: code for code, name in enumerate(dict.fromkeys(names))}
    codes = np.repeat(np.array([known[n] for n in names], np.int32), sizes)
    indices = pa.Array.from_buffers(pa.int32(), codes.size, [None, pa.py_buffer(codes)])
    return pa.DictionaryArray.from_arrays(indices, pa.array(list(known), pa.string()))
