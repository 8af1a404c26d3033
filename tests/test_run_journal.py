"""The journal in parts: rotation, refused writes, notes of others; nothing lost, nothing twice."""

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
from logger.recording import journal, journal_part, sealing
from logger.recording.header import Gap, Note, canonical_json
from logger.recording.journal import APPLICATION_ID, ClockedBlock, add_note, connect
from logger.recording.journal_reading import JournalReader
from logger.recording.number_ranges import NumberRanges
from logger.recording.parts import first_part, first_parts, part_path, parts_of
from logger.recording.run import open_run
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import recover, seal_journal
from tests.files import digests, files_no_longer_than
from tests.killed_recorder import SAMPLES, blocks_of
from tests.rig_of_a_bay import header
from tests.test_journal import kill_once, last_acknowledged, turns_in
from tests.warm_process import PROGRAM, WarmProcess

SMALL_PART = 60_000


def write_turns(journal, first, after):
    """Commits turns one by one."""
    for turn in range(first, after):
        journal.append(blocks_of(turn))
        journal.commit()


def in_parts(folder, turns=60):
    """A journal of several parts that was closed."""
    path = folder / "a.journal"
    with RunJournal.create(path, header(), part_bytes=SMALL_PART) as journal:
        write_turns(journal, 0, turns)
        assert journal.part > 3
    return path


def seqs_of(path):
    """Numbers of the whole blocks in a part."""
    with JournalReader(path) as reader:
        return [seq for seq, block in reader.blocks() if block is not None]


def test_parts_follow_one_another_without_a_gap(tmp_path):
    """A full part gives way to the next, rows are numbered on, and sealing takes all of them."""
    path = in_parts(tmp_path)
    parts = parts_of(path)
    seqs = [seq for _, part in parts for seq in seqs_of(part)]
    names = [part.name for _, part in parts]
    recovery = recover(path)

    assert names[:3] == ["a.journal", "a.2.journal", "a.3.journal"]
    assert seqs == list(range(1, 121))
    assert recovery.damage == ""
    assert turns_in(open_run(recovery.path)) == 60
    assert list(digests(tmp_path)) == ["a.parquet"]


def test_any_part_may_be_named(tmp_path):
    """Recovering by the name of a later part seals the whole run under the run's own name."""
    path = in_parts(tmp_path)
    recovery = recover(part_path(path, 2))

    assert recovery.path == tmp_path / "a.parquet"
    assert turns_in(open_run(recovery.path)) == 60
    assert recover(part_path(path, 2)).already_sealed


def test_a_run_is_found_once_however_many_parts(tmp_path):
    """A folder's unsealed runs are named by their first parts."""
    in_parts(tmp_path)
    (tmp_path / "b.2.journal").touch()

    assert first_parts(tmp_path) == [tmp_path / "a.journal", tmp_path / "b.journal"]
    assert first_part(tmp_path / "a.12.journal") == tmp_path / "a.journal"
    assert first_part(tmp_path / "a-2.journal") == tmp_path / "a-2.journal"


def test_a_name_that_could_be_a_part_is_refused(tmp_path):
    """Neither a left part nor a name like a part's is taken for a new run."""
    in_parts(tmp_path)
    (tmp_path / "a.journal").unlink()

    with pytest.raises(BadInput, match=r"a\.\d\.journal: is there already"):
        RunJournal.create(tmp_path / "a.journal", header())
    with pytest.raises(BadInput, match="can't end in a dot and a number"):
        RunJournal.create(tmp_path / "b.2.journal", header())


def refuse(journal, *, limit):
    """Has the disk refuse a commit."""
    with files_no_longer_than(limit), pytest.raises(StorageFailed):
        journal.commit()


