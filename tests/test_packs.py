"""Many sealed runs in few large files, and each of them taken out again."""

from __future__ import annotations

import gc
import json
import shutil
import sys
from pathlib import Path

import duckdb
import numpy as np
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from dashboard.catalogue.bucket import Bucket
from dashboard.catalogue.places import Folder, catalogue_place, place_of
from dashboard.catalogue.snapshot import read_snapshot
from dashboard.cli import app
from dashboard.fleet import packs as packs_module
from dashboard.fleet.pack_index import POINTER, read_headers, read_index
from dashboard.fleet.packing import pack_fleet, take_run_out
from logger.errors import BadInput, StorageFailed
from logger.readings.block import Block
from logger.recording.corrections import sidecar_path
from logger.recording.run import open_run
from tests.made_fleet import PLAN, small_fleet


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """A fleet of small runs with its catalogue."""
    return small_fleet(tmp_path_factory)


@pytest.fixture(autouse=True)
def small_groups(monkeypatch):
    """Row groups of less than a run, as a long run's are."""
    monkeypatch.setattr(packs_module, "ROWS_IN_GROUP", 20_000)


def rows_of(folder):
    return read_snapshot(catalogue_place(folder)).tables["runs"]


def pack(folder, packs, *, size=40_000, rows=None):
    rows = rows_of(folder) if rows is None else rows
    return pack_fleet(place_of(folder), rows, place_of(packs), pack_bytes=size)


def test_each_run_comes_out_as_it_went_in(fleet, tmp_path):
    """A run that is taken out has the header and the samples that it had, to the bit."""
    packed = pack(fleet, tmp_path / "packs")

    assert (packed.runs, packed.packed, packed.refused) == (PLAN.runs, PLAN.runs, {})
    assert packed.packs > 1
    for row in rows_of(fleet).to_pylist():
        out = tmp_path / f"{row['run_id']}.parquet"
        take_run_out(place_of(tmp_path / "packs"), row["run_id"], out)
        was, now = open_run(fleet / row["path"]), open_run(out)
        now.verify()

        assert now.header == was.header
        assert now.header.sha256 == row["sha256"]
        for channel in was.channels:
            a, b = was.raw(channel), now.raw(channel)
            assert a.t_ns.tobytes() == b.t_ns.tobytes()
            assert a.value.tobytes() == b.value.tobytes()


def test_packs_are_of_a_size_and_in_order(fleet, tmp_path):
    """All packs but the last have the size that was asked for, and rows by truck, test and time."""
    pack(fleet, tmp_path, size=30_000)
    index, sizes = read_index(place_of(tmp_path))
    by_run = {r["run_id"]: r for r in index}
    in_order = []
    for name in dict.fromkeys(r["pack"] for r in index):
        runs = pq.ParquetFile(tmp_path / name).read().column("run_id").to_pylist()
        in_order += dict.fromkeys(runs)

    assert sorted(sizes.values())[1] >= 30_000
    assert all((tmp_path / name).stat().st_size == size for name, size in sizes.items())
    assert in_order == sorted(
        by_run, key=lambda r: (by_run[r]["truck"], by_run[r]["test"], by_run[r]["started_utc"])
    )


def test_any_reader_asks_packs(fleet, tmp_path):
    """A program without this one finds a run's greatest load among all packs."""
    pack(fleet, tmp_path)
    row = rows_of(fleet).to_pylist()[0]
    found = duckdb.execute(
        "SELECT max(value) FROM read_parquet(?) WHERE run_id = ? AND channel = 'load'",
        [str(tmp_path / "pack-????????????????.parquet"), row["run_id"]],
    ).fetchall()

    assert found == [(open_run(fleet / row["path"]).raw("load").value.max(),)]


def test_packing_goes_on(fleet, tmp_path):
    """New runs go into new packs, small packs are packed again, good ones stay, sources may go."""
    source = shutil.copytree(fleet, tmp_path / "fleet")
    packs = tmp_path / "packs"
    first = pack(source, packs, rows=rows_of(source).slice(0, 4))
    before = read_index(place_of(packs))[1]
    for path in rows_of(source).slice(0, 4).column("path").to_pylist():
        (source / path).unlink()
    second = pack(source, packs)
    after = read_index(place_of(packs))[1]
    again = pack(source, packs)
    good = {name for name, size in before.items() if size >= 20_000}
    lying = {p.name for p in packs.glob("pack-*.parquet") if "headers" not in p.name}

    assert (first.runs, second.runs, second.packed) == (4, PLAN.runs, PLAN.runs - 4)
    assert good <= after.keys() == lying
    assert again.packed == 0
    assert read_index(place_of(packs))[1] == after


