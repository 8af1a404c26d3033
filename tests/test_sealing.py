"""Sealing and recovering: from what a recorder left to one whole run, whatever happened."""

import contextlib
import errno
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import BadInput, RunUnreadable, StorageFailed
from logger.readings.pack import ClockPair
from logger.recording import clock_pairs, sealing
from logger.recording.journal import ClockedBlock
from logger.recording.run import open_run
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import recover, seal_journal
from tests.files import digests
from tests.killed_recorder import SAMPLES, record
from tests.rig_of_a_bay import header
from tests.warm_process import PROGRAM, WarmProcess


def recorded(folder, turns=40, name="a"):
    """A journal that was closed."""
    path = folder / f"{name}.journal"
    record(path, turns=turns)
    return path


def clocked(channel, clock, t_ns, value):
    """A block from lists."""
    return ClockedBlock(
        channel=channel,
        clock=clock,
        t_ns=np.asarray(t_ns, dtype=np.int64),
        value=np.asarray(value, dtype=np.float64),
    )


def test_recovering_again_changes_nothing(tmp_path):
    """The first recover seals and counts, the second says so and leaves every byte."""
    journal = recorded(tmp_path)
    first = recover(journal)
    after = digests(tmp_path)
    second = recover(journal)

    assert not first.already_sealed
    assert second.already_sealed
    assert first.samples == second.samples >= 2 * 40 * SAMPLES
    assert list(after) == ["a.parquet"]
    assert digests(tmp_path) == after


@pytest.mark.parametrize("refused", [{1}, {2}, {1, 2}, {3}, {1, 2, 3}])
def test_a_left_over_that_cannot_be_removed_costs_nothing(tmp_path, monkeypatch, refused):
    """Where the disk holds on to the half-made file, the run is whole, and what failed is told."""
    journal = recorded(tmp_path)
    asked = []

    def unlink(path, *, missing_ok=False):
        if path.name.endswith(".partial"):
            asked.append(path)
            if len(asked) in refused:
                raise OSError(errno.EIO, "Input/output error", str(path))
        os_unlink(path, missing_ok=missing_ok)

    os_unlink = Path.unlink
    monkeypatch.setattr(Path, "unlink", unlink)
    told = contextlib.nullcontext()
    if 3 in refused:  # what it says last, once the run is whole
        told = pytest.raises(StorageFailed, match="the run is sealed, but")
    with told:
        recover(journal)
    open_run(tmp_path / "a.parquet").verify()
    recovery = recover(journal)

    assert len(asked) >= 3
    assert recovery.samples >= 2 * 40 * SAMPLES
    assert list(digests(tmp_path)) == ["a.parquet"]


def test_the_sealed_run_itself_may_be_named(tmp_path):
    """Recovering a run that is sealed already says so."""
    sealed = seal_journal(recorded(tmp_path))

    assert recover(sealed).already_sealed
    assert list(digests(tmp_path)) == ["a.parquet"]


def test_a_crash_between_naming_and_removing_leaves_nothing_behind(tmp_path, monkeypatch):
    """With run and journal both there and equal, recover removes the journal only."""
    journal = recorded(tmp_path)
    monkeypatch.setattr(sealing, "_remove", lambda _: None)
    seal_journal(journal)
    monkeypatch.undo()
    assert len(digests(tmp_path)) == 2
    sealed = digests(tmp_path)["a.parquet"]
    recovery = recover(journal)

    assert recovery.already_sealed
    assert digests(tmp_path) == {"a.parquet": sealed}


def test_a_crash_while_removing_is_cleaned_up(tmp_path):
    """A log left without its journal goes when the sealed run is whole."""
    journal = recorded(tmp_path)
    seal_journal(journal)
    journal.with_name("a.journal-wal").write_bytes(b"left over")
    recover(journal)

    assert list(digests(tmp_path)) == ["a.parquet"]


def test_a_journal_and_a_run_that_differ_are_both_kept(tmp_path):
    """Where the sealed run holds other readings than the journal, nothing is touched."""
    sealed = seal_journal(recorded(tmp_path, turns=10, name="b"))
    journal = recorded(tmp_path, turns=20)
    sealed.rename(tmp_path / "a.parquet")
    before = digests(tmp_path)

    with pytest.raises(RunUnreadable, match="holds other readings than"):
        recover(journal)
    with pytest.raises(BadInput, match="never overwritten"):
        seal_journal(journal)
    assert digests(tmp_path) == before


