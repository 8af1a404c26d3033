"""The catalogue as it lies on a disk or in a bucket: whole at any moment, whoever reads or writes.

Each table is a Parquet file named by its own SHA-256. ``catalogue.json`` names the files that
belong together and is put in place last, in one step, so a reader sees one catalogue or the
next, never half of each. What is written depends on the rows alone, not on the order in which
they came: equal rows give equal bytes and so equal names.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from dashboard.catalogue.columns import FORMAT, TABLES
from dashboard.catalogue.places import Place
from logger.errors import BadInput

POINTER = "catalogue.json"
_ROWS_IN_GROUP = 1 << 16
_ORDER = {
    "runs": ("truck", "test", "started_utc", "run_id"),
    "sectors": ("truck", "build", "kit", "started_utc", "run_id", "side", "from_deg"),
    "set_aside": ("path",),
    "files": ("path",),
}
_LARGEST_POINTER_BYTES = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """A whole catalogue.

    Attributes:
        tables: by name, as in ``columns.TABLES``; rows in the catalogue's order. One that is
            damaged says so, as BadInput, when it is asked for.
        method_version: of the results that its rows come from.
        rows: how many rows each table has.
        waiting: how many files were still to be analysed when it was written.
        stamp: changes whenever the catalogue does.
    """

    tables: Mapping[str, pa.Table]
    method_version: str
    rows: Mapping[str, int]
    waiting: int
    stamp: str


def write_snapshot(
    place: Place, tables: Mapping[str, pa.Table], *, method_version: str, waiting: int = 0
) -> None:
    """Writes a catalogue in place of the last one.

    The files of the last one stay, so that who is reading it can go on; older ones go.

    Args:
        place: the catalogue's folder.
        tables: a table for each of ``columns.TABLES``, rows in any order.
        method_version: of the results that the rows come from.
        waiting: how many files are still to be analysed.

    Raises:
        StorageFailed: where the disk or the bucket refuses.
    """
    named: dict[str, dict[str, Any]] = {}
    for name in TABLES:
        data = _parquet(_in_order(name, tables[name]))
        digest = hashlib.sha256(data).hexdigest()
        file = f"{name}-{digest[:16]}.parquet"
        named[name] = {"file": file, "rows": tables[name].num_rows, "sha256": digest}
        if not place.has(file):
            place.put(file, data)
    last = _pointed(place)
    pointer = {
        "format": FORMAT,
        "method_version": method_version,
        "waiting": waiting,
        "tables": named,
    }
    place.put(POINTER, json.dumps(pointer, indent=1, sort_keys=True).encode() + b"\n")
    kept = {t["file"] for t in named.values()} | last
    for file in place.names():
        if file not in kept and file.partition("-")[0] in TABLES and file.endswith(".parquet"):
            place.remove(file)


def snapshot_stamp(place: Place) -> str:
    """What stands for the catalogue of now; empty where there is none."""
    data = place.get(POINTER)
    return "" if data is None else hashlib.sha256(data).hexdigest()


def read_snapshot(place: Place) -> Snapshot | None:
    """Reads the catalogue; None where there is none.

    Raises:
        BadInput: in one line, where it is damaged, or of another version.
    """
    for _ in range(_TRIES - 1):
        try:
            return _read(place)
        except _Replaced:  # written anew twice while it was read
            continue
    return _read(place)


_TRIES = 5


class _Replaced(BadInput):
    """A table that the pointer names is gone."""


def _read(place: Place) -> Snapshot | None:
    data = place.get(POINTER)
    if data is None:
        return None
    try:
        pointer = json.loads(data[:_LARGEST_POINTER_BYTES])
        stated = pointer["format"]
        if stated != FORMAT:
            raise _unusable(place, f"is of format {stated!r}, and this program reads {FORMAT}")
        files = {name: _bytes(place, name, pointer["tables"][name]["file"]) for name in TABLES}
        return Snapshot(
            tables=_Tables(place, files),
            method_version=str(pointer["method_version"]),
            rows={name: int(pointer["tables"][name]["rows"]) for name in TABLES},
            waiting=int(pointer["waiting"]),
            stamp=hashlib.sha256(data).hexdigest(),
        )
    except (ValueError, KeyError, TypeError) as exc:
        raise _unusable(place, f"is damaged ({type(exc).__name__})") from exc


class _Tables(Mapping[str, pa.Table]):
    """The tables, whose bytes are there; each is decoded when someone asks for it."""

    def __init__(self, place: Place, files: Mapping[str, bytes]) -> None:
        self._place = place
        self._files = files
        self._decoded: dict[str, pa.Table] = {}

    def __getitem__(self, name: str) -> pa.Table:
        if name not in self._decoded:
            try:
                self._decoded[name] = _decoded(name, self._files[name])
            except (ValueError, OSError, pa.ArrowException) as exc:
                what = f"has a damaged table {name} ({type(exc).__name__})"
                raise _unusable(self._place, what) from exc
        return self._decoded[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._files)

    def __len__(self) -> int:
        return len(self._files)


def _bytes(place: Place, name: str, file: str) -> bytes:
    data = place.get(file) if file.startswith(f"{name}-") and "/" not in file else None
    if data is None:
        raise _Replaced(
            where=place.words,
            what="holds a catalogue without all of its tables",
            would_do="remove it; `slewtrace fleet` makes it anew",
        )
    return data


def _decoded(name: str, data: bytes) -> pa.Table:
    # read_table would load pandas, a second of a command that has nothing else to do.
    table = pq.ParquetFile(pa.BufferReader(data)).read(use_threads=False)
    if not table.schema.equals(TABLES[name]):
        raise ValueError("other columns")
    return table


def _pointed(place: Place) -> set[str]:
    """The files of the catalogue that stands."""
    data = place.get(POINTER)
    try:
        return {t["file"] for t in json.loads(data or b"")["tables"].values()}
    except (ValueError, KeyError, TypeError, AttributeError):
        return set()


def _in_order(name: str, table: pa.Table) -> pa.Table:
    return table.sort_by([(column, "ascending") for column in _ORDER[name]]).combine_chunks()


def _parquet(table: pa.Table) -> memoryview:
    sink = pa.BufferOutputStream()
    pq.write_table(
        table,
        sink,
        compression="zstd",
        row_group_size=_ROWS_IN_GROUP,
        write_page_checksum=True,
        store_schema=False,
    )
    return memoryview(sink.getvalue())


def _unusable(place: Place, what: str) -> BadInput:
    return BadInput(
        where=f"{place.words}/{POINTER}",
        what=what,
        would_do="remove it; `slewtrace fleet` makes it anew",
    )
