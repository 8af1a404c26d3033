"""Following a journal: all that was committed, in order, once, and never in the writer's way."""

import subprocess
import sys
import threading
import time

import numpy as np
import pytest

from logger.errors import RunUnreadable
from logger.readings.pack import ClockPair
from logger.recording.following import JournalFollower
from logger.recording.parts import part_path
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import recover, seal_journal
from tests.killed_recorder import CLOCK, SAMPLES, blocks_of
from tests.rig_of_a_bay import header
from tests.test_run_journal import SMALL_PART, refuse, write_turns

TURNS = 150


def check_blocks(rows, first_seq=1):
    """Blocks follow one another from a number on, each with the samples of its turn."""
    assert [seq for seq, _ in rows] == list(range(first_seq, first_seq + len(rows)))
    for seq, block in rows:
        wanted = blocks_of((seq - 1) // 2)[(seq - 1) % 2]
        assert (block.channel, block.clock) == (wanted.channel, wanted.clock)
        np.testing.assert_array_equal(block.value, wanted.value)
        np.testing.assert_array_equal(block.t_ns, wanted.t_ns)


def follow_to_the_end(path, taken):
    """Takes blocks until the run has ended."""
    with JournalFollower(path) as follower:
        seq = 0
        while True:
            ended = follower.ended
            rows = follower.blocks_after(seq, limit_samples=7 * SAMPLES)
            taken += rows
            seq = rows[-1][0] if rows else seq
            if ended and not rows:
                return
            time.sleep(0.001)


def test_a_follower_takes_every_block_over_all_parts(tmp_path):
    """While a recorder goes from part to part and seals, a follower gets each block once."""
    path = tmp_path / "a.journal"
    taken = []
    with RunJournal.create(path, header(), part_bytes=SMALL_PART) as journal:
        thread = threading.Thread(target=follow_to_the_end, args=(path, taken))
        thread.start()
        for turn in range(TURNS):
            write_turns(journal, turn, turn + 1)
            time.sleep(0.002)
        assert journal.part > 5
        give_up_s = time.monotonic() + 20
        while len(taken) < 2 * TURNS and time.monotonic() < give_up_s:
            time.sleep(0.01)
    seal_journal(path)
    thread.join(20)

    assert not thread.is_alive()
    assert len(taken) == 2 * TURNS
    check_blocks(taken)


def test_a_follower_in_another_process_holds_up_neither_recorder_nor_seal(tmp_path):
    """Another process that has the parts open keeps nobody from committing and sealing."""
    path = tmp_path / "a.journal"
    program = (
        "import sys\nfrom pathlib import Path\n"
        "from tests.test_following import check_blocks, follow_to_the_end\n"
        "taken = []\nprint('ready', flush=True)\n"
        "follow_to_the_end(Path(sys.argv[1]), taken)\ncheck_blocks(taken)\nprint(len(taken))\n"
    )
    with RunJournal.create(path, header(), part_bytes=SMALL_PART) as journal:
        process = subprocess.Popen(
            [sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True
        )
        process.stdout.readline()
        write_turns(journal, 0, TURNS)
        parts = journal.part
        time.sleep(0.5)
    seal_journal(path)
    said, _ = process.communicate(timeout=30)

    assert parts > 5
    assert process.returncode == 0
    assert int(said) > 0
    assert [p.name for p in tmp_path.iterdir()] == ["a.parquet"]


def test_only_what_is_durable_is_seen(tmp_path):
    """What waits for a commit, or was refused, is not there; after the commit it is, once."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal, JournalFollower(path) as follower:
        assert follower.header == header()
        write_turns(journal, 0, 2)
        journal.append(blocks_of(2))
        assert len(follower.blocks_after(0, limit_samples=10**6)) == 4
        refuse(journal, limit=1000)
        assert follower.blocks_after(4, limit_samples=10**6) == []
        journal.begin_part()
        journal.commit()
        rows = follower.blocks_after(4, limit_samples=10**6)
        check_blocks(rows, first_seq=5)
        again = follower.blocks_after(0, limit_samples=10**6)
        check_blocks(again)

    assert len(rows) == 2


def test_a_follower_may_begin_anywhere(tmp_path):
    """From any block, by any part's name, the next ones are given, as many as were asked for."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header(), part_bytes=SMALL_PART) as journal:
        write_turns(journal, 0, 60)
    with JournalFollower(part_path(path, 3)) as follower:
        for seq in (100, 0, 57, 119):
            rows = follower.blocks_after(seq, limit_samples=3 * SAMPLES)
            check_blocks(rows, first_seq=seq + 1)
            assert 0 < len(rows) <= 3
        assert len(follower.blocks_after(3, limit_samples=1)) == 1
        assert follower.blocks_after(120, limit_samples=10) == []
        assert not follower.ended


def test_clocks_can_be_followed_too(tmp_path):
    """Clock pairs come once each over all parts, with what was asked; wall pairs as well."""
    path = tmp_path / "a.journal"
    taken = []
    with (
        RunJournal.create(path, header(), part_bytes=SMALL_PART) as journal,
        JournalFollower(path) as follower,
    ):
        for turn in range(60):
            asked_ns = turn * 10**9 - 5 if turn % 2 else None
            pair = ClockPair(device_ns=turn * 10**9, arrival_ns=turn * 10**9 + 7, asked_ns=asked_ns)
            journal.add_pairs(CLOCK, [pair])
            journal.add_wall_pair(turn, turn + 1000)
            write_turns(journal, turn, turn + 1)
            if turn % 3 == 0:
                taken += follower.pairs_after(taken[-1][0] if taken else 0)
        while rows := follower.pairs_after(taken[-1][0]):
            taken += rows
        wall = follower.wall_pairs()

    assert [number for number, _, _ in taken] == list(range(1, 61))
    assert {clock for _, clock, _ in taken} == {CLOCK}
    assert [pair.asked_ns for _, _, pair in taken[:4]] == [None, 10**9 - 5, None, 3 * 10**9 - 5]
    assert all(utc_ns == t_ns + 1000 for t_ns, utc_ns in wall)
    assert wall


def test_a_follower_says_when_the_rest_is_in_the_sealed_run(tmp_path):
    """Sealed and removed under its eyes: it reads the part it has to the end, then says so."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header(), part_bytes=SMALL_PART) as journal:
        write_turns(journal, 0, 60)
    with JournalFollower(path) as follower:
        first = follower.blocks_after(0, limit_samples=SAMPLES)
        recover(path)
        assert follower.ended
        rest = follower.blocks_after(1, limit_samples=10**6)
        check_blocks(first + rest)
        assert follower.blocks_after(rest[-1][0], limit_samples=10**6) == []
        assert follower.ended


def test_what_is_no_journal_is_one_line(tmp_path):
    """Where there is nothing to follow, it is said in one line."""
    (tmp_path / "b.journal").touch()

    with pytest.raises(RunUnreadable, match="is not there"):
        JournalFollower(tmp_path / "a.journal")
    with pytest.raises(RunUnreadable, match="had begun"):
        JournalFollower(tmp_path / "b.journal")
    assert [p.name for p in tmp_path.iterdir()] == ["b.journal"]