def test_what_was_refused_goes_into_a_new_part(tmp_path):
    """After a failed commit all of it stands once in the run, and what came since as well."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        write_turns(journal, 0, 3)
        journal.append(blocks_of(3))
        journal.add_gap(Gap(t_ns=5, source="mast", kind="missing_packs"))
        journal.add_note(Note(t_ns=6, kind="mark"))
        refuse(journal, limit=1000)
        assert journal.samples == 3 * 2 * SAMPLES
        journal.append(blocks_of(4))
        journal.begin_part()
        journal.commit()
        assert (journal.part, journal.samples) == (2, 5 * 2 * SAMPLES)
        write_turns(journal, 5, 8)
    recovery = recover(path)
    run = open_run(recovery.path)

    assert recovery.damage == ""
    assert recovery.samples == 8 * 2 * SAMPLES
    assert turns_in(run) == 8
    assert [gap.kind for gap in run.gaps] == ["lost", "missing_packs"][::-1]
    assert len(run.notes) == 1


def test_parts_of_a_broken_disk_do_not_pile_up(tmp_path):
    """However often a new part fails, one without anything kept is never left behind."""
    path = tmp_path / "a.journal"
    load = np.arange(40_000)
    with RunJournal.create(path, header()) as journal:
        write_turns(journal, 0, 3)
        journal.append([ClockedBlock(channel="load", clock="run", t_ns=load, value=load * 1.0)])
        with files_no_longer_than(200_000):
            for _ in range(10):
                with pytest.raises(StorageFailed):
                    journal.commit()
                journal.begin_part()
        with files_no_longer_than(5000):
            for _ in range(10):
                with pytest.raises(StorageFailed):
                    journal.begin_part()
        files = [name for name in digests(tmp_path) if name.endswith(".journal")]
        assert len(files) == 2
        journal.begin_part()
        journal.commit()
    recovery = recover(path)

    assert (recovery.samples, recovery.damage) == (3 * 2 * SAMPLES + load.size, "")
    assert list(digests(tmp_path)) == ["a.parquet"]


def test_a_refused_checkpoint_costs_nothing(tmp_path, monkeypatch):
    """Where rows can't go from the log into the file, what was committed stays claimed and kept."""
    monkeypatch.setattr(journal_part, "_LONG_LOG_BYTES", 40_000)
    path = tmp_path / "a.journal"
    turn = 0
    with RunJournal.create(path, header()) as journal, files_no_longer_than(150_000):
        refused = ""
        while not refused:
            journal.append(blocks_of(turn))
            try:
                journal.commit()
            except StorageFailed as exc:
                refused = str(exc)
            else:
                turn += 1
        assert "failed before" in refused
        assert journal.samples == turn * 2 * SAMPLES
        journal.begin_part()
        journal.commit()
    recovery = recover(path)

    assert recovery.damage == ""
    assert turns_in(open_run(recovery.path)) == turn + 1 > 50


def test_the_log_does_not_grow_without_bound(tmp_path, monkeypatch):
    """The log is brought into the file again and again, not at every commit and not never."""
    monkeypatch.setattr(journal_part, "_LONG_LOG_BYTES", 100_000)
    brought = []
    checkpoint = journal_part.JournalPart._checkpoint
    monkeypatch.setattr(
        journal_part.JournalPart, "_checkpoint", lambda part: brought.append(checkpoint(part))
    )
    longest = 0
    with RunJournal.create(tmp_path / "a.journal", header()) as journal:
        for turn in range(300):
            write_turns(journal, turn, turn + 1)
            longest = max(longest, (tmp_path / "a.journal-wal").stat().st_size)

    assert longest < 250_000
    assert 10 < len(brought) < 60


INJECTED = """
import sys
from pathlib import Path
from tests.killed_recorder import record
record(Path(sys.argv[1]), turns=400, goes_on=True)
"""


