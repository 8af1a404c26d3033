"""Outputs that can't be written, readers that have gone, and Ctrl-C before anything has begun."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from dashboard.cli import main
from tests.warm_process import COMMAND, WarmProcess

FULL = Path("/dev/full")
RUN = Path(__file__).parents[1] / "recordings" / "lift-right.parquet"
TABLE = "item,group,value\na,x,1.0\na,x,1.1\na,y,1.2\na,y,1.4\n"
SAYS_MUCH = [
    ["analyze", RUN, "--json"],
    ["compare", "--table", "table.csv"],
    ["verify", RUN],
    ["export", "--help"],
]


@pytest.fixture
def in_a_folder(tmp_path, monkeypatch):
    """A folder with the table, in which commands run."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "table.csv").write_text(TABLE)


needs_a_full_disk = pytest.mark.skipif(not FULL.exists(), reason="the system has no /dev/full")


def ended(words, **streams):
    """Exit code and standard error of a command."""
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | streams
    with WarmProcess([*COMMAND, *map(str, words)], text=True, **streams) as process:
        _, errors = process.communicate(timeout=60)
    return process.returncode, errors


@needs_a_full_disk
@pytest.mark.parametrize("words", SAYS_MUCH, ids=lambda w: w[0])
def test_an_output_that_cannot_be_written_is_one_line_and_no_verdict(in_a_folder, words):
    """Exit code 1 would say that the test proved nothing; a full disk says nothing of the test."""
    with FULL.open("w") as full:
        code, errors = ended(words, stdout=full)

    assert code == 2
    assert errors == (
        "slewtrace: standard output: can't be written (No space left on device); "
        "send it to where there is room and you may write\n"
    )


@pytest.mark.parametrize("words", SAYS_MUCH, ids=lambda w: w[0])
def test_a_reader_that_has_gone_is_no_mistake_and_no_verdict(in_a_folder, words):
    """``| head``: not a word, and the code that shells give for a closed pipe."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        code, errors = ended(words, stdout=writing)
    finally:
        os.close(writing)

    assert (code, errors) == (141, "")


@needs_a_full_disk
@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["analyze", RUN.with_name("none.parquet")], 2),
        (["no-such-command"], 2),
        (["note", "--at", "soon", "mark"], 2),
    ],
)
def test_a_warning_that_nobody_can_read_changes_no_exit_code(words, code):
    """A mistake is a mistake also where standard error is full."""
    with FULL.open("w") as full:
        assert ended(words, stderr=full)[0] == code


@needs_a_full_disk
def test_a_warning_that_nobody_can_read_ends_nothing(tmp_path):
    """What is told on standard error alone is done all the same."""
    with FULL.open("w") as full:
        code, _ = ended(["sheet", RUN, "-o", tmp_path / "sheet.pdf"], stderr=full)

    assert code == 0
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_the_outputs_are_those_of_before_when_a_command_has_ended(monkeypatch):
    """Nothing of a command's own streams stays in a program that calls it."""
    written = io.TextIOWrapper(io.BufferedWriter(io.FileIO(os.dup(1), "w")), encoding="utf-8")
    monkeypatch.setattr(sys, "stdout", written)
    monkeypatch.setattr(sys, "argv", ["slewtrace", "--version"])
    interrupt = signal.getsignal(signal.SIGINT)
    with pytest.raises(SystemExit) as end:
        main()

    assert end.value.code == 0
    assert sys.stdout is written
    assert signal.getsignal(signal.SIGINT) is interrupt
    written.close()


INTERRUPTED_WHILE_READING = """
import os, signal, sys

if {ignored}:
    signal.signal(signal.SIGINT, signal.SIG_IGN)

class Interrupts:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            os.kill(os.getpid(), signal.SIGINT)

from dashboard.cli import main
sys.meta_path.insert(0, Interrupts())
sys.argv = ["slewtrace", "--version"]
main()
"""


def read_cold(text):
    """A program in a Python that has read nothing yet."""
    return subprocess.run(
        [sys.executable, "-c", text], capture_output=True, text=True, timeout=60, check=False
    )


@pytest.mark.parametrize("module", ["dashboard.cli.running", "typer", "pydantic"])
def test_an_interrupt_while_libraries_are_read_is_quiet(module):
    """Ctrl-C in the first moments of a command: exit code 130, and not a word."""
    done = read_cold(INTERRUPTED_WHILE_READING.format(module=module, ignored=False))

    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


def test_an_interrupt_that_is_to_be_ignored_is_ignored():
    """Under ``nohup`` or behind a shell's ``&`` a command goes on."""
    done = read_cold(INTERRUPTED_WHILE_READING.format(module="typer", ignored=True))

    assert done.returncode == 0, done.stderr
    assert done.stdout


def test_the_command_is_ready_for_an_interrupt_almost_at_once():
    """What is read before ``main`` begins holds no library."""
    text = "import sys, dashboard.cli; print(*sys.modules)"
    read = {name.partition(".")[0] for name in read_cold(text).stdout.split()}

    assert "dashboard" in read
    assert not read & {"typer", "rich", "pydantic", "numpy", "logger", "asyncio", "typing"}
