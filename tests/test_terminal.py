"""The recorder at a real terminal: the panel, its keys, and the terminal left as it was."""

import os
import pty
import re
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from fcntl import ioctl

import pytest

from logger.recording.run import open_run
from tests.test_record import bench as bench  # noqa: PLC0414 - a fixture
from tests.test_record import pack_of

_CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Screen:
    """The record command in a pseudo-terminal of 110 by 50 characters."""

    def __init__(self, options):
        self.ours, theirs = pty.openpty()
        ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 110, 0, 0))
        self.settings = termios.tcgetattr(theirs)
        self.theirs = theirs
        self.shown = ""
        self.process = subprocess.Popen(
            # The pseudo-terminal is to be the process's own, so that Ctrl-C reaches it.
            ["setsid", "--ctty", sys.executable, "-m", "dashboard", "record", *map(str, options)],
            stdin=theirs,
            stderr=theirs,
            stdout=subprocess.PIPE,
            text=True,
            env={
                **{k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")},
                "TERM": "xterm-256color",
            },
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self):
        while True:
            try:
                data = os.read(self.ours, 65536)
            except OSError:
                return
            if not data:
                return
            self.shown += _CONTROL.sub("", data.decode(errors="replace"))

    def wait_for(self, text, *, seconds=30):
        """Waits until the screen shows a text it did not show before; forgets what was shown."""
        end = time.monotonic() + seconds
        while text not in self.shown:
            if time.monotonic() > end:
                raise AssertionError(f"never showed {text!r}: {self.shown[-3000:]}")
            time.sleep(0.02)
        seen, self.shown = self.shown, ""
        return seen

    def press(self, keys):
        """Types at the terminal."""
        os.write(self.ours, keys.encode())

    def close(self):
        """Ends the process, whatever it does, and gives the terminal up."""
        self.process.kill()
        self.process.wait(10)
        self.process.stdout.close()
        os.close(self.theirs)
        os.close(self.ours)
        self._reader.join(5)


@pytest.fixture
def screen(bench):
    _, write, options, _ = bench
    shown = Screen(options)
    yield shown, write
    shown.close()


def test_keys_make_notes_and_acknowledge_and_the_terminal_comes_back(screen):
    """A lift is rung and stands; a, r and m do what the panel says; Ctrl-C seals."""
    shown, write = screen
    shown.wait_for("Recording made-1")
    for seq in range(3):
        write(pack_of([{"n": "enc", "v": 9}], seq=seq, up=seq * 0.1) + b"\n")
    # No wheel switch speaks in this test, so every wheel is unknown, which is an alarm.
    alarmed = shown.wait_for("NOT ACKNOWLEDGED: key a")
    shown.press("a")
    shown.wait_for("acknowledged")
    shown.press("r")
    shown.wait_for("Tape radius")
    shown.press("3.49 m\r")
    shown.wait_for("tape radius 3.490 m")
    shown.press("m")
    shown.wait_for("mark")
    shown.press("\x03")
    output, _ = shown.process.communicate(timeout=30)
    run = open_run(output.strip())

    assert "\a" in alarmed or "\a" in shown.shown
    assert shown.process.returncode == 0
    assert [(n.kind, n.value_m) for n in run.notes] == [
        ("acknowledge", None),
        ("radius", 3.49),
        ("mark", None),
    ]
    assert any(a.get("acknowledged") for a in run.header.alarms if a["event"] == "alarm")
    assert termios.tcgetattr(shown.theirs)[3] == shown.settings[3]


def test_a_terminal_that_stands_still_loses_no_reading(screen):
    """With the terminal's output held, as by Ctrl-S, every pack is recorded and sealed."""
    shown, write = screen
    shown.wait_for("Recording made-1")
    termios.tcflow(shown.theirs, termios.TCOOFF)
    for seq in range(100):
        write(pack_of([{"n": "enc", "v": seq}], seq=seq, up=seq * 0.02) + b"\n")
        time.sleep(0.02)
    shown.process.send_signal(signal.SIGTERM)
    output, _ = shown.process.communicate(timeout=40)
    run = open_run(output.strip())

    assert run.raw("slew").value.tolist() == list(range(100))
