"""The MicroPython Unix port for tests of the firmware: where it is, and how it is started."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FIRMWARE = ROOT / "hardware_notes" / "firmware"
BENCH = ROOT / "tests" / "firmware_bench"


def micropython():
    """The program, or None: beside this Python (``tests/get_micropython``), or the system's."""
    beside = Path(sys.prefix) / "bin" / "micropython"
    return str(beside) if beside.exists() else shutil.which("micropython")


needs_micropython = pytest.mark.skipif(
    micropython() is None,
    reason="needs MicroPython's Unix port; sh tests/get_micropython says how to get it",
)


def environment():
    """Where the program finds modules: the bench's before the firmware's, and its frozen ones."""
    return {**os.environ, "MICROPYPATH": f"{BENCH}:{FIRMWARE}:.frozen"}


def run_script(text, given=None):
    """Runs a script with the firmware's modules.

    Args:
        text: the script; ``given`` is there, and what it leaves in ``told`` is returned.
        given: anything that JSON carries.
    """
    script = (
        f"import json, sys\ngiven = json.loads(sys.stdin.read())\n{text}\nprint(json.dumps(told))"
    )
    done = subprocess.run(
        [micropython(), "-X", "heapsize=8M", "-c", script],
        input=json.dumps(given),
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    if done.returncode:
        raise AssertionError(f"{done.stdout[-2000:]}\n{done.stderr[-2000:]}")
    return json.loads(done.stdout)


class Board:
    """A board on the bench (``tests/firmware_bench/board.py``), running the firmware's ``main``.

    Args:
        name: ``mast`` or ``wheels``.
        signals: file of what its sensors do.
        clock: the time that it shares with the recorder, a ``PacedClock``.
        port: TCP port of the broker, or the file descriptor of a pseudo-terminal.
        descriptors: file descriptors that it may use.
    """

    def __init__(self, name, signals, clock, port, descriptors=()):
        self._process = subprocess.Popen(
            [
                micropython(),
                "-X",
                "heapsize=32M",
                "-m",
                "main",  # found beside the bench's modules, which come first
                name,
                str(signals),
                str(clock.path),
                str(clock.rate),
                str(port),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=environment(),
            cwd=BENCH,
            pass_fds=descriptors,
        )

    def go(self, start_us, drift_ppm):
        """Lets its time begin.

        Args:
            start_us: when, on the shared clock, µs.
            drift_ppm: how much faster than that its own runs, parts in a million.
        """
        self._process.stdin.write(f"go {start_us} {drift_ppm}\n".encode())
        self._process.stdin.flush()

    @property
    def runs(self):
        """Whether its program is there."""
        return self._process.poll() is None

    def processor_s(self):
        """Processor time that it has taken so far, s."""
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return sum(int(ticks) for ticks in fields[11:13]) / os.sysconf("SC_CLK_TCK")

    def end(self):
        """Ends it.

        Returns:
            What it said; nothing where all went well.
        """
        try:
            self._process.stdin.close()
            said = self._process.stdout.read().decode()
            self._process.wait(20)
        finally:
            self._process.kill()
            self._process.wait()
            self._process.stdout.close()
        return said
