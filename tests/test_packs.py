"""Many sealed runs in few large files, and each of them taken out again."""

from __future__ import annotations

import json
import shutil

import duckdb
import numpy as np
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from dashboard.catalogue.bucket import Bucket
from dashboard.catalogue.places import catalogue_place, place_of
from dashboard.catalogue.snapshot import read_snapshot
from dashboard.cli import app
from dashboard.fleet import packs as packs_module
from dashboard.fleet.packing import POINTER, pack_fleet, read_index, take_run_out
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


@pytest.mark.parametrize("pointer", [b"{", b'{"format": "slewtrace.packs/7"}', b'{"format": 1}'])
def test_a_damaged_index_is_one_line(tmp_path, pointer):
    """Packs whose index can't be used are one line, and nothing is written over them."""
    (tmp_path / POINTER).write_bytes(pointer)

    with pytest.raises(BadInput):
        read_index(place_of(tmp_path))