def test_damaged_and_changed_runs_are_not_packed(fleet, tmp_path):
    """A run whose samples do not have its hash, or that is gone, is refused and the rest packed."""
    source = shutil.copytree(fleet, tmp_path / "fleet")
    first, second = rows_of(source).column("path").to_pylist()[:2]
    data = bytearray((source / first).read_bytes())
    data[200] ^= 1
    (source / first).write_bytes(data)
    (source / second).unlink()
    packed = pack(source, tmp_path / "packs")

    assert set(packed.refused) == {first, second}
    assert packed.runs == PLAN.runs - 2


def test_a_pack_is_read_back(fleet, tmp_path, monkeypatch):
    """A pack that does not hold what went in never gets a name."""

    def spoilt(pieces):
        changed = [(r, Block(channel=b.channel, t_ns=b.t_ns, value=b.value + 1)) for r, b in pieces]
        return kept(changed)

    kept = packs_module._rows_of
    monkeypatch.setattr(packs_module, "_rows_of", spoilt)
    with pytest.raises(StorageFailed, match="as it was sealed"):
        pack(fleet, tmp_path)

    assert list(tmp_path.iterdir()) == []


def test_a_pack_that_is_given_up_says_no_more(tmp_path):
    """Where the file can't be ended, giving it up raises nothing, then or when it is cleared."""
    writer = packs_module.PackWriter(tmp_path / "pack.parquet")
    writer._sink.close()  # as a disk that takes no more
    writer.abandon()
    heard = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "unraisablehook", heard.append)
        del writer
        gc.collect()

    assert heard == []


def test_numbers_that_are_none_survive(tmp_path):
    """Not-a-number with its bits, infinities and minus zero come out of a pack as they went in."""
    header = open_run("recordings/no-lift.parquet").header
    odd = np.array([0x7FF8000000000001, 0x7FF0000000000000, 1 << 63, 0xFFF8DEADBEEF0000], np.uint64)
    blocks = [Block(channel="load", t_ns=np.arange(4), value=odd.view(np.float64))]
    writer = packs_module.PackWriter(tmp_path / "pack.parquet")
    json_header = json.dumps(header.to_json()).encode()
    writer.add(packs_module.Loose(header=json_header, corrections=None, blocks=blocks))
    writer._flush()
    writer._writer.close()
    writer.abandon()
    row = writer._headers[0]
    found = [b for _, b in packs_module._blocks(tmp_path / "pack.parquet", 0, row["rows"])]

    assert b"".join(b.value.tobytes() for b in found) == odd.tobytes()


def test_corrections_go_with_their_run(fleet, tmp_path):
    """The file of corrections beside a run comes out beside it."""
    source = shutil.copytree(fleet, tmp_path / "fleet")
    row = rows_of(source).to_pylist()[0]
    sidecar_path(source / row["path"]).write_bytes(b"[layers]")
    pack(source, tmp_path / "packs")
    take_run_out(place_of(tmp_path / "packs"), row["run_id"], tmp_path / "out.parquet")

    assert sidecar_path(tmp_path / "out.parquet").read_bytes() == b"[layers]"


def test_packs_in_a_bucket(fleet, tmp_path):
    """Packs may lie in a bucket, and a run comes out of it."""
    packs = Bucket("memory://packs")
    row = rows_of(fleet).to_pylist()[0]
    pack_fleet(place_of(fleet), rows_of(fleet), packs, pack_bytes=1e6)
    take_run_out(packs, row["run_id"], tmp_path / "out.parquet")

    assert open_run(tmp_path / "out.parquet").header.sha256 == row["sha256"]


def test_the_command_packs_and_takes_out(fleet, tmp_path):
    """The command packs what the catalogue holds, gives a run back, and says what it needs."""
    packs, out = str(tmp_path / "packs"), tmp_path / "out.parquet"
    run_id = rows_of(fleet).column("run_id")[0].as_py()

    def command(*words):
        return CliRunner().invoke(app, ["fleet", str(fleet), *words])

    said = json.loads(command("--compact", packs, "--pack-mb", "0.05", "--json").stdout)["packs"]
    command("--compact", packs, "--take-out", run_id, "-o", str(out))
    unknown = command("--compact", packs, "--take-out", "nobody", "-o", str(tmp_path / "x.parquet"))
    alone = command("--take-out", run_id)

    assert said["packed"] == said["runs"] == PLAN.runs
    assert open_run(out).header.run_id == run_id
    assert "no pack holds run 'nobody'" in str(unknown.exception)
    assert isinstance(alone.exception, BadInput)


@pytest.mark.parametrize(
    "pointer",
    [
        b"{",
        b"[" * 100_000,
        b'{"format": "slewtrace.packs/7"}',
        b'{"format": 1}',
        b'{"format": "slewtrace.packs/1", "index": "index-0000000000000000.parquet", "packs": []}',
    ],
)
def test_a_damaged_index_is_one_line(tmp_path, pointer):
    """Packs whose index can't be used are one line, and nothing is written over them."""
    (tmp_path / POINTER).write_bytes(pointer)

    with pytest.raises(BadInput):
        read_index(place_of(tmp_path))