def record_with_a_fault(journal, fault):
    """Lets a recorder meet one fault in its system calls and go on; gives what it printed."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    call = fault.split(":")[0]
    command = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}"]
    done = subprocess.run(
        [*command, "-e", f"inject={fault}", sys.executable, "-c", INJECTED, str(journal)],
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


def test_a_failed_sync_that_reached_the_disk_gives_nothing_twice(tmp_path, monkeypatch):
    """Rows whose sync failed stand in the old part and in the new one: the run has them once."""
    journal = tmp_path / "a.journal"
    said = record_with_a_fault(journal, "fdatasync:error=EIO:when=30")
    old, new = (seqs_of(part) for _, part in parts_of(journal))
    shutil.copytree(tmp_path, tmp_path / "b")
    recovery = recover(journal)
    monkeypatch.setattr(NumberRanges, "add", lambda *_: True)
    unguarded = recover(tmp_path / "b" / "a.journal")

    assert said.count("\nrefused") == 1
    assert set(old) & set(new)
    assert recovery.damage == ""
    assert turns_in(open_run(recovery.path)) == last_acknowledged(said) >= 400
    assert unguarded.samples > recovery.samples


KILLS = 4


@pytest.mark.parametrize("seed", range(KILLS))
def test_what_was_acknowledged_survives_kill_9_in_rotation(tmp_path, seed):
    """With a new part every few commits, a SIGKILL at any moment loses nothing acknowledged."""
    journal = tmp_path / "a.journal"
    acknowledged = kill_once(journal, guard="commit-first", seed=seed, part_bytes=SMALL_PART)
    parts = len(parts_of(journal))
    recovery = recover(journal)
    run = open_run(recovery.path)
    run.verify()

    assert turns_in(run) >= acknowledged
    assert recovery.damage == ""
    assert parts >= acknowledged // 60
    assert list(digests(tmp_path)) == ["a.parquet"]


SEAL = """
import sys
from pathlib import Path
from logger.recording.sealing import seal_journal
seal_journal(Path(sys.argv[1]))
"""


@pytest.mark.parametrize(("call", "at"), [("link", 1), ("unlink", 1), ("unlink", 7)])
def test_a_kill_in_sealing_or_removing_loses_nothing(tmp_path, call, at):
    """A SIGKILL as the run gets its name, or between the parts' removal: recover completes it."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    journal = in_parts(tmp_path)
    inject = f"inject={call}:signal=SIGKILL:when={at}"
    command = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", inject]
    done = subprocess.run([*command, sys.executable, "-c", SEAL, str(journal)], check=False)
    left = digests(tmp_path)
    recovery = recover(journal)
    again = recover(journal)

    assert done.returncode != 0
    assert any(name.endswith(".journal") for name in left)
    assert (recovery.samples, recovery.damage) == (60 * 2 * SAMPLES, "")
    assert turns_in(open_run(recovery.path)) == 60
    assert again.already_sealed
    assert list(digests(tmp_path)) == ["a.parquet"]


def test_parts_with_other_readings_than_the_sealed_run_stay(tmp_path, monkeypatch):
    """Where any reading or note of a left part is not in the sealed run, nothing is removed."""
    journal = in_parts(tmp_path)
    monkeypatch.setattr(sealing, "_remove", lambda _: None)
    seal_journal(journal)
    monkeypatch.undo()
    (tmp_path / "a.journal").unlink()
    with sqlite3.connect(tmp_path / "a.2.journal") as connection:
        text = canonical_json({"t_ns": 1, "kind": "text", "text": "late", "value_m": None})
        connection.execute("INSERT INTO notes (json) VALUES (?)", (text,))
    connection.close()
    before = digests(tmp_path)

    with pytest.raises(RunUnreadable, match="holds other readings than"):
        recover(journal)
    assert digests(tmp_path) == before


def spoil(path, case):
    """A state of a second part."""
    if case == "empty":
        path.write_bytes(b"")
    elif case == "no header":
        path.unlink()
        connection = sqlite3.connect(path)
        connection.execute("PRAGMA journal_mode=WAL")
        connection.close()
    elif case == "noise":
        path.write_bytes(random.Random(1).randbytes(9000))
    elif case == "cut":
        path.write_bytes(path.read_bytes()[:13_000])
    elif case == "gone":
        path.unlink()


