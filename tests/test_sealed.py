"""A sealed run: one file that any Parquet reader opens and that shows every changed bit."""

import hashlib
import itertools
import json
import os
import random
import shutil
import subprocess
import sys

import duckdb
import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from logger.errors import BadInput, RunUnreadable, StorageFailed
from logger.readings.block import Block
from logger.readings.clock_alignment import ClockFit
from logger.recording import sealed
from logger.recording.header import Gap, Note
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.rig_of_a_bay import header

FLIPS = 64


def block(channel, t_ns, value):
    """A block from lists."""
    return Block(
        channel=channel,
        t_ns=np.asarray(t_ns, dtype=np.int64),
        value=np.asarray(value, dtype=np.float64),
    )


def blocks(count=5000):
    """Three channels, sorted."""
    rng = np.random.default_rng(3)
    t_ns = np.cumsum(rng.integers(0, 2_000_000, count))
    return [
        block("load", t_ns, rng.normal(600, 3, count)),
        block("slew", t_ns + 7, np.arange(count) % 4096),
        block("wheel/rear_left", t_ns[::10], rng.integers(0, 2, count)[::10]),
    ]


@pytest.fixture
def run_file(tmp_path):
    """A sealed run."""
    path = tmp_path / "a.parquet"
    write_sealed(path, header(), blocks())
    return path


def test_duckdb_reads_the_same_file_without_our_code(run_file):
    """A reader that knows nothing of this program finds the same samples."""
    rows = duckdb.sql(
        "SELECT channel, count(*), min(t_ns), max(t_ns), min(value), max(value), sum(value) "
        "FROM read_parquet($file) GROUP BY channel ORDER BY channel",
        params={"file": str(run_file)},
    ).fetchall()
    run = open_run(run_file)

    assert [r[0] for r in rows] == ["load", "slew", "wheel/rear_left"]
    for channel, count, first_ns, last_ns, least, most, total in rows:
        ours = run.raw(channel)
        assert (count, first_ns, last_ns) == (len(ours), ours.t_ns[0], ours.t_ns[-1])
        assert (least, most) == (ours.value.min(), ours.value.max())
        assert total == pytest.approx(ours.value.sum(), rel=1e-12)


def test_duckdb_reads_the_header_and_the_order(run_file):
    """The header is JSON under the key slewtrace, and rows are sorted by channel, then time."""
    file = {"file": str(run_file)}
    ((text,),) = duckdb.sql(
        "SELECT value FROM parquet_kv_metadata($file) WHERE key = 'slewtrace'", params=file
    ).fetchall()
    stored = duckdb.sql("SELECT channel, t_ns FROM read_parquet($file)", params=file).fetchall()

    found = json.loads(text)
    assert found["format"] == "slewtrace.run/1"
    assert found["samples"] == {"load": 5000, "slew": 5000, "wheel/rear_left": 500}
    assert stored == sorted(stored)


def test_plain_pyarrow_and_pandas_read_three_plain_columns(run_file):
    """The columns are channel, t_ns and value, without an index of pandas' or any extension."""
    table = pq.read_table(run_file)

    assert table.column_names == ["channel", "t_ns", "value"]
    assert [str(t) for t in table.schema.types[1:]] == ["int64", "double"]
    assert b"pandas" not in (table.schema.metadata or {})
    assert len(table.to_pandas()) == 10_500


def test_the_header_is_stored_once(run_file):
    """The header takes its own size in the file, not a multiple."""
    assert run_file.read_bytes().count(b'"slewtrace.run/1"') == 1


def test_the_content_hash_is_as_documented(run_file):
    """The documented recipe, followed with hashlib and pyarrow alone, gives the stated hash."""
    document = json.loads(pq.read_metadata(run_file).metadata[b"slewtrace"])
    stated = document.pop("sha256")
    lines = [json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)]
    frame = pq.read_table(run_file).to_pandas()
    for channel in sorted(set(frame["channel"])):
        rows = frame[frame["channel"] == channel]
        times = hashlib.sha256(rows["t_ns"].to_numpy().astype("<i8").tobytes()).hexdigest()
        values = hashlib.sha256(rows["value"].to_numpy().astype("<f8").tobytes()).hexdigest()
        lines.append(f"{channel} {len(rows)} {times} {values}")

    assert hashlib.sha256("".join(f"{x}\n" for x in lines).encode()).hexdigest() == stated


