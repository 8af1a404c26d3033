"""A journal whose files are removed or replaced while it is written: told, and recorded on."""

import shutil
import time

import pytest

from logger.errors import RunUnreadable, StorageFailed
from logger.live.keeper import Batch, DiskFault, Keeper
from logger.recording import run_journal
from logger.recording.parts import part_path, parts_of
from logger.recording.run import open_run
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import recover, seal_journal
from tests.files import digests
from tests.killed_recorder import SAMPLES, blocks_of
from tests.rig_of_a_bay import header
from tests.test_keeper import wait_until
from tests.test_run_journal import write_turns

TURN = 2 * SAMPLES


@pytest.fixture
def looks_always(monkeypatch):
    """The journal looks for its parts at each commit."""
    monkeypatch.setattr(run_journal, "_LOOK_EVERY_S", 0.0)


def take_away(folder, case):
    """What a person or a program does to the files of a run."""
    path = folder / "a.journal"
    if case == "folder removed":
        shutil.rmtree(folder)
    elif case == "folders removed":
        shutil.rmtree(folder.parent)
    elif case == "folder renamed":
        folder.rename(folder.with_name("elsewhere"))
    elif case == "file removed":
        path.unlink()
    elif case == "files removed":
        for file in folder.iterdir():
            file.unlink()
    elif case == "replaced":
        shutil.copy(path, folder / "copy")
        (folder / "copy").replace(path)


@pytest.mark.parametrize(
    "case",
    [
        "folder removed",
        "folders removed",
        "folder renamed",
        "file removed",
        "files removed",
        "replaced",
    ],
)
@pytest.mark.usefixtures("looks_always")
def test_a_removed_journal_is_told_and_the_run_goes_on(tmp_path, case):
    """The next commit claims nothing and counts what is gone; all that waits and comes is kept."""
    folder = tmp_path / "runs" / "bay"
    folder.mkdir(parents=True)
    path = folder / "a.journal"
    with RunJournal.create(path, header()) as journal:
        write_turns(journal, 0, 5)
        take_away(folder, case)
        journal.append(blocks_of(5))
        with pytest.raises(StorageFailed, match="removed or replaced") as info:
            journal.commit()
        assert f"{5 * TURN} samples that were kept are gone" in str(info.value)
        assert str(info.value).startswith(str(path))
        assert journal.samples == 0
        with pytest.raises(StorageFailed, match="failed before"):
            journal.commit()
        journal.begin_part()
        journal.commit()
        write_turns(journal, 6, 9)
        assert journal.samples == 4 * TURN
        with pytest.raises(RunUnreadable, match="is in use"):
            recover(path)
    run = open_run(seal_journal(path))
    values = run.raw("load").value.tolist()

    assert values[-4 * SAMPLES :] == list(range(5 * SAMPLES, 9 * SAMPLES))
    if case != "replaced":  # there the copy may hold some of what it was made of
        assert values[0] == 5 * SAMPLES
        assert run.gaps[-1].text.startswith("10 blocks of samples and 0 other rows can't be read")


@pytest.mark.usefixtures("looks_always")
def test_a_part_that_was_full_and_is_gone_is_told_too(tmp_path):
    """Of a part that was removed after its time, only its own samples are gone, told once."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        write_turns(journal, 0, 5)
        journal.begin_part()
        write_turns(journal, 5, 7)
        path.unlink()
        journal.append(blocks_of(7))
        with pytest.raises(StorageFailed, match=rf"\b{5 * TURN} samples that were kept are gone"):
            journal.commit()
        journal.begin_part()
        write_turns(journal, 8, 10)
        with pytest.raises(RunUnreadable, match="is in use"):
            recover(path)
    recovery = recover(path)

    assert recovery.samples == 5 * TURN
    assert recovery.damage == "10 blocks of samples and 0 other rows can't be read"
    assert list(digests(tmp_path)) == ["a.parquet"]


@pytest.mark.parametrize("content", [b"", b"another's"])
@pytest.mark.usefixtures("looks_always")
def test_a_file_that_took_a_part_s_name_is_not_touched(tmp_path, content):
    """What stands under the name of a removed part, and a log beside it, stay as they are."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        journal.begin_part()
        second = part_path(path, 2)
        beside = second.with_name(f"{second.name}-wal")
        second.unlink()
        beside.unlink(missing_ok=True)
        second.write_bytes(content)
        beside.write_bytes(b"another's too")
        with pytest.raises(StorageFailed, match="removed or replaced"):
            journal.commit()
        journal.begin_part()
        write_turns(journal, 0, 2)

    assert (second.read_bytes(), beside.read_bytes()) == (content, b"another's too")
    assert [number for number, _ in parts_of(path)] == [1, 2, 3]