@pytest.mark.parametrize("case", ["empty", "no header", "noise", "cut", "gone"])
def test_a_lost_part_is_counted_to_the_block(tmp_path, case):
    """Whatever happened to a part in the middle, the rest is kept and the loss exactly told."""
    path = in_parts(tmp_path)
    second = part_path(path, 2)
    spoil(second, case)
    try:
        left = len(seqs_of(second))
    except RunUnreadable:
        left = 0
    kept = left + sum(len(seqs_of(part)) for n, part in parts_of(path) if n != 2)
    recovery = recover(path)
    run = open_run(recovery.path)

    assert recovery.damage.startswith(f"{120 - kept} blocks of samples and 0 other rows")
    assert ("cut" in recovery.damage) == (case == "cut")  # others may have noted something there
    assert recovery.samples == kept * SAMPLES < 120 * SAMPLES
    assert run.gaps[-1].text == recovery.damage
    assert recover(path).already_sealed


@pytest.mark.parametrize("case", ["empty", "noise", "gone"])
def test_what_a_later_part_does_not_hold_is_counted_too(tmp_path, case):
    """A new part without any row still tells how many rows stood before it."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        write_turns(journal, 0, 5)
        journal.add_gap(Gap(t_ns=5, source="mast", kind="missing_packs"))
        journal.commit()
        journal.begin_part()
    spoil(path, case)
    recovery = recover(path)

    assert recovery.damage == "10 blocks of samples and 1 other rows can't be read"
    assert recovery.samples == 0


@pytest.mark.parametrize("case", ["empty", "noise", "gone"])
def test_a_lost_last_part_is_told(tmp_path, case):
    """Where the newest part is lost nobody can count, and the run says that there was more."""
    path = in_parts(tmp_path, turns=58)
    last = parts_of(path)[-1][1]
    spoil(last, case)
    recovery = recover(path)

    assert "cut, so there may have been more" in recovery.damage
    assert recovery.samples == 55 * 2 * SAMPLES


@pytest.mark.parametrize("case", ["empty", "no header"])
def test_a_part_that_was_just_being_made_is_no_damage(tmp_path, case):
    """A recorder killed while it made a part leaves one without a header: nothing is missing."""
    path = in_parts(tmp_path)
    newest = part_path(path, parts_of(path)[-1][0] + 1)
    newest.touch()
    spoil(newest, case)
    recovery = recover(path)

    assert recovery.damage == ""
    assert turns_in(open_run(recovery.path)) == 60
    assert list(digests(tmp_path)) == ["a.parquet"]


@pytest.mark.parametrize("seed", range(6))
def test_a_part_cut_at_any_byte_never_stops_recovery(tmp_path, seed):
    """The last part cut anywhere: the others are whole, and what was lost is told or was never."""
    path = in_parts(tmp_path)
    last = parts_of(path)[-1][1]
    before = sum(len(seqs_of(part)) for _, part in parts_of(path)[:-1])
    data = last.read_bytes()
    last.write_bytes(data[: random.Random(seed).randrange(1, len(data))])
    recovery = recover(path)

    assert recovery.samples >= before * SAMPLES
    assert recovery.damage
    assert list(digests(tmp_path)) == ["a.parquet"]


@pytest.mark.parametrize("state", ["empty", "no header"])
def test_a_recorder_that_stopped_before_it_had_begun_is_one_line(tmp_path, state):
    """A first part without a header holds nothing: said so in one line, nothing changed."""
    path = tmp_path / "a.journal"
    path.touch()
    spoil(path, state)
    before = digests(tmp_path)

    with pytest.raises(RunUnreadable, match="stopped before it had begun; there is nothing"):
        recover(path)
    assert digests(tmp_path) == before


def test_notes_of_another_process_are_handed_on_once(tmp_path):
    """Notes added while parts change by the dozen: each is handed on once and sealed once."""
    path = tmp_path / "a.journal"
    program = (
        "import sys\nimport time\nfrom pathlib import Path\n"
        "from logger.recording.header import Note\n"
        "from logger.recording.journal import add_note\n"
        "for t_ns in range(60):\n"
        "    add_note(Path(sys.argv[1]), Note(t_ns=t_ns, kind='mark'))\n"
        "    time.sleep(0.02)\n"
    )
    heard = []
    with RunJournal.create(path, header(), part_bytes=SMALL_PART) as journal:
        journal.add_note(Note(t_ns=1000, kind="text", text="our own"))
        process = WarmProcess([*PROGRAM, program, path])
        turn = 0
        while process.poll() is None:
            write_turns(journal, turn, turn + 1)
            heard += journal.new_notes()
            turn += 1
        heard += journal.new_notes()
        assert journal.part > 5
    run = open_run(seal_journal(path))

    assert process.returncode == 0
    assert [note.t_ns for note in heard] == list(range(60))
    assert [note.t_ns for note in run.notes] == [*range(60), 1000]


def test_a_note_that_comes_as_the_part_changes_is_handed_on(tmp_path, monkeypatch):
    """A part that is left between the look for the newest and the note's lock takes no note."""
    path = tmp_path / "a.journal"
    opened = []
    with RunJournal.create(path, header()) as recorder:

        def connect_and_change_parts(part, *, mode):
            connection = connect(part, mode=mode)
            opened.append(part)
            if len(opened) == 1:
                recorder.begin_part()
            return connection

        monkeypatch.setattr(journal, "connect", connect_and_change_parts)
        add_note(path, Note(t_ns=5, kind="mark"))
        heard = recorder.new_notes()
    run = open_run(seal_journal(path))

    assert opened == [path, part_path(path, 2)]
    assert [note.t_ns for note in heard] == [5]
    assert [note.t_ns for note in run.notes] == [5]


