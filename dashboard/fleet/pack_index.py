"""Which run lies in which pack: the index of packs, and the table of headers beside each.

``packs.json`` names the index and every pack. It is written last, over the old one, when all that
it names is in place, and only then is anything removed. So whenever packing is broken off, what
it names is there and whole. A pack's name comes from its samples and its headers, so no pack is
ever written over one with other contents.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from dashboard.catalogue.places import Place
from dashboard.fleet.packs import HEADERS
from logger.errors import BadInput, StorageFailed

FORMAT = "slewtrace.packs/1"
POINTER = "packs.json"
INDEX = pa.schema(
    [
        pa.field("truck", pa.string(), nullable=False),
        pa.field("test", pa.string(), nullable=False),
        pa.field("started_utc", pa.string()),
        pa.field("run_id", pa.string(), nullable=False),
        pa.field("sha256", pa.string(), nullable=False),
        pa.field("corrections_sha256", pa.string(), nullable=False),
        pa.field("pack", pa.string(), nullable=False),
    ]
)
_ORDER = ("truck", "test", "started_utc", "run_id")
_PACK = re.compile(r"pack-[0-9a-f]{16}\.parquet")
_INDEX_FILE = re.compile(r"index-[0-9a-f]{16}\.parquet")
_DAMAGES = (ValueError, KeyError, TypeError, AttributeError, OSError, pa.ArrowException)

IndexRow = dict[str, str]


def read_index(packs: Place) -> tuple[list[IndexRow], dict[str, int]]:
    """Which run lies in which pack, and how large each pack is; empty where there are none.

    Raises:
        BadInput: where the index is damaged.
    """
    return index_of(packs, packs.get(POINTER))


def index_of(packs: Place, pointer: bytes | None) -> tuple[list[IndexRow], dict[str, int]]:
    """The same, as the bytes of ``packs.json`` tell it; None where there is no such file.

    Raises:
        BadInput: where the index is damaged.
    """
    if pointer is None:
        return [], {}
    try:
        told = json.loads(pointer)
        if told["format"] != FORMAT:
            raise damaged(packs, POINTER, f"is of format {told['format']!r}")
        sizes = {str(name): int(size) for name, size in told["packs"].items()}
        # Packs are removed by these names: none may lead to another file.
        if not all(map(_PACK.fullmatch, sizes)) or not _INDEX_FILE.fullmatch(told["index"]):
            raise damaged(packs, POINTER, "names files that are no packs")
        rows = _rows(packs.get(told["index"]), INDEX)
    except (*_DAMAGES, RecursionError) as exc:
        raise damaged(packs, POINTER, f"is damaged ({type(exc).__name__})") from exc
    lost = next((row for row in rows if row["pack"] not in sizes), None)
    if lost is not None:
        what = f"is damaged (run {lost['run_id']!r} is in no pack that it names)"
        raise damaged(packs, POINTER, what)
    return rows, sizes


def write_index(
    packs: Place, rows: list[IndexRow], sizes: Mapping[str, int], *, was: bytes | None
) -> None:
    """Puts an index in place of the last; packs that it names are there by now.

    Args:
        packs: where the packs lie.
        rows: which run lies in which pack.
        sizes: how large each pack is, bytes.
        was: what ``packs.json`` was when the packing began; None where there was none.

    Raises:
        BadInput: where someone else has packed in the meantime; theirs stays.
        StorageFailed: where it can't be written; the last one stays.
    """
    table = pa.Table.from_pylist(rows, INDEX).sort_by([(n, "ascending") for n in _ORDER])
    data = _parquet(table)
    name = f"index-{hashlib.sha256(data).hexdigest()[:16]}.parquet"
    packs.put(name, data)
    pointer = {"format": FORMAT, "index": name, "packs": dict(sorted(sizes.items()))}
    if packs.get(POINTER) != was:
        raise BadInput(
            where=f"{packs.words}/{POINTER}",
            what="was changed by someone else in the meantime, and is left as it is",
            would_do="pack again, one at a time",
        )
    packs.put(POINTER, json.dumps(pointer, indent=1).encode() + b"\n")
    _remove(packs, [n for n in packs.names() if _INDEX_FILE.fullmatch(n) and n != name])


def put_pack(packs: Place, local: Path, headers: pa.Table) -> str:
    """Puts a pack in place, with its table of headers.

    Args:
        packs: where the packs lie.
        local: its samples, a file of this machine.
        headers: its table of headers.

    Returns:
        Its name.

    Raises:
        StorageFailed: where it can't be written.
    """
    beside = _parquet(headers)
    with local.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256")
    # The same samples with other corrections are another pack.
    digest.update(beside)
    name = f"pack-{digest.hexdigest()[:16]}.parquet"
    packs.put_file(name, local)
    packs.put(_headers_name(name), beside)
    return name


def remove_packs(packs: Place, names: Iterable[str]) -> None:
    """Removes packs that no index names any more, with their tables of headers.

    Raises:
        StorageFailed: where one can't be removed; all that the index names is there.
    """
    _remove(packs, [file for name in names for file in (name, _headers_name(name))])


def read_headers(packs: Place, name: str) -> dict[str, Any]:
    """A pack's table of headers, by run id.

    Raises:
        BadInput: where it is missing or damaged.
    """
    data = packs.get(_headers_name(name))
    if data is None:
        raise damaged(packs, name, "has no table of headers")
    try:
        return {row["run_id"]: row for row in _rows(data, HEADERS)}
    except _DAMAGES as exc:
        what = f"has a damaged table of headers ({type(exc).__name__})"
        raise damaged(packs, name, what) from exc


def damaged(packs: Place, name: str, what: str) -> BadInput:
    """The error that tells of a damaged file among the packs."""
    return BadInput(where=f"{packs.words}/{name}", what=what, would_do="take the packs from a copy")


def _remove(packs: Place, names: list[str]) -> None:
    for name in names:
        try:
            packs.remove(name)
        except OSError as exc:
            raise StorageFailed(
                f"{packs.words}/{name}: can't be removed ({exc.strerror or exc}), and nothing "
                "needs it any more"
            ) from exc


def _headers_name(pack: str) -> str:
    return f"{pack.removesuffix('.parquet')}.headers.parquet"


def _rows(data: bytes | None, schema: pa.Schema) -> list[dict[str, Any]]:
    """The rows of a table that was written with a schema."""
    reader = pa.BufferReader(data)
    table = pq.ParquetFile(
        reader, page_checksum_verification=True, arrow_extensions_enabled=False
    ).read()
    if not table.schema.equals(schema):
        raise ValueError("has other columns")
    rows: list[dict[str, Any]] = table.to_pylist()
    return rows


def _parquet(table: pa.Table) -> memoryview:
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd", write_page_checksum=True)
    return memoryview(sink.getvalue())