def test_the_look_comes_once_a_second_at_most(tmp_path, monkeypatch):
    """Commits that follow one another fast ask the disk for the parts' names once a second."""
    now_s = [100.0]
    monkeypatch.setattr(run_journal.time, "monotonic", lambda: now_s[0])
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        path.unlink()
        write_turns(journal, 0, 3)
        now_s[0] += 1.0
        with pytest.raises(StorageFailed, match=rf"\b{3 * TURN} samples"):
            journal.commit()


@pytest.mark.usefixtures("looks_always")
def test_a_folder_that_can_not_be_made_again_is_a_failure_like_any(tmp_path):
    """While something stands where the folder was, all waits; once it is away, all is kept."""
    folder = tmp_path / "runs"
    folder.mkdir()
    with RunJournal.create(folder / "a.journal", header()) as journal:
        shutil.rmtree(folder)
        folder.write_bytes(b"in the way")
        journal.append(blocks_of(0))
        with pytest.raises(StorageFailed, match="removed or replaced"):
            journal.commit()
        with pytest.raises(StorageFailed, match="can't be made"):
            journal.begin_part()
        folder.unlink()
        journal.begin_part()
        journal.commit()
    recovery = recover(folder / "a.journal")

    assert (recovery.samples, recovery.damage) == (TURN, "")


def test_a_log_that_is_removed_alone_costs_nothing(tmp_path):
    """Rows whose log has lost its name go into the file itself, and the run goes on in a part."""
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        write_turns(journal, 0, 5)
        (tmp_path / "a.journal-wal").unlink()
        write_turns(journal, 5, 8)
        assert (journal.part, journal.samples) == (2, 8 * TURN)
        killed = tmp_path / "killed"
        killed.mkdir()
        for file in tmp_path.glob("a.*journal*"):
            if not file.name.endswith("-shm"):
                shutil.copy(file, killed)
    recovery = recover(killed / "a.journal")

    assert (recovery.samples, recovery.damage) == (8 * TURN, "")
    assert list(digests(killed)) == ["a.parquet"]


def test_a_journal_that_is_gone_at_the_end_is_one_line(tmp_path):
    """Where the folder goes in the very last moment, sealing says in one line what is missing."""
    folder = tmp_path / "runs"
    folder.mkdir()
    with RunJournal.create(folder / "a.journal", header()) as journal:
        write_turns(journal, 0, 3)
        shutil.rmtree(folder)

    with pytest.raises(RunUnreadable, match="is not there") as info:
        seal_journal(folder / "a.journal")
    assert "\n" not in str(info.value)


def test_the_keeper_tells_of_a_removed_journal_within_two_seconds(tmp_path):
    """Recording at the usual pace, the loss is told as a fault and ended by a new part."""
    folder = tmp_path / "runs"
    folder.mkdir()
    path = folder / "a.journal"
    keeper = Keeper(RunJournal.create(path, header()))
    keeper.start()
    keeper.offer(Batch(blocks=blocks_of(0)))
    wait_until(lambda: keeper.kept_samples == TURN)
    shutil.rmtree(folder)
    removed_s = time.monotonic()
    heard, turn = [], 1
    while len(heard) < 2 and time.monotonic() < removed_s + 5.0:
        keeper.offer(Batch(blocks=blocks_of(turn)))
        turn += 1
        time.sleep(0.05)
        heard += [n for n in keeper.notices() if isinstance(n, DiskFault)]
    took_s = time.monotonic() - removed_s
    keeper.offer(Batch(blocks=blocks_of(turn)))
    keeper.close(within_s=5)
    recovery = recover(path)

    assert [fault.over for fault in heard] == [False, True]
    assert "samples that were kept are gone" in heard[0].text
    assert took_s < 2.0
    assert open_run(recovery.path).raw("load").value[-1] == (turn + 1) * SAMPLES - 1
    assert keeper.kept_samples == recovery.samples < (turn + 1) * TURN