def changed(rows, place, **to):
    """A table of runs in which one row is another."""
    told = rows.to_pylist()
    told[place] |= to
    return type(rows).from_pylist(told, rows.schema)


def held_in(packs):
    """Each run that packs.json names, with its corrections, once all that it names is there."""
    place = place_of(packs)
    index, sizes = read_index(place)
    headers = {name: read_headers(place, name) for name in sizes}
    assert {name: (packs / name).stat().st_size for name in sizes} == sizes
    return {r["run_id"]: headers[r["pack"]][r["run_id"]]["corrections"] for r in index}


def packs_there(packs):
    return {p.name for p in packs.glob("pack-*.parquet") if "headers" not in p.name}


def test_a_small_pack_that_comes_out_the_same_stays(fleet, tmp_path):
    """Where the only new run is refused, the small pack is made again as it was, and kept."""
    source, packs = shutil.copytree(fleet, tmp_path / "fleet"), tmp_path / "packs"
    rows = rows_of(source).slice(0, 3)
    pack(source, packs, rows=rows.slice(0, 2), size=1e9)
    before = held_in(packs)
    third = source / rows.column("path")[2].as_py()
    data = bytearray(third.read_bytes())
    data[200] ^= 1
    third.write_bytes(data)
    packed = pack(source, packs, rows=rows, size=1e9)
    run_id = rows.column("run_id")[0].as_py()
    take_run_out(place_of(packs), run_id, tmp_path / "out.parquet")

    assert (packed.runs, packed.packs, packed.packed, len(packed.refused)) == (2, 1, 0, 1)
    assert held_in(packs) == before
    assert open_run(tmp_path / "out.parquet").header.run_id == run_id


@pytest.mark.parametrize("size", [1e9, 10_000], ids=["small pack", "good packs"])
def test_a_newer_version_that_is_refused_replaces_nothing(fleet, tmp_path, size):
    """A run whose changed file can't be read stays in the packs as it was packed before."""
    source, packs = shutil.copytree(fleet, tmp_path / "fleet"), tmp_path / "packs"
    rows = rows_of(source)
    pack(source, packs, size=size)
    before = held_in(packs)
    path = rows.column("path")[1].as_py()
    (source / path).unlink()
    newer = changed(rows, 1, corrections_sha256="newer")
    packed = pack(source, packs, rows=newer, size=size)
    run_id = rows.column("run_id")[1].as_py()
    take_run_out(place_of(packs), run_id, tmp_path / "out.parquet")

    assert (packed.runs, set(packed.refused)) == (PLAN.runs, {path})
    assert held_in(packs) == before
    assert packs_there(packs) == read_index(place_of(packs))[1].keys()


@pytest.mark.parametrize("size", [1e9, 10_000], ids=["small pack", "good packs"])
def test_a_newer_version_takes_the_place_of_the_packed_one(fleet, tmp_path, size):
    """A run with corrections that are new is packed again, and comes out with them."""
    source, packs = shutil.copytree(fleet, tmp_path / "fleet"), tmp_path / "packs"
    rows = rows_of(source)
    pack(source, packs, size=size)
    sidecar_path(source / rows.column("path")[1].as_py()).write_bytes(b"[newer]")
    newer = changed(rows, 1, corrections_sha256="newer")
    packed = pack(source, packs, rows=newer, size=size)
    held = held_in(packs)

    assert (packed.runs, packed.packed, packed.refused) == (PLAN.runs, 1, {})
    assert held.pop(rows.column("run_id")[1].as_py()) == b"[newer]"
    assert set(held.values()) == {None}


class PowerCut(Exception):
    """Stands for the end of the power."""


class CutOff(Folder):
    """A folder that fails from its n-th change on."""

    def __init__(self, path, *, after):
        super().__init__(path)
        self.left = after

    def _count(self):
        if not self.left:
            raise PowerCut
        self.left -= 1

    def put(self, name, data):
        """Counts, and puts."""
        self._count()
        super().put(name, data)

    def put_file(self, name, local):
        """Counts, and puts."""
        self._count()
        super().put_file(name, local)

    def remove(self, name):
        """Counts, and removes."""
        self._count()
        super().remove(name)