def test_every_flipped_bit_is_found(run_file, tmp_path):
    """One bit flipped anywhere, footer and seal included, makes opening or verifying fail."""
    original = run_file.read_bytes()
    footer = int.from_bytes(original[-8:-4], "little") + 8
    chance = random.Random(11)
    everywhere = [chance.randrange(len(original)) for _ in range(FLIPS // 2)]
    at_the_end = [len(original) - 1 - chance.randrange(footer + 72) for _ in range(FLIPS // 2)]
    copy = tmp_path / "copy.parquet"
    unnoticed = []
    for position in everywhere + at_the_end:
        damaged = bytearray(original)
        damaged[position] ^= 1 << chance.randrange(8)
        copy.write_bytes(damaged)
        try:
            open_run(copy).verify()
            unnoticed.append(position)
        except RunUnreadable:
            pass

    assert unnoticed == []
    copy.write_bytes(original)
    open_run(copy).verify()


def test_without_the_seal_some_flips_would_pass(run_file, tmp_path, monkeypatch):
    """The seal is what finds flips outside the data pages: without it some are not seen."""
    from logger.recording import run as run_module
    from logger.recording.file_seal import FileSeal

    class NoSeal(FileSeal):
        def check_body(self, path):
            pass

    monkeypatch.setattr(run_module, "read_seal", lambda _: NoSeal(body_bytes=0, body_sha256=b""))
    original = run_file.read_bytes()
    footer = int.from_bytes(original[-8:-4], "little") + 8
    copy = tmp_path / "copy.parquet"
    passed = 0
    for back in range(9, footer, 97):
        damaged = bytearray(original)
        damaged[-back] ^= 1
        copy.write_bytes(damaged)
        try:
            open_run(copy).verify()
            passed += 1
        except (RunUnreadable, UnicodeDecodeError):
            pass

    assert passed > 0


def test_reading_a_damaged_page_fails_in_one_line(run_file, tmp_path):
    """A channel with a damaged page is never handed out, also when nobody called verify."""
    metadata = pq.read_metadata(run_file)
    column = metadata.row_group(0).column(2)
    damaged = bytearray(run_file.read_bytes())
    damaged[column.dictionary_page_offset + column.total_compressed_size // 2] ^= 0x10
    copy = tmp_path / "copy.parquet"
    copy.write_bytes(damaged)
    run = open_run(copy)

    with pytest.raises(RunUnreadable, match=r"copy\.parquet: has damaged samples of load;") as info:
        run.raw("load")
    assert "\n" not in str(info.value)
    assert len(run.raw("slew")) == 5000


def test_a_run_is_never_overwritten(run_file):
    """A name that is taken is refused and the file there stays as it is."""
    before = run_file.read_bytes()

    with pytest.raises(BadInput, match="never overwritten"):
        write_sealed(run_file, header(), [])
    assert run_file.read_bytes() == before


def test_a_missing_folder_is_one_line(tmp_path):
    """A run in a folder that is not there is refused before anything is written."""
    with pytest.raises(BadInput, match="there is no folder"):
        write_sealed(tmp_path / "no" / "a.parquet", header(), [])


@pytest.mark.parametrize(
    "wrong",
    [
        [block("slew", [1], [1]), block("load", [1], [1])],
        [block("load", [5], [1]), block("load", [4], [1])],
        [block("load", [1], [1]), block("slew", [1], [1]), block("load", [2], [1])],
    ],
    ids=["channels", "times", "channel again"],
)
def test_blocks_out_of_order_are_refused(tmp_path, wrong):
    """Unsorted samples raise, and leave neither a run nor a part of one."""
    with pytest.raises(ValueError, match=r"come after|fall between"):
        write_sealed(tmp_path / "a.parquet", header(), wrong)
    assert list(tmp_path.iterdir()) == []


def test_row_groups_hold_one_channel_each(tmp_path, monkeypatch):
    """However blocks are cut, row groups are full but for each channel's last."""
    monkeypatch.setattr(sealed, "ROWS_IN_GROUP", 100)
    t_ns = np.arange(450)
    cuts = [0, 1, 99, 150, 151, 400, 450]
    parts = [block("load", t_ns[a:b], t_ns[a:b]) for a, b in itertools.pairwise(cuts)]
    path = tmp_path / "a.parquet"
    write_sealed(path, header(), [*parts, block("slew", t_ns[:30], t_ns[:30])])
    metadata = pq.read_metadata(path)
    groups = [metadata.row_group(i) for i in range(metadata.num_row_groups)]

    assert [g.num_rows for g in groups] == [100, 100, 100, 100, 50, 30]
    assert [g.column(0).statistics.min for g in groups] == ["load"] * 5 + ["slew"]
    np.testing.assert_array_equal(open_run(path).raw("load").value, t_ns)


@settings(max_examples=60, deadline=None)
@given(
    samples=hnp.arrays(np.int64, st.integers(0, 200)).map(np.sort),
    seed=st.integers(0, 2**32 - 1),
)
def test_samples_come_back_bit_for_bit(tmp_path_factory, samples, seed):
    """Any times and any 64 bits of a value, NaN payloads and −0 included, are kept exactly."""
    raw = np.random.default_rng(seed).integers(0, 2**64, samples.size, dtype=np.uint64)
    raw[::5] = np.array([-0.0]).view(np.uint64)
    raw[1::7] = np.array([0.0]).view(np.uint64)
    raw[2::9] = 0x7FF8_0000_DEAD_BEEF
    path = tmp_path_factory.mktemp("run") / "a.parquet"
    write_sealed(path, header(), [block("load", samples, raw.view(np.float64))])
    back = open_run(path).raw("load")

    np.testing.assert_array_equal(back.t_ns, samples)
    np.testing.assert_array_equal(back.value.view(np.uint64), raw)


def test_the_header_comes_back_whole(tmp_path):
    """Notes, gaps, alarms, clock fits and wall pairs are read back equal."""
    given_header = header(
        notes=(Note(t_ns=5, kind="radius", text="tape “3.49”", value_m=3.49),),
        gaps=(Gap(t_ns=9, source="mast", kind="missing_packs", missing=3, duration_ns=10**9),),
        alarms=({"event": "wheel_lift", "t_s": 75.31, "nested": [1, None, {"a": True}]},),
        wall_pairs=((0, 1_777_000_000_000_000_000),),
        clock_fits={
            "mast#1": ClockFit(offset_ns=-5, rate=1.00001, u_s=1e-4, residual_s=2e-4, pairs=7)
        },
        clock_rate=20.0,
    )
    path = tmp_path / "a.parquet"
    written = write_sealed(path, given_header, blocks(50))
    read = open_run(path).header

    assert read == written
    assert (read.notes, read.gaps, read.alarms) == (
        given_header.notes,
        given_header.gaps,
        given_header.alarms,
    )
    assert read.clock_fits == given_header.clock_fits


def test_a_full_disk_leaves_nothing_and_says_so(tmp_path):
    """Where the disk is full the writer raises StorageFailed and leaves no half run."""
    program = (
        "import resource, signal, sys, pathlib\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "from tests.test_sealed import blocks, header, write_sealed\n"
        "from logger.errors import StorageFailed\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))\n"
        "try:\n"
        "    write_sealed(pathlib.Path(sys.argv[1]) / 'a.parquet', header(), blocks())\n"
        "except StorageFailed as exc:\n"
        "    print('refused:', exc)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, check=True
    )

    assert done.stdout.startswith("refused:")
    assert list(tmp_path.iterdir()) == []


def test_a_run_that_reads_back_differently_is_not_claimed(tmp_path, monkeypatch):
    """A disk that returns other bytes than were written is found before the run gets its name."""
    add_seal = sealed.add_seal

    def spoil(path):
        add_seal(path)
        with path.open("r+b") as file:
            file.seek(200)
            byte = file.read(1)
            file.seek(200)
            file.write(bytes([byte[0] ^ 1]))

    monkeypatch.setattr(sealed, "add_seal", spoil)

    with pytest.raises(StorageFailed, match="does not hold what was written"):
        write_sealed(tmp_path / "a.parquet", header(), blocks())
    assert list(tmp_path.iterdir()) == []


def test_a_folder_without_links_gets_the_run_too(tmp_path, monkeypatch):
    """On a memory card that knows no hard links the run gets its name by a rename."""

    def no_links(*_):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    write_sealed(tmp_path / "a.parquet", header(), blocks(20))

    open_run(tmp_path / "a.parquet").verify()
    assert [p.name for p in tmp_path.iterdir()] == ["a.parquet"]


def test_writing_holds_little_more_than_the_samples(tmp_path):
    """Writing a run of 4 million samples takes little memory on top of the samples' own."""
    program = (
        "import resource, sys, pathlib\n"
        "import numpy as np\n"
        "from tests.test_sealed import block, header, write_sealed\n"
        "warm_up = pathlib.Path(sys.argv[1]) / 'w.parquet'\n"
        "write_sealed(warm_up, header(), [block('load', [1], [1])])\n"
        "n = 4_000_000\n"
        "samples = block('load', np.arange(n), np.random.default_rng(0).normal(size=n))\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "write_sealed(pathlib.Path(sys.argv[1]) / 'a.parquet', header(), [samples])\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, check=True
    )
    columns_kib = 4_000_000 * 16 / 1024

    assert int(done.stdout) < 1.5 * columns_kib


def test_a_left_over_part_is_replaced(tmp_path):
    """What a killed writer left beside the name does not hinder the next."""
    (tmp_path / "a.parquet.partial").write_bytes(b"PAR1 half")
    write_sealed(tmp_path / "a.parquet", header(), blocks(20))

    assert [p.name for p in tmp_path.iterdir()] == ["a.parquet"]
    shutil.copy(tmp_path / "a.parquet", tmp_path / "b.parquet")
    open_run(tmp_path / "b.parquet").verify()


def test_sealing_a_run_reads_no_library_that_it_does_not_need(tmp_path):
    """Seconds of imports, beside a truck on a small computer, while someone waits for the seal."""
    program = (
        "import sys; from pathlib import Path; from tests.sample_runs import seal_sample; "
        "seal_sample(Path(sys.argv[1])); "
        "print(sorted({'pandas', 'dask', 'plotly', 'dash'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, check=True
    )

    assert done.stdout.strip() == "[]"
