"""A fleet's sealed runs put together into packs, for a million of them to lie well in storage.

Runs that lie in a pack of a good size stay there. New ones, and those of packs that came out
small, are sorted by truck, test and time and go into new packs. A pack is ended when it has
reached the size that was asked for, so it is larger by a run at most. Nothing is taken out of a
pack when its source goes: that is what people keep packs for.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from dashboard.catalogue.places import Place
from dashboard.fleet.packs import Loose, PackWriter, content_hash, take_out
from logger.errors import BadInput, RunUnreadable, SlewtraceError, StorageFailed
from logger.recording.corrections import sidecar_path
from logger.recording.header import parse_header
from logger.recording.run import HEADER_KEY, open_run
from logger.recording.sealed import write_sealed

FORMAT = "slewtrace.packs/1"
POINTER = "packs.json"
PACK_MB = 256.0
SMALL_SHARE = 0.5
"""Of the size asked for: smaller packs are packed again together with new runs."""
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
Told = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """What a packing came to.

    Attributes:
        runs: runs that lie in packs.
        packs: how many packs.
        packed: runs that were packed now.
        refused: paths of runs that could not be read whole, with the reason.
    """

    runs: int
    packs: int
    packed: int
    refused: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """A run that is to be packed: from its file, or from a pack that came out small."""

    row: dict[str, str]
    path: str = ""


def pack_fleet(
    runs: Place,
    rows: pa.Table,
    packs: Place,
    *,
    pack_bytes: float,
    told: Told = lambda _done, _of: None,
) -> Packed:
    """Packs the runs of a catalogue.

    Args:
        runs: where the sealed runs lie.
        rows: the catalogue's rows of runs.
        packs: where the packs are to lie.
        pack_bytes: how large a pack is to become.
        told: hears how far it is.

    Raises:
        BadInput: where the packs that are there are damaged.
        StorageFailed: where a pack can't be written, or does not hold what was put in.
    """
    index, sizes = read_index(packs)
    there = {(r["sha256"], r["corrections_sha256"]) for r in index}
    new = [
        _Wanted(row={name: row[name] for name in INDEX.names if name != "pack"}, path=row["path"])
        for row in rows.to_pylist()
        if (row["sha256"], row["corrections_sha256"]) not in there
    ]
    if not new:
        return Packed(runs=len(index), packs=len(sizes), packed=0, refused={})
    small = {name for name, size in sizes.items() if size < SMALL_SHARE * pack_bytes}
    replaced = {w.row["run_id"] for w in new}
    again = [r for r in index if r["pack"] in small and r["run_id"] not in replaced]
    wanted = sorted([*new, *(_Wanted(row=r) for r in again)], key=_place_in_order)
    refused: dict[str, str] = {}
    made: list[dict[str, str]] = []
    with tempfile.TemporaryDirectory(prefix="slewtrace-packs-") as folder:
        loose = _loosened(wanted, runs, packs, refused)
        for name, held, size in _written(loose, packs, Path(folder), pack_bytes):
            made += [row | {"pack": name} for row in held]
            sizes[name] = size
            told(len(made), len(wanted))
    kept = [r for r in index if r["pack"] not in small and r["run_id"] not in replaced]
    sizes = {name: size for name, size in sizes.items() if name not in small}
    _write_index(packs, [*kept, *made], sizes)
    for name in small:
        packs.remove(name)
        packs.remove(_headers_name(name))
    return Packed(
        runs=len(kept) + len(made),
        packs=len(sizes),
        packed=len(new) - len(refused),
        refused=refused,
    )


def take_run_out(packs: Place, run_id: str, out: Path) -> None:
    """Seals a run anew from the pack that it lies in, with its corrections beside it.

    Args:
        packs: where the packs lie.
        run_id: which run.
        out: the file to make.

    Raises:
        BadInput: where no pack holds the run, or the file is there already.
        StorageFailed: where what the pack holds is not the run that was sealed.
    """
    index, _ = read_index(packs)
    name = next((r["pack"] for r in index if r["run_id"] == run_id), None)
    if name is None:
        raise BadInput(where=packs.words, what=f"no pack holds run {run_id!r}")
    with packs.at_hand(name) as file:
        loose = take_out(file, _headers(packs, name)[run_id])
        header, _ = parse_header(loose.header)
        written = write_sealed(out, header, loose.blocks)
    if written.sha256 != header.sha256:
        out.unlink()
        raise StorageFailed(f"{packs.words}/{name}: does not hold run {run_id} as it was sealed")
    if loose.corrections is not None:
        sidecar_path(out).write_bytes(loose.corrections)


def read_index(packs: Place) -> tuple[list[dict[str, str]], dict[str, int]]:
    """Which run lies in which pack, and how large each pack is; empty where there are none.

    Raises:
        BadInput: where the index is damaged.
    """
    data = packs.get(POINTER)
    if data is None:
        return [], {}
    try:
        pointer = json.loads(data)
        if pointer["format"] != FORMAT:
            raise _damaged(packs, f"is of format {pointer['format']!r}")
        table = pq.ParquetFile(pa.BufferReader(packs.get(pointer["index"]))).read()
        sizes = {str(name): int(size) for name, size in pointer["packs"].items()}
    except (ValueError, KeyError, TypeError, pa.ArrowException) as exc:
        raise _damaged(packs, f"is damaged ({type(exc).__name__})") from exc
    return table.to_pylist(), sizes


def _loosened(
    wanted: list[_Wanted], runs: Place, packs: Place, refused: dict[str, str]
) -> Iterator[tuple[dict[str, str], Loose]]:
    """The wanted runs one after the other, whole; what can't be read is refused."""
    with ExitStack() as at_hand:
        opened: dict[str, tuple[Path, dict[str, Any]]] = {}
        for run in wanted:
            if run.path:
                try:
                    with runs.at_hand(run.path) as file:
                        yield run.row, _from_file(file, run.row)
                except (SlewtraceError, OSError) as exc:
                    if isinstance(exc, StorageFailed):
                        raise
                    refused[run.path] = str(exc)
                continue
            name = run.row["pack"]
            if name not in opened:
                opened[name] = (at_hand.enter_context(packs.at_hand(name)), _headers(packs, name))
            pack, headers = opened[name]
            yield run.row, take_out(pack, headers[run.row["run_id"]])