def test_a_note_to_a_run_that_is_being_sealed_is_not_claimed(tmp_path):
    """Once sealing has begun, whoever adds a note is told that it may not be in the run."""
    path = in_parts(tmp_path)
    (tmp_path / "a.parquet.partial").touch()

    with pytest.raises(BadInput, match="is being sealed"):
        add_note(path, Note(t_ns=1, kind="mark"))


def test_two_can_not_seal_one_run_at_once(tmp_path):
    """While one has the run in hand, another's recover is refused and changes nothing."""
    path = in_parts(tmp_path)
    program = (
        "import sys, time\nfrom pathlib import Path\n"
        "from logger.recording.in_use import run_in_hand\n"
        "with run_in_hand(Path(sys.argv[1])):\n"
        "    print('held', flush=True)\n    time.sleep(60)\n"
    )
    before = digests(tmp_path)
    with WarmProcess([*PROGRAM, program, path], stdout=subprocess.PIPE, text=True) as process:
        process.stdout.readline()
        with pytest.raises(RunUnreadable, match="is in use"):
            recover(path)
        process.kill()

    assert digests(tmp_path) == before
    assert turns_in(open_run(recover(path).path)) == 60


OLD_TABLES = """
CREATE TABLE header (id INTEGER PRIMARY KEY CHECK (id = 1), json TEXT NOT NULL);
CREATE TABLE blocks (id INTEGER PRIMARY KEY, channel TEXT NOT NULL, clock TEXT NOT NULL,
    first_ns INTEGER NOT NULL, count INTEGER NOT NULL, crc INTEGER NOT NULL,
    times BLOB NOT NULL, value BLOB NOT NULL);
CREATE TABLE pairs (id INTEGER PRIMARY KEY, clock TEXT NOT NULL, device_ns INTEGER NOT NULL,
    arrival_ns INTEGER NOT NULL, wire_ns INTEGER NOT NULL);
CREATE TABLE wall_pairs (id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, utc_ns INTEGER NOT NULL);
CREATE TABLE notes (id INTEGER PRIMARY KEY, json TEXT NOT NULL);
CREATE TABLE gaps (id INTEGER PRIMARY KEY, json TEXT NOT NULL);
CREATE TABLE alarms (id INTEGER PRIMARY KEY, json TEXT NOT NULL);
"""