def test_a_damaged_run_does_not_cost_the_journal(tmp_path, monkeypatch):
    """Where the sealed run does not verify, its journal stays."""
    journal = recorded(tmp_path)
    monkeypatch.setattr(sealing, "_remove", lambda _: None)
    sealed = seal_journal(journal)
    monkeypatch.undo()
    data = bytearray(sealed.read_bytes())
    data[60] ^= 1
    sealed.write_bytes(data)
    before = digests(tmp_path)

    with pytest.raises(RunUnreadable, match="changed since it was sealed"):
        recover(journal)
    assert digests(tmp_path) == before


@pytest.mark.parametrize("seed", range(5))
def test_a_kill_while_sealing_loses_nothing(tmp_path, seed):
    """However far a killed seal came, recovering afterwards gives every sample."""
    journal = recorded(tmp_path, turns=1500)
    program = (
        "import sys; from pathlib import Path\n"
        "from logger.recording.sealing import seal_journal\n"
        "sys.stdout.write('ready\\n'); sys.stdout.flush()\n"
        "seal_journal(Path(sys.argv[1]))\n"
    )
    with WarmProcess([*PROGRAM, program, journal], stdout=subprocess.PIPE, text=True) as process:
        process.stdout.readline()
        time.sleep(random.Random(seed).random() * 0.15)
        process.kill()
    recovery = recover(journal)
    run = open_run(recovery.path)
    run.verify()

    assert recovery.samples >= 2 * 1500 * SAMPLES
    np.testing.assert_array_equal(run.raw("load").value, np.arange(len(run.raw("load"))))
    assert list(digests(tmp_path)) == ["a.parquet"]


def test_clocks_are_fitted_over_the_whole_run_and_samples_sorted(tmp_path):
    """Two starts of a device, packs that came late and a true clock give one rising time."""
    path = tmp_path / "a.journal"
    second = 10**9
    with RunJournal.create(path, header()) as journal:
        journal.append([clocked("load", "mast#2", [5 * second, 6 * second], [5, 6])])
        journal.append([clocked("load", "mast#1", [903 * second, 901 * second], [3, 1])])
        journal.append([clocked("load", "run", [2 * second], [2])])
        journal.add_pairs("mast#1", [ClockPair(device_ns=903 * second, arrival_ns=3 * second)])
        late = ClockPair(device_ns=5 * second, arrival_ns=16 * second, wire_ns=second)
        prompt = ClockPair(device_ns=6 * second, arrival_ns=16 * second)
        journal.add_pairs("mast#2", [late, prompt])
        journal.commit()
    run = open_run(seal_journal(path))
    load = run.raw("load")

    assert load.value.tolist() == [1, 2, 3, 5, 6]
    assert (load.t_ns / second).tolist() == [1, 2, 3, 15, 16]
    assert run.header.clock_fits["mast#1"].offset_ns == -900 * second
    assert run.header.clock_fits["mast#2"].pairs == 2


