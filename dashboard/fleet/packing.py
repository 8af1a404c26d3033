"""A fleet's sealed runs put together into packs, for a million of them to lie well in storage.

Runs that lie in a pack of a good size stay there. New ones, and those of packs that came out
small, are sorted by truck, test and time and go into new packs. A pack is ended when it has
reached the size that was asked for, so it is larger by a run at most. Nothing is taken out of a
pack when its source goes: that is what people keep packs for. So the packed version of a run is
given up only when a newer one of it was read whole and is in place.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from dashboard.catalogue.places import Place
from dashboard.fleet.pack_index import (
    INDEX,
    POINTER,
    IndexRow,
    damaged,
    index_of,
    put_pack,
    read_headers,
    read_index,
    remove_packs,
    write_index,
)
from dashboard.fleet.packs import Loose, PackWriter, content_hash, take_out
from logger.errors import BadInput, RunUnreadable, SlewtraceError, StorageFailed
from logger.readings.block import Block
from logger.recording.corrections import sidecar_path
from logger.recording.header import parse_header
from logger.recording.new_file import refuse_to_overwrite, whole_file
from logger.recording.run import HEADER_KEY, open_run
from logger.recording.sealed import write_sealed

PACK_MB = 256.0
SMALL_SHARE = 0.5
"""Of the size asked for: smaller packs are packed again together with new runs."""
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
    """A run that is to be packed: from its file, or from a pack that came out small.

    Attributes:
        row: its row of the index.
        path: its file; empty where it lies in a pack alone.
        packed: its row of the index as it lies in a small pack; None where it doesn't.
    """

    row: IndexRow
    path: str = ""
    packed: IndexRow | None = None


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
    was = packs.get(POINTER)
    index, sizes = index_of(packs, was)
    there = {(r["sha256"], r["corrections_sha256"]) for r in index}
    new = [
        row for row in rows.to_pylist() if (row["sha256"], row["corrections_sha256"]) not in there
    ]
    if not new:
        return Packed(runs=len(index), packs=len(sizes), packed=0, refused={})
    small = {name for name, size in sizes.items() if size < SMALL_SHARE * pack_bytes}
    wanted = _wanted(new, [r for r in index if r["pack"] in small])
    refused: dict[str, str] = {}
    made: list[IndexRow] = []
    made_sizes: dict[str, int] = {}
    with tempfile.TemporaryDirectory(prefix="slewtrace-packs-") as folder:
        loose = _loosened(wanted, runs, packs, refused)
        for name, held, size in _written(loose, packs, Path(folder), pack_bytes):
            made += [row | {"pack": name} for row in held]
            made_sizes[name] = size
            told(len(made), len(wanted))
    # Known only now: a newer version that could not be read replaces nothing.
    replaced = {row["run_id"] for row in made}
    kept = [r for r in index if r["pack"] not in small and r["run_id"] not in replaced]
    sizes = {name: size for name, size in sizes.items() if name not in small} | made_sizes
    write_index(packs, [*kept, *made], sizes, was=was)
    # Packed again, a small pack may come out as it was, under its own name.
    remove_packs(packs, sorted(small - sizes.keys()))
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
        BadInput: where no pack holds the run, its pack is damaged, or the file is there already,
            or one of corrections where its own would lie.
        StorageFailed: where what the pack holds is not the run that was sealed, or the disk
            refuses.
    """
    index, _ = read_index(packs)
    name = next((r["pack"] for r in index if r["run_id"] == run_id), None)
    if name is None:
        raise BadInput(where=packs.words, what=f"no pack holds run {run_id!r}")
    sidecar = sidecar_path(out)
    refuse_to_overwrite(out)
    refuse_to_overwrite(sidecar, kind="a file of corrections")
    with packs.at_hand(name) as file:
        loose = _out_of(packs, name, file, read_headers(packs, name), run_id)
        try:
            # First, so that the run is at no moment there without them.
            if loose.corrections is not None:
                with whole_file(sidecar, kind="a file of corrections") as partial:
                    partial.write_bytes(loose.corrections)
            header, _ = parse_header(loose.header)
            written = write_sealed(out, header, loose.blocks)
            if written.sha256 != header.sha256:
                out.unlink()
                what = f"does not hold run {run_id} as it was sealed"
                raise StorageFailed(f"{packs.words}/{name}: {what}")
        finally:
            if loose.corrections is not None and not out.exists():
                sidecar.unlink(missing_ok=True)


