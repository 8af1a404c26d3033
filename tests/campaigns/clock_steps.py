"""Sets the computer's clock while the recorder runs, and holds the run's times to the truth.

The real ``slewtrace record`` on two pseudo-terminals: one device tells its uptime, the other
does not, so that one channel's times are aligned and the other's are those of arrival. Beside
it libfaketime steps the wall clock by an hour forth and back and by half a minute, with the
monotonic clock left alone (``FAKETIME_DONT_FAKE_MONOTONIC=1``: else the test would pass for the
wrong reason). What stands in the sealed run is held against the moments of sending::

    python -m tests.campaigns.clock_steps
    python -m tests.campaigns.clock_steps --runs 20
    python -m tests.campaigns.clock_steps --clock wall

The last takes the run's times from the wall clock, which is the fault that the campaign must be
able to see: it must find intervals that are off by the steps.

Pass: intervals off by less than 1 ms across every step, the steps recorded and no other, none
where summer time begins.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import subprocess
import sys
import tempfile
import time
import zlib
from pathlib import Path

import numpy as np

from logger.recording.run import open_run
from tests.made_run import RIG_TOML, TEST_TOML
from tests.test_record import serial_line

STEPS_S = (3600, -3600, -30)
LIMIT_S = 1e-3
BETWEEN_S = 2.0
EVERY_S = 0.02
SUMMER_TIME_S = 1_774_746_000
"""2026-03-29T01:00:00Z: clocks in the European Union go from 2 to 3 (Directive 2000/84/EC)."""

MONOTONIC = """
import select, time
# libfaketime 0.9.10 shifts the end of a sleep that is given on the monotonic clock, which it is
# told to leave alone; a kernel does not. A wait of a given length it leaves alone.
time.sleep = lambda seconds: select.select([], [], [], max(0.0, seconds))
"""
WALL = """
import logger.live.record as recording
start_ns = time.time_ns()
recording.run_clock = lambda: (lambda: time.time_ns() - start_ns)
"""
RECORD = """
from dashboard.cli import main
main()
"""
PROGRAMS = {"monotonic": MONOTONIC + RECORD, "wall": MONOTONIC + WALL + RECORD}


def faketime_library():
    """Path of libfaketime for programs with threads; None where it is not installed."""
    places = ("lib/*/faketime", "lib/faketime", "local/lib/faketime")
    found = [f for p in places for f in Path("/usr").glob(f"{p}/libfaketimeMT.so.1")]
    return str(found[0]) if found else None


class SteppedRecorder:
    """A recorder whose wall clock is ours to set.

    Args:
        folder: where everything goes.
        ports: of the two devices.
        clock: ``monotonic``, or ``wall`` for the fault.
        offset_s: how far the wall clock is off to begin with.
        zone: time zone of the process.
    """

    def __init__(self, folder, ports, *, clock="monotonic", offset_s=0, zone="UTC"):
        self._setting = folder / "offset"
        self.set_clock(offset_s)
        rig, test, self._told = folder / "rig.toml", folder / "test.toml", folder / "told"
        rig.write_text(_rig(*ports))
        test.write_text(TEST_TOML)
        words = ["record", "--rig", rig, "--test", test, "-o", folder / "runs", "--json"]
        (folder / "runtime").mkdir(mode=0o700)
        with self._told.open("w") as told:
            self.process = subprocess.Popen(
                [sys.executable, "-c", PROGRAMS[clock], *map(str, words)],
                stdout=told,
                env=os.environ
                | {
                    "LD_PRELOAD": faketime_library(),
                    "FAKETIME_DONT_FAKE_MONOTONIC": "1",
                    "FAKETIME_TIMESTAMP_FILE": str(self._setting),
                    "FAKETIME_NO_CACHE": "1",
                    "XDG_RUNTIME_DIR": str(folder / "runtime"),
                    "TZ": zone,
                },
            )

    def set_clock(self, offset_s):
        """Sets the recorder's wall clock so far off the true time, at once."""
        new = self._setting.with_suffix(".new")
        new.write_text(f"{offset_s:+.3f}\n")
        new.replace(self._setting)

    def wait_for(self, event, *, seconds=60):
        """What the recorder told of an event."""
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            for line in self._told.read_text().splitlines(keepends=True):
                if line.endswith("\n") and (told := json.loads(line))["event"] == event:
                    return told
            if event != "sealed":
                self.check_it_lives()
            time.sleep(0.02)
        raise TimeoutError(f"no {event!r} from the recorder: {self._told.read_text()}")

    def check_it_lives(self):
        """Else a line that nobody reads would hold us up."""
        if self.process.poll() is not None:
            raise ChildProcessError(f"the recorder ended: {self._told.read_text()}")

    def end(self):
        """Ends the run; gives it sealed."""
        self.process.terminate()
        self.process.wait(60)
        return open_run(self.wait_for("sealed")["path"])

    def close(self):
        """Ends the process, whatever it does."""
        self.process.kill()
        self.process.wait(10)


def _rig(mast_port, wheels_port):
    mqtt = 'kind = "mqtt"\nurl = "mqtt://127.0.0.1:1883"\ntopic = "rig/bench-1/wheels"'
    serial = f'kind = "serial"\nport = "{wheels_port}"'
    return RIG_TOML.replace("/dev/ttyUSB0", mast_port).replace(mqtt, serial)