def test_a_journal_of_the_first_version_is_still_recovered(tmp_path):
    """A single file as it was written before there were parts gives all that it holds."""
    import zlib

    path = tmp_path / "a.journal"
    connection = sqlite3.connect(path)
    connection.executescript(
        f"{OLD_TABLES} PRAGMA application_id={APPLICATION_ID}; PRAGMA user_version=1;"
    )
    connection.execute("INSERT INTO header VALUES (1, ?)", (canonical_json(header().to_json()),))
    for turn in range(5):
        for block in blocks_of(turn):
            times, value = block.t_ns.tobytes(), block.value.tobytes()
            crc = zlib.crc32(f"{block.channel}\0{block.clock}\0".encode())
            row = (block.channel, block.clock, int(block.t_ns[0]), len(block))
            row += (zlib.crc32(value, zlib.crc32(times, crc)), times, value)
            connection.execute("INSERT INTO blocks VALUES (NULL,?,?,?,?,?,?,?)", row)
    connection.execute("INSERT INTO pairs VALUES (NULL, 'mast#a1', 86400000000000, 0, 0)")
    note = canonical_json({"t_ns": 9, "kind": "text", "text": "tape", "value_m": None})
    connection.execute("INSERT INTO notes VALUES (NULL, ?)", (note,))
    connection.commit()
    connection.close()
    recovery = recover(path)
    run = open_run(recovery.path)

    assert (recovery.samples, recovery.damage) == (5 * 2 * SAMPLES, "")
    assert turns_in(run) == 5
    assert run.notes[0].text == "tape"
    assert run.header.clock_fits["mast#a1"].pairs == 1


def test_answers_of_a_device_reach_the_clock_fit(tmp_path):
    """Pairs that know when the device was asked come back so, also where there are very many."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        journal.append(blocks_of(0))
        for start in range(0, 30_000, 1000):
            pairs = [
                ClockPair(
                    device_ns=k * 10_000_000,
                    arrival_ns=k * 10_000_000 + 5_000_000,
                    asked_ns=k * 10_000_000 - 1_000_000 if k % 100 == 0 else None,
                )
                for k in range(start, start + 1000)
            ]
            journal.add_pairs("mast#a1", pairs)
        journal.commit()
    fit = open_run(seal_journal(path)).header.clock_fits["mast#a1"]

    assert fit.pairs_two_way == 300
    assert fit.pairs > 10_000


def test_of_very_many_frames_the_promptest_are_kept(tmp_path):
    """Lines every 0.1 ms leave a pair for each 2 ms, the least delayed; slower ones leave all."""
    path = tmp_path / "a.journal"
    chance = np.random.default_rng(3)
    late = chance.integers(0, 1_000_000, 4000).tolist()
    with RunJournal.create(path, header()) as journal:
        for clock, step_ns in (("mast#fast", 100_000), ("mast#slow", 2_000_000)):
            device = [k * step_ns for k in range(4000)]
            pairs = [
                ClockPair(device_ns=d, arrival_ns=d + n) for d, n in zip(device, late, strict=True)
            ]
            journal.add_pairs(clock, pairs)
        journal.commit()
        with JournalReader(path) as reader:
            kept = {"mast#fast": [], "mast#slow": []}
            for _, (clock, pair) in reader.pairs():
                kept[clock].append(pair.arrival_ns - pair.device_ns)

    assert kept["mast#slow"] == late
    assert kept["mast#fast"] == [min(late[k : k + 20]) for k in range(0, 4000, 20)]


def test_commits_go_on_while_others_read(tmp_path):
    """A reader in the middle of a long look holds up no commit."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        write_turns(journal, 0, 50)
        with JournalReader(path) as reader:
            rows = reader.blocks()
            next(rows)
            start_s = time.monotonic()
            write_turns(journal, 50, 100)
            took_s = time.monotonic() - start_s
            rows.close()

    assert took_s < 4.0
    assert turns_in(open_run(seal_journal(path))) == 100


def test_ranges_are_a_set():
    """Numbers in any order are each taken once, as a set takes them."""
    chance = random.Random(5)
    ranges, twin = NumberRanges(), set()
    for _ in range(3000):
        number = chance.randrange(400)
        assert ranges.add(number) == (number not in twin)
        twin.add(number)

    assert len(ranges) == len(twin)
