"""What is lost in a write-ahead log: told where rows are, silent where a kill just cut the end."""

import shutil
import sqlite3

import numpy as np
import pytest

from logger.errors import BadInput, RunUnreadable
from logger.recording import log_check, run_reading
from logger.recording.header import Note
from logger.recording.journal import add_note, connect
from logger.recording.journal_reading import JournalReader
from logger.recording.log_check import lost_commits
from logger.recording.parts import first_parts, part_path
from logger.recording.run import open_run
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import recover
from tests.files import digests
from tests.killed_recorder import SAMPLES, blocks_of
from tests.rig_of_a_bay import header
from tests.test_journal import turns_in

FRAME_BYTES = 24 + 4096


def killed(folder, turns=60, *, name="a", part_after=None):
    """What a recorder that was killed leaves; each turn is a commit of its own."""
    (folder / "alive").mkdir()
    with RunJournal.create(folder / "alive" / f"{name}.journal", header()) as journal:
        for turn in range(turns):
            if turn == part_after:
                journal.begin_part()
            journal.append(blocks_of(turn))
            journal.commit()
        for file in (folder / "alive").iterdir():
            if not file.name.endswith("-shm"):
                shutil.copy(file, folder)
    shutil.rmtree(folder / "alive")
    return folder / f"{name}.journal"


def log_of(path):
    """The log beside a part."""
    return path.with_name(f"{path.name}-wal")


def flip(path, position):
    """Changes one bit."""
    data = bytearray(path.read_bytes())
    data[position] ^= 4
    path.write_bytes(data)


def commit_frames(log):
    """Indices of the frames that end a transaction."""
    data = log.read_bytes()
    starts = range(32, len(data) - FRAME_BYTES + 1, FRAME_BYTES)
    return [n for n, at in enumerate(starts) if any(data[at + 4 : at + 8])]


