"""The script for whoever doubts us: it finds every change, without any of this program."""

import random
import runpy
import subprocess
import sys
from pathlib import Path

import pytest

from logger.errors import RunUnreadable
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from logger.recording.sealing import seal_journal
from tests.killed_recorder import record
from tests.rig_of_a_bay import header

SCRIPT = Path(__file__).parents[1] / "recordings" / "verify_run.py"
FLIPS = 400


@pytest.fixture(scope="module")
def sealed(tmp_path_factory):
    """A run of two channels."""
    journal = tmp_path_factory.mktemp("run") / "a.journal"
    record(journal, turns=100)
    return seal_journal(journal)


def say(path, folder):
    """What the script says of a run, from a folder where nothing of this program is."""
    done = subprocess.run(
        [sys.executable, "-I", str(SCRIPT), str(path)],
        cwd=folder,
        env={},
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, done.stdout + done.stderr


def test_the_script_proves_a_sealed_run(sealed, tmp_path):
    """On a run as it was sealed it says OK, exit 0; its 50 lines use nothing of this program."""
    text = SCRIPT.read_text()

    assert say(sealed, tmp_path) == (0, f"{sealed}: OK\n")
    assert len(text.splitlines()) <= 50
    assert "import logger" not in text
    assert "from logger" not in text


def test_the_script_says_what_differs(sealed, tmp_path):
    """One changed bit: exit 1 and one line."""
    changed = tmp_path / "b.parquet"
    data = bytearray(sealed.read_bytes())
    data[100] ^= 1
    changed.write_bytes(data)

    assert say(changed, tmp_path) == (1, f"{changed}: the bytes before the seal have changed\n")


def test_every_flipped_bit_is_found_twice(sealed, tmp_path):
    """Of single bits flipped all over the file, script and verify find each one."""
    difference = runpy.run_path(str(SCRIPT))["difference"]
    whole = sealed.read_bytes()
    chance = random.Random(7)
    size = len(whole)
    # All over, and each byte of both ends and around the seal, where lengths and marks stand.
    footer = size - 8 - int.from_bytes(whole[-8:-4], "little")
    places = [*range(8), *range(footer - 80, footer + 8), *range(size - 12, size)]
    places += [size * k // FLIPS for k in range(FLIPS)]
    missed = []
    changed = tmp_path / "b.parquet"
    for place in places:
        data = bytearray(whole)
        data[place] ^= 1 << chance.randrange(8)
        changed.write_bytes(data)
        if not difference(changed):
            missed.append(("script", place))
        try:
            open_run(changed).verify()
            missed.append(("verify", place))
        except RunUnreadable:
            pass

    assert missed == []
    assert difference(sealed) == ""


def test_a_seal_that_was_made_anew_does_not_hide_another_header(sealed, tmp_path, monkeypatch):
    """Where someone writes other contents and seals them, the stated SHA-256 still tells."""
    from logger.recording.content_hash import ContentHash

    right = open_run(sealed).header.sha256
    monkeypatch.setattr(ContentHash, "of", lambda *_: right)
    monkeypatch.setattr("logger.recording.sealed._check_written", lambda *_: None)
    forged = tmp_path / "b.parquet"
    write_sealed(forged, header(run_id="another"), [open_run(sealed).raw("load")])
    code, said = say(forged, tmp_path)

    assert code == 1
    assert f"not {right}" in said