class Devices:
    """Two devices that count what they send; only the first tells its uptime."""

    def __init__(self, recorder, write_mast, write_wheels):
        self._recorder = recorder
        self._write_mast, self._write_wheels = write_mast, write_wheels
        self.sent_s = []

    def send_for(self, seconds):
        """Sends every 20 ms, and keeps when."""
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            self._recorder.check_it_lives()
            count, now_s = len(self.sent_s), time.monotonic()
            self.sent_s.append(now_s)
            _send(
                self._write_mast, {"n": "enc", "v": count, "seq": count, "boot": "a", "up": now_s}
            )
            _send(self._write_wheels, {"n": "rear_left", "vb": count % 2 == 0, "seq": count})
            time.sleep(EVERY_S)


def _send(write, record):
    pack = json.dumps([record]).encode()
    write(pack + b" %08x\n" % zlib.crc32(pack))


@contextlib.contextmanager
def stepped(folder, **kwargs):
    """A recorder and the two devices that it listens to."""
    with serial_line() as (write_mast, mast), serial_line() as (write_wheels, wheels):
        recorder = SteppedRecorder(folder, (mast, wheels), **kwargs)
        try:
            recorder.wait_for("recording")
            yield recorder, Devices(recorder, write_mast, write_wheels)
        finally:
            recorder.close()


def intervals_off_s(run, sent_s, edges):
    """How far intervals across each edge are off, s: aligned times, and times of arrival.

    Arrivals are late by what the computer is busy with, step or no step, so the promptest on
    both sides are compared. ``no_step`` is the same within a side: what remains of business.
    """
    off = {}
    for channel in ("slew", "wheel/rear_left"):
        t_ns = run.raw(channel).t_ns
        late_s = (t_ns - t_ns[0]) * 1e-9 - (np.asarray(sent_s) - sent_s[0])
        parts = np.split(late_s, edges)
        off[channel] = float(np.abs(np.diff([part.min() for part in parts])).max())
    halves = [np.array_split(part, 2) for part in parts]
    no_step = max(abs(float(b.min() - a.min())) for a, b in halves)
    return off, no_step


def step_the_clock(folder, *, clock="monotonic", steps_s=STEPS_S, between_s=BETWEEN_S):
    """One run with a few steps: what it shows of them."""
    with stepped(folder, clock=clock) as (recorder, devices):
        offset_s, edges = 0, []
        devices.send_for(between_s)
        for step_s in steps_s:
            offset_s += step_s
            edges.append(len(devices.sent_s))
            recorder.set_clock(offset_s)
            devices.send_for(between_s)
        run = recorder.end()
    off_s, no_step_s = intervals_off_s(run, devices.sent_s, edges)
    told = [g for g in run.gaps if g.kind in ("clock_step", "suspended")]
    return {
        "readings": [run.raw(c).t_ns.size for c in ("slew", "wheel/rear_left")],
        "sent": len(devices.sent_s),
        "off_s": off_s,
        "no_step_off_s": no_step_s,
        "steps_s": list(steps_s),
        "told_s": [_signed_s(g) for g in told],
        "pairs_off_s": _steps_of_pairs(run),
    }


def let_summer_time_begin(folder):
    """One run across the moment at which local clocks go from 2 to 3 h: what it shows."""
    ahead_s = 20.0
    offset_s = SUMMER_TIME_S - ahead_s - time.time()
    with stepped(folder, offset_s=offset_s, zone="CET-1CEST,M3.5.0,M10.5.0/3") as (
        recorder,
        devices,
    ):
        while time.time() + offset_s < SUMMER_TIME_S - 2:
            time.sleep(0.05)
        devices.send_for(SUMMER_TIME_S - time.time() - offset_s)
        edge = len(devices.sent_s)
        devices.send_for(2.0)
        run = recorder.end()
    off_s, no_step_s = intervals_off_s(run, devices.sent_s, [edge])
    utc_ns = [utc for _, utc in run.header.wall_pairs]
    return {
        "off_s": off_s,
        "no_step_off_s": no_step_s,
        "crossed": utc_ns[0] < SUMMER_TIME_S * 10**9 < utc_ns[-1],
        "told_s": [_signed_s(g) for g in run.gaps if g.kind in ("clock_step", "suspended")],
    }


def _signed_s(gap):
    """Size of a step; NaN for a suspension, of which there was none."""
    if gap.kind != "clock_step":
        return float("nan")
    return float(gap.text.split("(")[1].split(" s)")[0])


def _steps_of_pairs(run):
    """Steps as the run's wall pairs alone show them, s."""
    offset_ns = np.array([utc - t for t, utc in run.header.wall_pairs])
    steps_s = np.diff(offset_ns) * 1e-9
    return [round(float(s), 3) for s in steps_s if abs(s) > 0.005]


def passes(found):
    """Whether a run meets the pass line."""
    steps_s = found.get("steps_s", [])
    return (
        all(off < LIMIT_S for off in found["off_s"].values())
        and np.allclose(found["told_s"], steps_s, atol=0.01)
        and np.allclose(found.get("pairs_off_s", []), steps_s, atol=0.01)
        and found.get("crossed", True)
    )


def main() -> int:
    """Prints what was found as JSON; 1 where a run misses the pass line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--clock", choices=("monotonic", "wall"), default="monotonic")
    arguments = parser.parse_args()
    if faketime_library() is None:
        sys.stderr.write("libfaketime is not installed\n")
        return 2
    found = []
    for _ in range(arguments.runs):
        with tempfile.TemporaryDirectory() as folder:
            found.append(step_the_clock(Path(folder), clock=arguments.clock))
    if arguments.clock == "monotonic":
        with tempfile.TemporaryDirectory() as folder:
            found.append(let_summer_time_begin(Path(folder)))
    for one in found:
        sys.stdout.write(f"{json.dumps(one | {'passes': bool(passes(one))})}\n")
    return int(not all(passes(one) for one in found))


if __name__ == "__main__":
    raise SystemExit(main())
