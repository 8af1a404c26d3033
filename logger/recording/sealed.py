"""Writing a sealed run: one Parquet file that is whole or not there at all.

Samples stream into a file beside the final name. Only when it is complete, sealed, synced to
the disk, opened again and found to hold exactly what went in does it get its name, and that
name never replaces another file. A crash at any point leaves a ``.partial`` at worst.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import RunUnreadable, StorageFailed
from logger.readings.block import Block, Nanoseconds, Values
from logger.recording.content_hash import ContentHash
from logger.recording.file_seal import SealBroken, add_seal
from logger.recording.header import RunHeader, canonical_json
from logger.recording.new_file import give_name, refuse_to_overwrite, take_away
from logger.recording.run import HEADER_KEY, open_run

ROWS_IN_GROUP = 1 << 20
"""Samples in a row group: small enough that a stretch of time is read without much else."""

_COMPRESSION_LEVEL = 3
_SCHEMA = pa.schema(
    [
        pa.field("channel", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("t_ns", pa.int64(), nullable=False),
        pa.field("value", pa.float64(), nullable=False),
    ]
)


def write_sealed(path: Path, header: RunHeader, blocks: Iterable[Block]) -> RunHeader:
    """Writes a sealed run.

    Args:
        path: the file to make.
        header: the header; its ``samples`` and ``sha256`` are found here.
        blocks: all samples, blocks of one channel together, channels in order of their id's
            code points, times within a channel never falling.

    Returns:
        The header as it was written.

    Raises:
        BadInput: where the file is there already.
        ValueError: where the blocks are out of order.
        StorageFailed: where the disk refuses, or holds something else than was written.
    """
    refuse_to_overwrite(path)
    partial = path.with_name(f"{path.name}.partial")
    try:
        written = _write(partial, header, blocks)
        _check_written(partial, written)
        give_name(partial, path)
    except OSError as exc:
        raise StorageFailed(f"{path}: the disk refused ({exc.strerror or exc})") from exc
    finally:
        take_away(partial)
    return written


def _write(partial: Path, header: RunHeader, blocks: Iterable[Block]) -> RunHeader:
    content = ContentHash()
    with pq.ParquetWriter(
        partial,
        _SCHEMA,
        compression="zstd",
        compression_level=_COMPRESSION_LEVEL,
        use_dictionary=["channel", "value"],
        column_encoding={"t_ns": "DELTA_BINARY_PACKED"},
        write_page_checksum=True,
        sorting_columns=pq.SortingColumn.from_ordering(
            _SCHEMA, [("channel", "ascending"), ("t_ns", "ascending")]
        ),
    ) as writer:
        for channel, t_ns, value in _row_groups(blocks):
            content.add(channel=channel, t_ns=t_ns, value=value)
            writer.write_batch(_batch(channel, t_ns, value), row_group_size=ROWS_IN_GROUP)
        header = replace(header, samples=content.samples, sha256="")
        header = replace(header, sha256=content.of(header.to_json()))
        writer.add_key_value_metadata({HEADER_KEY: canonical_json(header.to_json())})
    add_seal(partial)
    return header


def _row_groups(blocks: Iterable[Block]) -> Iterator[tuple[str, Nanoseconds, Values]]:
    """Cuts blocks into row groups, and refuses blocks out of order."""
    channel, last_ns, rows = "", 0, 0
    held: list[Block] = []
    for block in blocks:
        if not len(block):
            continue
        if block.channel != channel:
            if block.channel < channel:
                raise ValueError(f"blocks of {block.channel} come after those of {channel}")
            yield from _emit(held, whole_only=False)
            channel, held, rows = block.channel, [], 0
        elif int(block.t_ns[0]) < last_ns:
            raise ValueError(f"times of {channel} fall between blocks")
        last_ns = int(block.t_ns[-1])
        held.append(block)
        rows += len(block)
        if rows >= ROWS_IN_GROUP:
            yield from _emit(held, whole_only=True)
            rows %= ROWS_IN_GROUP
    yield from _emit(held, whole_only=False)


def _emit(held: list[Block], *, whole_only: bool) -> Iterator[tuple[str, Nanoseconds, Values]]:
    """Row groups out of held blocks; what is over stays in ``held``."""
    if not held:
        return
    channel = held[0].channel
    t_ns, value = held[0].t_ns, held[0].value
    if len(held) > 1:
        t_ns = np.concatenate([b.t_ns for b in held])
        value = np.concatenate([b.value for b in held])
    end = t_ns.size - t_ns.size % ROWS_IN_GROUP if whole_only else t_ns.size
    for start in range(0, end, ROWS_IN_GROUP):
        part = slice(start, min(end, start + ROWS_IN_GROUP))
        yield channel, t_ns[part], value[part]
    held[:] = (
        [Block(channel=channel, t_ns=t_ns[end:], value=value[end:])] if end < t_ns.size else []
    )


def _batch(channel: str, t_ns: Nanoseconds, value: Values) -> pa.RecordBatch:
    """Arrow's view of numpy arrays, not copied (``pa.array`` would import pandas)."""
    count = t_ns.size
    indices = pa.Array.from_buffers(pa.int32(), count, [None, pa.py_buffer(bytes(4 * count))])
    return pa.RecordBatch.from_arrays(
        [
            pa.DictionaryArray.from_arrays(indices, _words(channel)),
            _column(pa.int64(), np.ascontiguousarray(t_ns, dtype=np.int64)),
            _column(pa.float64(), np.ascontiguousarray(value, dtype=np.float64)),
        ],
        schema=_SCHEMA,
    )


def _words(text: str) -> pa.Array:
    content = text.encode()
    offsets = np.array([0, len(content)], np.int32)
    return pa.Array.from_buffers(
        pa.string(), 1, [None, pa.py_buffer(offsets), pa.py_buffer(content)]
    )


def _column(kind: pa.DataType, values: Nanoseconds | Values) -> pa.Array:
    return pa.Array.from_buffers(kind, values.size, [None, pa.py_buffer(values)])


def _check_written(partial: Path, header: RunHeader) -> None:
    """Reads back what the disk holds: a run that was not read is not claimed."""
    try:
        run = open_run(partial, corrected=False)
        run.verify()
    except (RunUnreadable, SealBroken) as exc:
        raise StorageFailed(f"the disk does not hold what was written: {exc}") from exc
    if run.header.sha256 != header.sha256 or dict(run.header.samples) != dict(header.samples):
        raise StorageFailed(f"{partial}: the disk does not hold what was written")
