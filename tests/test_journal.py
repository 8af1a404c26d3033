"""The journal: what was acknowledged survives; what the disk refused is not claimed."""

import hashlib
import random
import shutil
import sqlite3
import subprocess
import sys
import time

import numpy as np
import pytest

from logger.errors import BadInput, RunUnreadable, StorageFailed
from logger.readings.pack import ClockPair
from logger.recording.header import Gap, Note
from logger.recording.journal import ClockedBlock, add_note
from logger.recording.journal_reading import JournalReader
from logger.recording.run import open_run
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import recover, seal_journal
from tests.files import digests, files_no_longer_than
from tests.killed_recorder import SAMPLES, blocks_of, record
from tests.rig_of_a_bay import header
from tests.warm_process import PROGRAM, WarmProcess, run_warm

KILLS = 5


def kill_once(journal, *, guard, seed, longest_pause_s=0.004, part_bytes=256 << 20):
    """Lets a recorder run, kills it at a random moment, and gives the turns acknowledged."""
    chance = random.Random(seed)
    words = ["-m", "tests.killed_recorder", *map(str, (journal, guard, seed, part_bytes))]
    with WarmProcess(
        [sys.executable, *words],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        early = [process.stdout.readline() for _ in range(chance.randrange(1, 60))]
        time.sleep(chance.random() * longest_pause_s)
        process.kill()
        return last_acknowledged("".join(early) + process.stdout.read())


def last_acknowledged(printed):
    """The last turn that was printed as durable, a line cut by the kill left out; 0 for none."""
    lines = printed.split("\n")[:-1]
    return max((int(line) for line in lines if line.isdigit()), default=0)


def turns_in(run):
    """How many whole turns a run holds, each checked sample by sample."""
    counts = []
    for channel in run.channels:
        block = run.raw(channel)
        np.testing.assert_array_equal(block.value, np.arange(len(block)))
        np.testing.assert_array_equal(block.t_ns, np.arange(len(block)) * 1_000_000)
        counts.append(len(block) // SAMPLES)
    return min(counts, default=0)


@pytest.mark.parametrize("seed", range(KILLS))
def test_what_was_acknowledged_survives_kill_9(tmp_path, seed):
    """Every block acknowledged before a SIGKILL at a random moment is in the recovered run."""
    journal = tmp_path / "a.journal"
    acknowledged = kill_once(journal, guard="commit-first", seed=seed)
    recovery = recover(journal)
    run = open_run(recovery.path)
    run.verify()

    assert turns_in(run) >= acknowledged
    assert recovery.samples == sum(run.header.samples.values())
    assert recovery.damage == ""
    assert [p.name for p in tmp_path.iterdir()] == ["a.parquet"]


def test_the_kill_test_sees_a_recorder_that_acknowledges_too_early(tmp_path):
    """With the guard removed (acknowledged, then committed) the same test finds losses."""
    lost = 0
    for seed in range(40):
        journal = tmp_path / f"{seed}.journal"
        acknowledged = kill_once(journal, guard="acknowledge-first", seed=seed, longest_pause_s=0.0)
        try:
            lost += turns_in(open_run(recover(journal).path)) < acknowledged
        except RunUnreadable:
            lost += acknowledged > 0
        if lost:
            break

    assert lost > 0


def test_every_commit_is_synced_before_it_returns(tmp_path):
    """The system calls of a recorder show at least one sync for each commit."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    log = tmp_path / "calls"
    program = (
        "import sys\n"
        "from pathlib import Path; from tests.killed_recorder import record\n"
        "record(Path(sys.argv[1]), turns=60)\n"
    )
    command = ["strace", "-f", "-e", "trace=fdatasync,fsync", "-o", str(log)]
    done = subprocess.run(
        [*command, sys.executable, "-c", program, str(tmp_path / "a.journal")],
        capture_output=True,
        text=True,
        check=True,
    )
    commits = sum(line.isdigit() for line in done.stdout.split())

    assert commits > 5
    assert log.read_text().count("sync(") >= commits


@pytest.mark.parametrize(
    ("call", "error", "at"),
    [("fdatasync", "EIO", 40), ("pwrite64", "ENOSPC", 400), ("pwrite64", "EIO", 401)],
)
def test_a_refused_write_or_sync_is_never_claimed(tmp_path, call, error, at):
    """When the disk refuses in mid-recording, StorageFailed is raised and what was kept stays."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    journal = tmp_path / "a.journal"
    program = (
        "import sys\n"
        "from pathlib import Path; from tests.killed_recorder import record\n"
        "from logger.errors import StorageFailed\n"
        "try:\n    record(Path(sys.argv[1]), turns=2000)\n"
        "except StorageFailed as exc:\n    print('refused', exc)\n"
    )
    inject = f"inject={call}:error={error}:when={at}+"
    command = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", inject]
    done = subprocess.run(
        [*command, sys.executable, "-c", program, str(journal)],
        capture_output=True,
        text=True,
        check=True,
    )
    acknowledged = last_acknowledged(done.stdout)

    assert "refused" in done.stdout
    assert turns_in(open_run(recover(journal).path)) >= acknowledged > 0


def test_a_failed_part_is_never_written_again(tmp_path):
    """After a failed commit nothing is committed in that file any more, though space comes back."""
    journal = RunJournal.create(tmp_path / "a.journal", header())
    journal.append(blocks_of(0))
    journal.commit()
    with files_no_longer_than(1000):
        journal.append(blocks_of(1))
        with pytest.raises(StorageFailed, match="40 samples are kept"):
            journal.commit()
    before = digests(tmp_path)

    with pytest.raises(StorageFailed, match="failed before"):
        journal.commit()
    journal.close()
    assert digests(tmp_path).items() >= before.items()
    assert turns_in(open_run(seal_journal(tmp_path / "a.journal"))) == 1


def test_what_was_not_committed_is_not_kept(tmp_path):
    """Closing claims nothing: only commit does."""
    with RunJournal.create(tmp_path / "a.journal", header()) as journal:
        journal.append(blocks_of(0))
        journal.commit()
        journal.append(blocks_of(1))
        assert journal.samples == 2 * SAMPLES

    assert turns_in(open_run(seal_journal(tmp_path / "a.journal"))) == 1


def test_another_process_reads_and_notes_while_one_records(tmp_path):
    """While a recorder has the journal open, others read what is durable and add a note."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        journal.append(blocks_of(0))
        journal.commit()
        program = (
            "import sys; from pathlib import Path\n"
            "from logger.recording.journal import add_note\n"
            "from logger.recording.header import Note\n"
            "from logger.recording.journal_reading import JournalReader\n"
            "path = Path(sys.argv[1])\n"
            "add_note(path, Note(t_ns=7, kind='radius', text='tape', value_m=3.49))\n"
            "with JournalReader(path) as reader:\n"
            "    channels = [block.channel for _, block in reader.blocks()]\n"
            "    print(reader.header().run_id, channels, len([*reader.objects('notes')]))\n"
        )
        done = run_warm([*PROGRAM, program, path], capture_output=True, text=True, check=True)
        journal.append(blocks_of(1))
        journal.commit()

    assert done.stdout.split() == ["bay-2-1", "['load',", "'slew']", "1"]
    run = open_run(seal_journal(path))
    assert turns_in(run) == 2
    assert run.notes == (Note(t_ns=7, kind="radius", text="tape", value_m=3.49),)


def test_a_living_recorder_keeps_its_journal(tmp_path):
    """Recovering a journal that another process is writing is refused and harms nothing."""
    path = tmp_path / "a.journal"
    with WarmProcess(
        [sys.executable, "-m", "tests.killed_recorder", path, "commit-first", "1"],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        printed = "".join(process.stdout.readline() for _ in range(5))
        with pytest.raises(RunUnreadable, match="is in use"):
            recover(path)
        process.kill()
        acknowledged = last_acknowledged(printed + process.stdout.read())

    assert turns_in(open_run(recover(path).path)) >= acknowledged > 0


def test_a_journal_is_never_overwritten(tmp_path):
    """Neither a journal nor a sealed run of that name is written over."""
    record(tmp_path / "a.journal", turns=1)
    before = hashlib.sha256((tmp_path / "a.journal").read_bytes()).digest()
    with pytest.raises(BadInput, match="never overwritten"):
        RunJournal.create(tmp_path / "a.journal", header())
    assert hashlib.sha256((tmp_path / "a.journal").read_bytes()).digest() == before
    seal_journal(tmp_path / "a.journal")

    with pytest.raises(BadInput, match="never overwritten"):
        RunJournal.create(tmp_path / "a.journal", header())


def test_everything_added_is_in_the_sealed_run(tmp_path):
    """Notes, gaps, alarms, wall pairs and clock fits of the journal are in the sealed header."""
    gap = Gap(t_ns=5, source="mast", kind="missing_packs", missing=2)
    with RunJournal.create(tmp_path / "a.journal", header(clock_rate=20.0)) as journal:
        journal.append(blocks_of(0))
        journal.add_pairs("mast#a1", [ClockPair(device_ns=86_400_000_000_000, arrival_ns=0)])
        journal.add_note(Note(t_ns=9, kind="text", text="later"))
        journal.add_note(Note(t_ns=2, kind="mark"))
        journal.add_gap(gap)
        journal.add_alarm({"wheel": "rear_left", "t_s": np.float64(1.5), "slew_deg": float("nan")})
        journal.add_wall_pair(0, 1_777_000_000_000_000_000)
        journal.commit()
    found = open_run(seal_journal(tmp_path / "a.journal")).header

    assert [n.t_ns for n in found.notes] == [2, 9]
    assert found.gaps == (gap,)
    assert found.alarms == ({"wheel": "rear_left", "t_s": 1.5, "slew_deg": None},)
    assert found.wall_pairs == ((0, 1_777_000_000_000_000_000),)
    assert found.clock_fits["mast#a1"].offset_ns == -86_400_000_000_000
    assert found.clock_rate == 20.0


def test_a_channel_that_is_not_wired_is_refused(tmp_path):
    """A block of a channel that the rig file lacks could never be sealed, so it is an error."""
    stray = ClockedBlock(channel="wind", clock="run", t_ns=np.array([1]), value=np.array([1.0]))

    with RunJournal.create(tmp_path / "a.journal", header()) as journal:
        with pytest.raises(ValueError, match="no channel 'wind'"):
            journal.append([stray])
        with pytest.raises(ValueError, match="times for"):
            ClockedBlock(channel="load", clock="run", t_ns=np.array([1]), value=np.zeros(2))


def test_a_note_needs_a_journal(tmp_path):
    """A note to what is no journal is refused in one line and makes no file."""
    note = Note(t_ns=0, kind="text", text="x")
    other = tmp_path / "other.journal"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE a (b)")
    connection.close()

    with pytest.raises(BadInput, match="is no journal"):
        add_note(tmp_path / "no.journal", note)
    with pytest.raises(BadInput, match="is no journal"):
        add_note(other, note)
    assert [p.name for p in tmp_path.iterdir()] == ["other.journal"]


def test_a_reader_leaves_the_journal_as_it_is(tmp_path):
    """Reading a journal with a pending write-ahead log changes neither of the two."""
    path = tmp_path / "a.journal"
    kill_once(path, guard="commit-first", seed=5)
    files = [path, path.with_name("a.journal-wal")]
    before = [hashlib.sha256(f.read_bytes()).digest() for f in files]
    with JournalReader(path) as reader:
        reader.header()
        assert [*reader.blocks()]

    assert [hashlib.sha256(f.read_bytes()).digest() for f in files] == before
