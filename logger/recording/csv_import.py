"""A table of readings made into a run: ``t_s,channel,value``, at any rate, in any order.

Two ways lead through each piece of the file. pyarrow reads it in bulk; where it can't, or
finds anything that a run can't hold, the same piece goes line by line through
:mod:`logger.recording.csv_lines`, which is the reference: it decides what is right, and names
the line that is not. Nothing is written before the whole table was understood.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from logger.errors import FileInvalid
from logger.readings.block import Block, Nanoseconds, Values
from logger.readings.rig_file import RigFile, read_rig
from logger.readings.test_file import check_wheels_are_wired, read_test
from logger.recording.csv_lines import LARGEST_T_S, CsvTable, read_header
from logger.recording.header import RunHeader
from logger.recording.new_file import refuse_to_overwrite
from logger.recording.sealed import write_sealed

_PIECE_BYTES = 16 << 20
_MOST_SPELLINGS = 64
"""A switch has few raw values; each spelling of them is understood once for a piece."""

Columns = dict[str, list[tuple[Nanoseconds, Values]]]


def import_csv(
    csv: Path,
    *,
    rig_text: str,
    test_text: str,
    run: Path,
    software: str,
    rig_name: str = "rig.toml",
    test_name: str = "test.toml",
    started_utc: str | None = None,
    load_chart_csv: str = "",
) -> RunHeader:
    """Makes a sealed run from a table of raw readings.

    Args:
        csv: the table, UTF-8, with a first line that names the columns ``t_s`` (s),
            ``channel`` (ids of the rig file) and ``value`` (raw: a number; for a wheel also
            ``true`` and ``false``, or text where the rig's ``closed_when`` is text).
        rig_text: the rig file.
        test_text: the test file.
        run: the run to make.
        software: name and version to keep in the run.
        rig_name: the rig file's name, for errors.
        test_name: the test file's name, for errors.
        started_utc: when ``t_s`` = 0 was, ISO 8601 ending in Z.
        load_chart_csv: the crane's load chart, kept verbatim; empty where there is none.

    Returns:
        The run's header.

    Raises:
        FileInvalid: naming the file and line at fault; nothing was written.
        BadInput: where the run is there already.
        StorageFailed: where the disk refuses.
    """
    rig = read_rig(rig_text, name=rig_name)
    check_wheels_are_wired(rig, read_test(test_text, name=test_name))
    refuse_to_overwrite(run)
    header = _new_header(
        run_id=run.stem,
        started_utc=started_utc,
        software=software,
        rig_toml=rig_text,
        test_toml=test_text,
        load_chart_csv=load_chart_csv,
    )
    columns = _read_table(csv, rig)
    return write_sealed(run, header, _sorted_blocks(columns))


def _new_header(
    *,
    run_id: str,
    started_utc: str | None,
    software: str,
    rig_toml: str,
    test_toml: str,
    load_chart_csv: str,
) -> RunHeader:
    try:
        return RunHeader(
            run_id=run_id,
            started_utc=started_utc,
            software=software,
            rig_toml=rig_toml,
            test_toml=test_toml,
            load_chart_csv=load_chart_csv,
        )
    except ValueError as exc:
        raise FileInvalid(where="start in UTC", what=str(exc)) from exc


def _read_table(csv: Path, rig: RigFile) -> Columns:
    if csv.is_dir():
        raise FileInvalid(where=str(csv), what="is a folder", would_do="name a .csv file")
    if not csv.is_file():
        what = "is no file" if csv.exists() else "is not there"
        raise FileInvalid(where=str(csv), what=what, would_do="name a .csv file")
    columns: Columns = {}
    try:
        with csv.open("rb") as file:
            table = read_header(file, name=str(csv), rig=rig)
            bulk = _BulkReader(table)
            for first_line, piece in _pieces(file, table):
                part = bulk.read(piece)
                if part is None:
                    part = table.read_lines(io.BytesIO(piece), first_line=first_line)
                for channel, samples in part.items():
                    columns.setdefault(channel, []).append(samples)
    except OSError as exc:
        raise FileInvalid(where=str(csv), what=f"can't be read ({exc.strerror or exc})") from exc
    if not columns:
        raise FileInvalid(
            where=str(csv), what="has no readings below its first line", would_do="add some"
        )
    return columns


def _pieces(file: BinaryIO, table: CsvTable) -> Iterator[tuple[int, bytes]]:
    """The rest of the file in pieces of whole lines, each with the number of its first line."""
    line, over = 2, b""
    while chunk := file.read(_PIECE_BYTES):
        end = chunk.rfind(b"\n") + 1
        if not end and len(chunk) == _PIECE_BYTES:
            raise table.invalid(line + over.count(b"\n"), f"has {_PIECE_BYTES} bytes in one line")
        piece, over = over + chunk[:end], chunk[end:] if end else over + chunk
        if end:
            yield line, piece
            line += piece.count(b"\n")
    if over:
        yield line, over


class _BulkReader:
    """pyarrow's way through a piece; gives None where the piece needs the careful one."""

    def __init__(self, table: CsvTable) -> None:
        self._table = table
        self._value_type = pa.string() if table.has_text_wheels else pa.float64()

    def read(self, piece: bytes) -> dict[str, tuple[Nanoseconds, Values]] | None:
        parsed = self._parse(piece)
        if parsed is None and self._value_type == pa.float64():
            # Switches may be written as words; then so is the rest of the file, probably.
            self._value_type = pa.string()
            parsed = self._parse(piece)
        if parsed is None:
            return None
        t_s = parsed.column("t_s").to_numpy()
        if not bool(np.all(np.abs(t_s) <= LARGEST_T_S)):
            return None
        channels = parsed.column("channel").combine_chunks()
        return self._split(np.rint(t_s * 1e9).astype(np.int64), channels, parsed.column("value"))

    def _parse(self, piece: bytes) -> pa.Table | None:
        types = {
            "t_s": pa.float64(),
            "channel": pa.dictionary(pa.int32(), pa.string()),
            "value": self._value_type,
        }
        try:
            return pa_csv.read_csv(
                pa.BufferReader(piece),
                read_options=pa_csv.ReadOptions(column_names=list(self._table.order)),
                convert_options=pa_csv.ConvertOptions(column_types=types, null_values=[]),
            ).unify_dictionaries()
        except pa.ArrowException:
            return None

    def _split(
        self, t_ns: Nanoseconds, channels: pa.DictionaryArray, values: pa.ChunkedArray
    ) -> dict[str, tuple[Nanoseconds, Values]] | None:
        found: dict[str, tuple[Nanoseconds, Values]] = {}
        codes = channels.indices.to_numpy()
        for code, name in enumerate(channels.dictionary.to_pylist()):
            channel = name.strip()
            rows = np.flatnonzero(codes == code)
            numbers = self._numbers(channel, values, rows)
            if numbers is None or channel in found:
                return None
            found[channel] = (t_ns[rows], numbers)
        return found

    def _numbers(
        self, channel: str, values: pa.ChunkedArray, rows: NDArray[np.intp]
    ) -> Values | None:
        if channel not in self._table.channels:
            return None
        if values.type == pa.float64():
            numbers = values.to_numpy()[rows]
        else:
            numbers = self._understood(channel, values.take(pa.array(rows)))
        return numbers if numbers is not None and bool(np.all(np.isfinite(numbers))) else None

    def _understood(self, channel: str, texts: pa.ChunkedArray) -> Values | None:
        if not self._table.channels[channel].is_wheel:
            try:
                return np.asarray(pc.cast(pc.ascii_trim_whitespace(texts), pa.float64()).to_numpy())
            except pa.ArrowException:
                return None
        spelled = texts.combine_chunks().dictionary_encode()
        if len(spelled.dictionary) > _MOST_SPELLINGS:
            return None
        try:
            meant = [self._table.number(channel, s) for s in spelled.dictionary.to_pylist()]
        except ValueError:
            return None
        codes: NDArray[np.int32] = spelled.indices.to_numpy()
        return np.asarray(meant, dtype=np.float64)[codes]


def _sorted_blocks(columns: Columns) -> Iterator[Block]:
    """One block a channel, by time; gives each channel's memory back once it is written."""
    for channel in sorted(columns):
        parts = columns.pop(channel)
        t_ns = np.concatenate([t for t, _ in parts])
        value = np.concatenate([v for _, v in parts])
        del parts
        if bool(np.any(t_ns[1:] < t_ns[:-1])):
            order = np.argsort(t_ns, kind="stable")
            t_ns, value = t_ns[order], value[order]
        yield Block(channel=channel, t_ns=t_ns, value=value)