def _wanted(new: list[dict[str, Any]], packed: list[IndexRow]) -> list[_Wanted]:
    """What is to be packed, in order: new runs, and those of small packs.

    Args:
        new: rows of the catalogue.
        packed: rows of the index, of runs in small packs.
    """
    earlier = {row["run_id"]: row for row in packed}
    fresh = [
        _Wanted(
            row={name: row[name] for name in INDEX.names if name != "pack"},
            path=row["path"],
            packed=earlier.pop(row["run_id"], None),
        )
        for row in new
    ]
    again = [_Wanted(row=row, packed=row) for row in earlier.values()]
    return sorted([*fresh, *again], key=_place_in_order)


def _loosened(
    wanted: list[_Wanted], runs: Place, packs: Place, refused: dict[str, str]
) -> Iterator[tuple[IndexRow, Loose]]:
    """The wanted runs one after the other, whole.

    What can't be read is refused; where an earlier version of it was packed, that one stays.
    """
    with ExitStack() as at_hand:
        opened: dict[str, tuple[Path, Mapping[str, Any]]] = {}
        for run in wanted:
            if run.path:
                try:
                    with runs.at_hand(run.path) as file:
                        loose = _from_file(file, run.row)
                except (SlewtraceError, OSError) as exc:
                    if isinstance(exc, StorageFailed):
                        raise
                    refused[run.path] = str(exc)
                else:
                    yield run.row, loose
                    continue
            if run.packed is not None:
                name = run.packed["pack"]
                if name not in opened:
                    file = at_hand.enter_context(packs.at_hand(name))
                    opened[name] = (file, read_headers(packs, name))
                yield run.packed, _out_of(packs, name, *opened[name], run.packed["run_id"])


def _out_of(packs: Place, name: str, file: Path, headers: Mapping[str, Any], run_id: str) -> Loose:
    """A run out of a pack that is at hand."""
    if run_id not in headers:
        raise damaged(packs, name, f"does not hold run {run_id!r}, which the index says it does")
    loose = take_out(file, headers[run_id])
    return replace(loose, blocks=_told_of(packs, name, loose.blocks))


def _told_of(packs: Place, name: str, blocks: Iterable[Block]) -> Iterator[Block]:
    """Samples as they are, and whatever keeps them from being read told of the pack."""
    try:
        yield from blocks
    except (OSError, ValueError, pa.ArrowException) as exc:
        words = " ".join(str(exc).split())[:120]
        raise damaged(packs, name, f"can't be read ({type(exc).__name__}: {words})") from exc


def _from_file(file: Path, row: IndexRow) -> Loose:
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
    loose: Iterator[tuple[IndexRow, Loose]], packs: Place, folder: Path, pack_bytes: float
) -> Iterator[tuple[str, list[IndexRow], int]]:
    """Packs as they are put in place: name, rows of the runs in it, size in bytes."""
    local = folder / "pack.parquet"
    writer: PackWriter | None = None
    held: list[IndexRow] = []
    try:
        for row, run in loose:
            writer = writer or PackWriter(local)
            writer.add(run)
            held.append(row)
            if writer.size_bytes >= pack_bytes:
                yield put_pack(packs, local, writer.finish()), held, local.stat().st_size
                writer, held = None, []
        if writer is not None:
            yield put_pack(packs, local, writer.finish()), held, local.stat().st_size
    finally:
        if writer is not None:
            writer.abandon()


def _place_in_order(wanted: _Wanted) -> tuple[str, ...]:
    row = wanted.row
    return (row["truck"], row["test"], row["started_utc"] or "~", row["run_id"])