def test_a_bit_in_the_log_is_told_and_the_files_are_kept(tmp_path):
    """With a bit flipped at a third of the log, the loss is told and noted, and nothing removed."""
    path = killed(tmp_path)
    log = log_of(path)
    flip(log, log.stat().st_size // 3)
    damaged = log.read_bytes()
    recovery = recover(path)
    run = open_run(recovery.path)
    left = digests(tmp_path)
    again = recover(path)

    assert 30 < int(recovery.damage.split("at least ")[1].split()[0]) < 45
    assert "kept as *.damaged*" in recovery.damage
    assert run.gaps[-1].text == recovery.damage
    assert 0 < turns_in(run) < 25
    assert (tmp_path / "a.journal.damaged-wal").read_bytes() == damaged
    assert set(left) == {"a.parquet", "a.journal.damaged", "a.journal.damaged-wal"}
    assert again.already_sealed
    assert digests(tmp_path) == left
    assert first_parts(tmp_path) == []


def test_without_the_check_of_the_log_the_loss_is_silent(tmp_path, monkeypatch):
    """The same damage goes unnoticed where only SQLite looks at the log, so the check is needed."""
    path = killed(tmp_path)
    flip(log_of(path), log_of(path).stat().st_size // 3)
    monkeypatch.setattr(run_reading, "lost_commits", lambda _: 0)
    recovery = recover(path)

    assert recovery.damage == ""
    assert recovery.samples < 25 * 2 * SAMPLES
    assert set(digests(tmp_path)) == {"a.parquet"}


@pytest.mark.parametrize("after", ["sealing", "the first name"])
def test_a_crash_before_the_files_are_set_aside_costs_none(tmp_path, monkeypatch, after):
    """A recover that stopped before the last file was renamed is completed by the next."""
    path = killed(tmp_path)
    flip(log_of(path), log_of(path).stat().st_size // 3)
    files = {name: log for name, log in digests(tmp_path).items() if ".journal" in name}
    with monkeypatch.context() as patched:
        patched.setattr("logger.recording.sealing.set_parts_aside", lambda _: None)
        recover(path)
    if after == "the first name":
        path.rename(tmp_path / "a.journal.damaged")
    recovery = recover(path)
    left = digests(tmp_path)

    assert recovery.already_sealed
    assert left.pop("a.parquet")
    assert {name.replace(".damaged", ""): log for name, log in left.items()} == files


def test_what_was_set_aside_is_never_written_over(tmp_path):
    """Files put back and damaged again are kept beside those that were kept before."""
    for turn in range(2):
        path = killed(tmp_path, 20 + turn)
        flip(log_of(path), log_of(path).stat().st_size // 3)
        recover(path).path.unlink()

    assert set(digests(tmp_path)) == {
        f"a.journal.damaged{end}" for end in ("", "-wal", "-2", "-2-wal")
    }


def test_a_log_damaged_from_its_start_is_not_called_empty(tmp_path):
    """Where not even the header can be read, the line names the log, and nothing is touched."""
    for position in (5, 17, 26, 32 + 200):
        folder = tmp_path / str(position)
        folder.mkdir()
        path = killed(folder)
        flip(log_of(path), position)
        before = digests(folder)

        with pytest.raises(RunUnreadable, match="-wal file that is damaged") as info:
            recover(path)
        assert "at least 6" in str(info.value)
        assert "\n" not in str(info.value)
        assert {k: v for k, v in digests(folder).items() if not k.endswith("-shm")} == before


def test_a_log_cut_anywhere_is_the_end_of_a_killed_recorder(tmp_path):
    """A log that was cut at any byte, or lost pages of its last transaction, is no damage."""
    path = killed(tmp_path, 8)
    log = log_of(path)
    data = log.read_bytes()
    last, *_, end = commit_frames(log)[-2:]
    for position in range(0, len(data), 777):
        log.write_bytes(data[:position])
        assert lost_commits(path) == 0
    for frame in range(last + 1, end + 1):
        log.write_bytes(data)
        flip(log, 32 + frame * FRAME_BYTES + 100)
        assert lost_commits(path) == 0
    log.write_bytes(data)
    flip(log, 32 + last * FRAME_BYTES + 100)

    assert lost_commits(path) == 2


def test_an_older_generation_of_the_log_is_not_ours(tmp_path):
    """Whole frames from before the log began anew follow the newest, and are no loss."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        for turn in range(60):
            if turn == 50:
                with connect(path) as connection:
                    connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
                connection.close()
            journal.append(blocks_of(turn))
            journal.commit()
        data = log_of(path).read_bytes()
        salts = {data[at + 8 : at + 16] for at in range(32, len(data) - 24, FRAME_BYTES)}
        lost = lost_commits(path)
        (tmp_path / "b.journal-wal").write_bytes(data)
        flip(tmp_path / "b.journal-wal", 32 + 100)
        of_newest = lost_commits(tmp_path / "b.journal")

    assert len(salts) == 2
    assert lost == 0
    assert of_newest == 10


def test_rows_that_sqlite_reads_and_commits_told_make_the_whole(tmp_path):
    """Wherever a bit flips, the turns that SQLite gives and the commits told are all that were."""
    path = killed(tmp_path, 30)
    log = log_of(path)
    data = log.read_bytes()
    chance = np.random.default_rng(4)
    for position in chance.integers(32 + 12 * FRAME_BYTES, len(data), 25).tolist():
        log.write_bytes(data)
        flip(log, position)
        with JournalReader(path) as reader:
            read = sum(1 for _ in reader.blocks()) // 2
        lost = lost_commits(path)

        # A commit whose own frame header is hit is not seen as one.
        assert read + lost in ({30, 29} if lost else {29, 30})


def test_the_fast_checksum_is_that_of_the_format():
    """A frame's checksum by one product is the one that the format's rule gives word by word."""
    chance = np.random.default_rng(6)
    for pairs in (1, 3, 513):
        data = chance.integers(0, 256, 8 * pairs, dtype=np.uint8).tobytes()
        start = tuple(chance.integers(0, 2**32, 2).tolist())
        words = np.frombuffer(data, dtype="<u4").astype(np.uint32)
        share = (words @ log_check._weights(pairs)).tolist()
        carry = log_check._carry(pairs)
        fast = tuple(
            (row[0] * start[0] + row[1] * start[1] + add) % 2**32
            for row, add in zip(carry, share, strict=True)
        )
        # sqlite.org/fileformat2.html, 4.2 "Checksum Algorithm"
        s0, s1 = start
        for x0, x1 in zip(words.tolist()[::2], words.tolist()[1::2], strict=True):
            s0 = (s0 + x0 + s1) % 2**32
            s1 = (s1 + x1 + s0) % 2**32

        assert fast == (s0, s1)


def test_an_empty_file_with_a_full_log_is_not_opened(tmp_path):
    """SQLite would remove the log of an empty file: it is refused in one line, and all stays."""
    path = killed(tmp_path)
    path.write_bytes(b"")
    before = digests(tmp_path)

    with pytest.raises(RunUnreadable, match=r"is empty, and a\.journal-wal beside it") as info:
        recover(path)
    with pytest.raises(BadInput, match="is no journal"):
        add_note(path, Note(t_ns=1, kind="mark"))
    assert "\n" not in str(info.value)
    assert digests(tmp_path) == before
    with sqlite3.connect(path) as connection:  # what the refusal guards against
        connection.execute("SELECT 1 FROM sqlite_master").fetchall()
    connection.close()
    assert digests(tmp_path) != before


@pytest.mark.parametrize("case", ["empty", "gone"])
def test_a_full_log_without_its_part_is_kept(tmp_path, case):
    """A later part that is empty or gone leaves its log: told, and set aside with the others."""
    path = killed(tmp_path, part_after=20)
    second = part_path(path, 2)
    log = log_of(second).read_bytes()
    if case == "empty":
        second.write_bytes(b"")
    else:
        second.unlink()
    recovery = recover(path)

    assert turns_in(open_run(recovery.path)) == 20
    assert "1 -wal files are there without their .journal file" in recovery.damage
    assert (tmp_path / "a.2.journal.damaged-wal").read_bytes() == log
    assert recover(path).already_sealed
    assert (tmp_path / "a.2.journal.damaged-wal").read_bytes() == log


def test_a_copy_without_its_log_is_asked_for(tmp_path):
    """A short run's file without its log holds only a page: the line says what may be missing."""
    path = killed(tmp_path)
    log_of(path).unlink()
    before = digests(tmp_path)

    with pytest.raises(RunUnreadable, match="copy it together with its -wal file") as info:
        recover(path)
    assert "\n" not in str(info.value)
    assert digests(tmp_path) == before