def _from_file(file: Path, row: dict[str, str]) -> Loose:
    """A sealed run, read whole and compared with its hash, so that nothing damaged is packed."""
    run = open_run(file, corrected=False)
    sidecar = sidecar_path(file)
    loose = Loose(
        header=pq.read_metadata(file).metadata[HEADER_KEY],
        corrections=sidecar.read_bytes() if sidecar.exists() else None,
        blocks=[piece for channel in sorted(run.channels) for piece in run.raw_pieces(channel)],
    )
    if run.header.sha256 != row["sha256"]:
        raise RunUnreadable(where=str(file), what="has changed since it was catalogued")
    if content_hash(loose) != row["sha256"]:
        raise RunUnreadable(where=str(file), what="does not have the SHA-256 that it states")
    return loose


def _written(
    loose: Iterator[tuple[dict[str, str], Loose]], packs: Place, folder: Path, pack_bytes: float
) -> Iterator[tuple[str, list[dict[str, str]], int]]:
    """Packs as they are put in place: name, rows of the runs in it, size in bytes."""
    local = folder / "pack.parquet"
    writer: PackWriter | None = None
    held: list[dict[str, str]] = []
    try:
        for row, run in loose:
            writer = writer or PackWriter(local)
            writer.add(run)
            held.append(row)
            if writer.size_bytes >= pack_bytes:
                yield _put(writer, local, packs), held, local.stat().st_size
                writer, held = None, []
        if writer is not None:
            yield _put(writer, local, packs), held, local.stat().st_size
    finally:
        if writer is not None:
            writer.abandon()


def _put(writer: PackWriter, local: Path, packs: Place) -> str:
    headers = writer.finish()
    with local.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    name = f"pack-{digest[:16]}.parquet"
    packs.put_file(name, local)
    packs.put(_headers_name(name), _parquet(headers))
    return name


def _write_index(packs: Place, rows: list[dict[str, str]], sizes: dict[str, int]) -> None:
    table = pa.Table.from_pylist(rows, INDEX).sort_by([(n, "ascending") for n in _ORDER])
    data = _parquet(table)
    name = f"index-{hashlib.sha256(data).hexdigest()[:16]}.parquet"
    packs.put(name, data)
    pointer = {"format": FORMAT, "index": name, "packs": dict(sorted(sizes.items()))}
    packs.put(POINTER, json.dumps(pointer, indent=1).encode() + b"\n")
    for other in packs.names():
        if other.startswith("index-") and other != name:
            packs.remove(other)


def _headers(packs: Place, name: str) -> dict[str, Any]:
    """A pack's table of headers, by run id."""
    data = packs.get(_headers_name(name))
    if data is None:
        raise _damaged(packs, f"{name} has no table of headers")
    rows = pq.ParquetFile(pa.BufferReader(data)).read().to_pylist()
    return {row["run_id"]: row for row in rows}


def _headers_name(pack: str) -> str:
    return f"{pack.removesuffix('.parquet')}.headers.parquet"


def _parquet(table: pa.Table) -> memoryview:
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd", write_page_checksum=True)
    return memoryview(sink.getvalue())


def _place_in_order(wanted: _Wanted) -> tuple[str, ...]:
    row = wanted.row
    return (row["truck"], row["test"], row["started_utc"] or "~", row["run_id"])


def _damaged(packs: Place, what: str) -> BadInput:
    return BadInput(
        where=f"{packs.words}/{POINTER}", what=what, would_do="take the packs from a copy"
    )