def test_a_clock_that_nothing_ties_down_is_kept_and_told(tmp_path):
    """Samples of a device clock without a pair are kept, with a gap that says what is unsure."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        journal.append([clocked("load", "mast#1", [10**15, 10**15 + 7], [1, 2])])
        journal.commit()
    run = open_run(seal_journal(path))

    assert run.raw("load").t_ns.tolist() == [0, 7]
    assert "nothing ties clock mast#1" in run.gaps[0].text
    assert run.header.clock_fits["mast#1"].u_s > 1e5


def test_many_clock_pairs_are_thinned_to_the_promptest(tmp_path, monkeypatch):
    """A fit to the promptest pair of each stretch is the fit to all of them."""
    chance = np.random.default_rng(2)
    device_ns = np.arange(30_000, dtype=np.int64) * 10_000_000
    arrival_ns = device_ns + np.rint(device_ns * 20e-6).astype(np.int64)
    arrival_ns += chance.exponential(2e6, device_ns.size).astype(np.int64)
    pairs = [
        ClockPair(device_ns=d, arrival_ns=a)
        for d, a in zip(device_ns.tolist(), arrival_ns.tolist(), strict=True)
    ]
    rates = []
    for most in (10**9, 2000):
        monkeypatch.setattr(clock_pairs, "MOST_PAIRS", most)
        path = tmp_path / f"{most}.journal"
        with RunJournal.create(path, header()) as journal:
            journal.append([clocked("load", "mast#1", device_ns[:5], device_ns[:5])])
            journal.add_pairs("mast#1", pairs)
            journal.commit()
        rates.append(open_run(seal_journal(path)).header.clock_fits["mast#1"].rate)

    assert rates[0] == pytest.approx(1 + 20e-6, abs=2e-8)
    assert rates[1] == pytest.approx(rates[0], abs=2e-8)


@settings(max_examples=40)
@given(
    cuts=st.lists(
        st.tuples(st.sampled_from(["load", "slew", "wheel/rear_left"]), st.integers(1, 30)),
        max_size=20,
    ),
    seed=st.integers(0, 2**32 - 1),
)
def test_blocks_come_back_bit_for_bit(tmp_path_factory, cuts, seed):
    """Blocks, through journal and sealed run, come back with every bit, sorted by time."""
    chance = np.random.default_rng(seed)
    path = tmp_path_factory.mktemp("run") / "a.journal"
    wanted = {}
    with RunJournal.create(path, header()) as journal:
        for channel, count in cuts:
            t_ns = chance.integers(-(2**62), 2**62, count)
            raw = chance.integers(0, 2**64, count, dtype=np.uint64)
            journal.append([clocked(channel, "run", t_ns, raw.view(np.float64))])
            known = wanted.setdefault(channel, ([], []))
            known[0].extend(t_ns.tolist())
            known[1].extend(raw.tolist())
        journal.commit()
    run = open_run(seal_journal(path))

    assert set(run.channels) == set(wanted)
    for channel, (times, bits) in wanted.items():
        order = np.argsort(times, kind="stable")
        back = run.raw(channel)
        np.testing.assert_array_equal(back.t_ns, np.array(times)[order])
        np.testing.assert_array_equal(
            back.value.view(np.uint64), np.array(bits, dtype=np.uint64)[order]
        )


def test_a_run_without_samples_is_sealed_too(tmp_path):
    """A recorder stopped before the first reading leaves a run that says what it was."""
    with RunJournal.create(tmp_path / "a.journal", header()):
        pass
    recovery = recover(tmp_path / "a.journal")

    assert recovery.samples == 0
    assert open_run(recovery.path).header.run_id == "bay-2-1"


def spoilt(folder, case):
    """A file that is no journal to recover, and what is said of it."""
    path = folder / "a.journal"
    if case == "folder":
        path.mkdir()
    elif case == "empty":
        path.write_bytes(b"")
    elif case == "noise":
        path.write_bytes(os.urandom(9000))
    elif case == "huge":
        with path.open("wb") as file:
            file.truncate(1 << 40)
    elif case == "other SQLite":
        with sqlite3.connect(path) as connection:
            connection.execute("CREATE TABLE header (id, json)")
        connection.close()
    elif case != "missing":
        recorded(folder)
        with sqlite3.connect(path) as connection:
            connection.execute(
                {
                    "newer": "PRAGMA user_version=3",
                    "no header": "DELETE FROM header",
                    "header spoilt": "UPDATE header SET json = '{'",
                    "header a blob": "UPDATE header SET json = x'00ff'",
                }[case]
            )
        connection.close()
    return path


@pytest.mark.parametrize(
    ("case", "said"),
    [
        ("missing", "is not there"),
        ("folder", "is a folder"),
        ("empty", "is empty"),
        ("noise", "can't be read as a journal"),
        ("huge", "can't be read as a journal"),
        ("other SQLite", "no journal"),
        ("newer", "use a newer Slewtrace"),
        ("no header", "holds no run"),
        ("header spoilt", "no JSON"),
        ("header a blob", "holds no run"),
    ],
)
def test_what_is_no_journal_is_one_line(tmp_path, case, said):
    """Whatever is named instead of a journal, recover says so in one line and touches nothing."""
    path = spoilt(tmp_path, case)
    before = digests(tmp_path) if case not in ("folder", "huge") else None

    with pytest.raises(RunUnreadable, match=said) as info:
        recover(path)
    assert "\n" not in str(info.value)
    assert str(info.value).startswith(str(path))
    assert before is None or digests(tmp_path) == before


@pytest.mark.parametrize("seed", range(8))
def test_a_cut_journal_gives_what_can_be_read(tmp_path, seed):
    """Of a journal cut at any point beyond its header, whole blocks are kept and losses told."""
    journal = recorded(tmp_path, turns=400)
    data = journal.read_bytes()
    journal.write_bytes(data[: random.Random(seed).randrange(len(data) // 4, len(data) - 1)])
    recovery = recover(journal)
    run = open_run(recovery.path)

    assert recovery.damage
    assert run.gaps[-1].text == recovery.damage
    assert recovery.samples > 0
    for channel in run.channels:
        value = run.raw(channel).value.reshape(-1, SAMPLES)
        np.testing.assert_array_equal(value - value[:, :1], [np.arange(SAMPLES)] * len(value))


def test_a_journal_cut_within_its_header_is_one_line(tmp_path):
    """Where the cut leaves no header, recover says so in one line and keeps the rest as it is."""
    journal = recorded(tmp_path)
    journal.write_bytes(journal.read_bytes()[:6000])
    before = digests(tmp_path)

    with pytest.raises(
        RunUnreadable, match=r"header|holds no run|can't be read as a journal"
    ) as info:
        recover(journal)
    assert "\n" not in str(info.value)
    assert digests(tmp_path) == before


def test_a_cut_journal_keeps_most_of_its_samples(tmp_path):
    """Cutting the last quarter off a journal leaves most of what stood before it."""
    journal = recorded(tmp_path, turns=2000)
    with journal.open("r+b") as file:
        file.truncate(file.seek(0, os.SEEK_END) * 3 // 4)
    recovery = recover(journal)

    assert recovery.samples > 2 * 2000 * SAMPLES * 0.6


@pytest.mark.parametrize("seed", range(12))
def test_a_flipped_bit_in_a_journal_is_never_taken_for_a_reading(tmp_path, seed):
    """A changed byte costs at most some blocks, which are counted; no false sample is sealed."""
    journal = recorded(tmp_path, turns=100)
    shutil.copy(journal, tmp_path / "whole.journal")
    right = open_run(seal_journal(tmp_path / "whole.journal"))
    data = bytearray(journal.read_bytes())
    # Beyond the first pages, which hold the header.
    position = random.Random(seed).randrange(40_000, len(data))
    data[position] ^= 0x20
    journal.write_bytes(data)
    try:
        recovery = recover(journal)
    except RunUnreadable:
        assert journal.read_bytes() == bytes(data)
        return
    run = open_run(recovery.path)

    for channel in run.channels:
        assert set(run.raw(channel).value.tolist()) <= set(right.raw(channel).value.tolist())
    if recovery.samples < sum(right.header.samples.values()):
        assert recovery.damage


def test_sealing_holds_little_more_than_a_channel(tmp_path):
    """Sealing 3 million samples of one channel out of order stays under 2.5 times their size."""
    count, rows = 3_000_000, 3000
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        order = np.random.default_rng(1).permutation(rows)
        for row in order.tolist():
            t_ns = np.arange(count // rows, dtype=np.int64) + row * (count // rows)
            journal.append([clocked("load", "run", t_ns, t_ns)])
        journal.commit()
    (tmp_path / "w").mkdir()
    program = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from logger.recording.sealing import seal_journal\n"
        "from tests.killed_recorder import record\n"
        "folder = Path(sys.argv[1])\n"
        "record(folder / 'w' / 'w.journal', turns=5)\n"
        "seal_journal(folder / 'w' / 'w.journal')\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "seal_journal(folder / 'a.journal')\n"
        "after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "sys.stdout.write(f'{after - before}\\n')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, check=True
    )
    grown_kib = int(done.stdout.split()[-1])

    assert open_run(tmp_path / "a.parquet").header.samples == {"load": count}
    assert grown_kib < 2.5 * count * 16 / 1024
