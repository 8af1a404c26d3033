"""The keeper: acknowledges after the commit, and outlives a disk that refuses."""

import contextlib
import resource
import time

import numpy as np
import pytest

from logger.errors import StorageFailed
from logger.live.keeper import Batch, DiskFault, Keeper
from logger.recording.header import Note
from logger.recording.journal import ClockedBlock, add_note
from logger.recording.run import open_run
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import seal_journal
from tests.rig_of_a_bay import header

SAMPLES = 50


def batch(number, *, acknowledged=None):
    """A batch whose samples tell its number."""
    t_ns = np.arange(SAMPLES, dtype=np.int64) + number * SAMPLES
    block = ClockedBlock(channel="load", clock="run", t_ns=t_ns, value=t_ns.astype(np.float64))
    calls = [] if acknowledged is None else [lambda: acknowledged.append(number)]
    return Batch(blocks=[block], acknowledgements=calls)


@contextlib.contextmanager
def disk_that_refuses():
    """No file may grow while this lasts: every write of the journal fails."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def wait_until(true, *, seconds=5.0):
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            raise AssertionError("did not come about in time")
        time.sleep(0.005)


@pytest.fixture
def journal(tmp_path):
    return RunJournal.create(tmp_path / "a.journal", header())


def sealed_values(path):
    seal_journal(path)
    return open_run(path.with_suffix(".parquet")).raw("load").value.tolist()


def test_a_sender_is_told_only_after_the_commit(journal):
    """When an acknowledgement goes out, its samples are durable already."""
    keeper = Keeper(journal)
    durable_when_told = []
    keeper.start()
    for number in range(20):
        expected = (number + 1) * SAMPLES
        one = batch(number)
        one.acknowledgements.append(
            lambda expected=expected: durable_when_told.append(journal.samples >= expected)
        )
        keeper.offer(one)
    keeper.close(within_s=5)

    assert durable_when_told == [True] * 20
    assert sealed_values(journal.path) == list(range(20 * SAMPLES))


def test_a_refusing_disk_claims_nothing_and_loses_nothing(journal):
    """While the disk refuses nobody is told; when it writes again all is kept once, in order."""
    keeper, acknowledged = Keeper(journal), []
    keeper.start()
    keeper.offer(batch(0, acknowledged=acknowledged))
    wait_until(lambda: acknowledged == [0])
    with disk_that_refuses():
        for number in range(1, 6):
            keeper.offer(batch(number, acknowledged=acknowledged))
        heard = []
        wait_until(lambda: heard.extend(keeper.notices()) or heard, seconds=1.0)
        time.sleep(0.5)
        told_while_refusing = list(acknowledged)
    wait_until(lambda: len(acknowledged) == 6)
    heard += keeper.notices()
    keeper.close(within_s=5)

    assert told_while_refusing == [0]
    assert [n.over for n in heard if isinstance(n, DiskFault)] == [False, True]
    assert sealed_values(journal.path) == list(range(6 * SAMPLES))


def test_at_the_end_a_disk_that_refuses_is_owned_up_to(journal):
    """Closing on a dead disk says how many samples are not kept, and keeps what it claimed."""
    keeper, acknowledged = Keeper(journal), []
    keeper.start()
    keeper.offer(batch(0, acknowledged=acknowledged))
    wait_until(lambda: acknowledged == [0])
    with disk_that_refuses():
        keeper.offer(batch(1, acknowledged=acknowledged))
        with pytest.raises(StorageFailed, match=f"{SAMPLES} samples are not kept"):
            keeper.close(within_s=0.5)

    assert acknowledged == [0]
    assert sealed_values(journal.path) == list(range(SAMPLES))


def test_what_waits_is_bounded(journal):
    """Beyond its bound the keeper refuses a batch, at once, and takes others when there is room."""
    keeper = Keeper(journal, waiting_samples=3 * SAMPLES)
    taken = [keeper.offer(batch(number)) for number in range(5)]
    keeper.start()
    wait_until(lambda: keeper.waiting_s == 0)
    taken.append(keeper.offer(batch(5)))
    keeper.close(within_s=5)

    assert taken == [True, True, True, False, False, True]


def test_a_note_of_another_process_is_noticed(journal):
    """A note that comes into the journal from outside is handed to the recorder."""
    keeper = Keeper(journal)
    keeper.start()
    add_note(journal.path, Note(t_ns=7, kind="text", text="wind"))
    heard = []
    wait_until(lambda: heard.extend(keeper.notices()) or heard)
    keeper.close(within_s=5)

    assert [n.text for n in heard] == ["wind"]