def test_a_power_cut_at_any_step_costs_no_run(fleet, tmp_path):
    """Broken off after any change, packs.json names what is there, with its own corrections.

    The newer version differs in its corrections alone, so its samples make the same pack.
    """
    source, packs = shutil.copytree(fleet, tmp_path / "fleet"), tmp_path / "packs"
    rows = rows_of(source)
    pack(source, packs, rows=rows.slice(0, 1), size=1e9)
    before = held_in(packs)
    (run_id,) = before
    pointer = (packs / POINTER).read_bytes()
    sidecar_path(source / rows.column("path")[0].as_py()).write_bytes(b"[newer]")
    newer = changed(rows, 0, corrections_sha256="newer").slice(0, 1)
    seen = []
    for after in range(20):
        copy = shutil.copytree(packs, tmp_path / f"cut{after}")
        try:
            place = CutOff(copy, after=after)
            pack_fleet(place_of(source), newer, place, pack_bytes=1e9)
        except PowerCut:
            seen.append(held_in(copy))
            named = (copy / POINTER).read_bytes()
            assert seen[-1] == (before if named == pointer else {run_id: b"[newer]"})
            pack(source, copy, rows=newer, size=1e9)
            assert held_in(copy) == {run_id: b"[newer]"}
            continue
        break

    assert before == {run_id: None}
    assert seen[0] == before
    assert seen[-1] == held_in(copy) == {run_id: b"[newer]"}
    assert packs_there(copy) == read_index(place_of(copy))[1].keys()


def test_two_who_pack_at_once_lose_nothing(fleet, tmp_path):
    """Whoever finds packs.json changed in the meantime leaves it, and removes no pack."""
    rows = rows_of(fleet)
    pack(fleet, tmp_path, rows=rows.slice(0, 2), size=1e9)

    def other_packs(done, of):
        pack(fleet, tmp_path, rows=rows.slice(0, 4), size=1e9)

    with pytest.raises(BadInput, match="changed by someone else"):
        pack_fleet(place_of(fleet), rows, place_of(tmp_path), pack_bytes=1e9, told=other_packs)

    assert held_in(tmp_path).keys() == set(rows.column("run_id").to_pylist()[:4])


def test_packs_have_names_of_packs(fleet, tmp_path):
    """A packs.json that names other files is refused, and none of them is removed."""
    packs, other = tmp_path / "packs", tmp_path / "other.parquet"
    other.write_bytes(b"someone's")
    pack(fleet, packs, rows=rows_of(fleet).slice(0, 2), size=1e9)
    pointer = json.loads((packs / POINTER).read_bytes())
    pointer["packs"]["../other.parquet"] = 1
    (packs / POINTER).write_text(json.dumps(pointer))

    with pytest.raises(BadInput, match="no packs"):
        pack(fleet, packs, size=1e9)
    assert other.read_bytes() == b"someone's"


def spoil(path):
    data = bytearray(path.read_bytes())
    data[len(data) // 3] ^= 1
    path.write_bytes(data)


@pytest.mark.parametrize(
    ("glob", "how", "told"),
    [
        ("pack-????????????????.parquet", spoil, "can't be read"),
        ("pack-????????????????.parquet", Path.unlink, "can't be read"),
        ("pack-*.headers.parquet", spoil, "damaged table of headers"),
        ("pack-*.headers.parquet", Path.unlink, "no table of headers"),
        ("index-*.parquet", spoil, "is damaged"),
    ],
)
def test_damaged_packs_are_one_line(fleet, tmp_path, glob, how, told):
    """Taking out and packing on are refused in one line that names the file, and change nothing."""
    source, packs = shutil.copytree(fleet, tmp_path / "fleet"), tmp_path / "packs"
    rows = rows_of(source)
    sidecar_path(source / rows.column("path")[0].as_py()).write_bytes(b"[layers]")
    pack(source, packs, rows=rows.slice(0, 1), size=1e9)
    (file,) = packs.glob(glob)
    how(file)
    before = {p.name: p.read_bytes() for p in packs.iterdir()}
    with pytest.raises(BadInput, match=told) as out:
        take_run_out(place_of(packs), rows.column("run_id")[0].as_py(), tmp_path / "out.parquet")
    with pytest.raises(BadInput, match=told) as on:
        pack(source, packs, size=1e9)

    assert "\n" not in str(out.value) + str(on.value)
    assert "from a copy" in str(out.value)
    assert {p.name: p.read_bytes() for p in packs.iterdir()} == before
    assert list(tmp_path.glob("out*")) == []


def test_corrections_that_lie_there_are_not_written_over(fleet, tmp_path):
    """A run is not taken out beside corrections of another, which would count as its own."""
    pack(fleet, tmp_path / "packs")
    out = tmp_path / "out.parquet"
    sidecar_path(out).write_bytes(b"[another's]")
    with pytest.raises(BadInput, match="is there already"):
        take_run_out(place_of(tmp_path / "packs"), rows_of(fleet).column("run_id")[0].as_py(), out)

    assert sidecar_path(out).read_bytes() == b"[another's]"
    assert not out.exists()
