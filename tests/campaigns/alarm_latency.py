"""From the byte on the serial line to the alarm's line on standard output, and with a stuck disk.

Not part of the suite, which has a short form of it (``test_alarm_latency``)::

    python -m tests.campaigns.alarm_latency --alarms 1500
    python -m tests.campaigns.alarm_latency --alarms 1500 --stall "5 s"

The real ``slewtrace record --json`` reads a pseudo-terminal on which a device sends 100 packs a
second: slew, load and two contacts, with CRC. One contact opens for 90 ms again and again. Each
opening's first open pack is stamped just before it is written; each line of the recorder is
stamped as it is read; so the scheduling of this program is in the figures. ``echo`` is what a
byte takes through a pseudo-terminal with no recorder behind it: on a busy machine most of the
tail is there. The other contact is
left out of the packs now and then, to be found stale. With ``--stall``, strace holds the
recorder's syncs back: each 40th call of ``fdatasync`` or ``fsync`` takes so much longer, which is
a disk that hangs, not one that fails.

Pass lines: suspect p99 within 20 ms and p99.9 within 100 ms; confirmed within the on-delay and
20 ms (p99), stale within 500 ms of the last reading (with ``stale_after = "0.3 s"``), none
missing.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import pty
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tty
import zlib
from pathlib import Path

import numpy as np

PACK_EVERY_S = 0.01
OPEN_PACKS, CLOSED_PACKS = 9, 7
ON_DELAY_S = 0.05
LEFT_OUT_EVERY_S, LEFT_OUT_S = 3.0, 0.7
LINES_MS = {"suspect_p99": 20, "suspect_p99.9": 100, "confirmed_p99": 20, "stale_max": 500}

RIG = """
[rig]
id = "latency"
[[source]]
id = "mast"
kind = "serial"
port = "{port}"
[[channel]]
id = "slew"
source = "mast"
name = "enc"
unit = "deg"
[[channel]]
id = "load"
source = "mast"
name = "cell"
unit = "kg"
[[channel]]
id = "wheel/rear_left"
source = "mast"
name = "rl"
closed_when = true
[[channel]]
id = "wheel/rear_right"
source = "mast"
name = "rr"
closed_when = true
stale_after = "0.3 s"
"""
TEST = """
[test]
id = "latency"
[truck]
id = "invented"
wheels = ["rear_left", "rear_right"]
[crane]
rated_moment = "45 kN·m"
[load]
parts = [{ name = "block", mass = "1400 kg" }]
"""


class Echo:
    """A pseudo-terminal with nothing behind it: what the machine itself takes at that moment.

    Attributes:
        took_s: for each byte, how long it took to come through and be read.
    """

    def __init__(self):
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        self._sent_s = []
        self.took_s = []
        self._thread = threading.Thread(target=self._read, name="echo", daemon=True)
        self._thread.start()

    def send(self):
        """Sends a byte."""
        self._sent_s.append(time.monotonic())
        os.write(self._ours, b".")

    def _read(self):
        while os.read(self._theirs, 1) != b"!":
            self.took_s.append(time.monotonic() - self._sent_s[len(self.took_s)])

    def close(self):
        """Ends its thread."""
        os.write(self._ours, b"!")
        self._thread.join(5)
        os.close(self._ours)
        os.close(self._theirs)


class Device:
    """Sends packs on a pseudo-terminal, and keeps when it opened and left out a contact.

    Attributes:
        port: what the recorder opens.
        opened_s: when each opening's first open pack was written, s on the monotonic clock.
        silent_s: when the last pack was written that had the other contact, for each silence.
        echo: the machine's own share.
    """

    def __init__(self):
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        self.port = os.ttyname(self._theirs)
        self.opened_s = []
        self.silent_s = []
        self.echo = Echo()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, name="device", daemon=True)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join(5)
        self.echo.close()
        os.close(self._ours)
        os.close(self._theirs)

    def start(self):
        """Begins to send."""
        self._thread.start()

    def stop(self):
        """Sends no more."""
        self._stop.set()
        self._thread.join(5)

    def _send(self):
        start_s = before_s = time.monotonic()
        silent_before = False
        for number in range(10**9):
            due_s = start_s + number * PACK_EVERY_S
            if self._stop.wait(max(0.0, due_s - time.monotonic())):
                return
            # A first second of closed contacts, and then opening after opening.
            phase = max(0, number - 100) % (OPEN_PACKS + CLOSED_PACKS)
            closed = number < 100 or phase >= OPEN_PACKS
            now_s = number * PACK_EVERY_S
            silent = now_s % LEFT_OUT_EVERY_S > LEFT_OUT_EVERY_S - LEFT_OUT_S
            line = _line(number, closed=closed, silent=silent, up_s=now_s)
            stamp_s = time.monotonic()
            os.write(self._ours, line)
            if not closed and phase == 0:
                self.opened_s.append(stamp_s)
                self.echo.send()
            if silent and not silent_before:
                self.silent_s.append(before_s)
            silent_before, before_s = silent, stamp_s


def _line(number, *, closed, silent, up_s):
    records = [
        {"seq": number, "boot": "b1", "up": round(up_s, 4), "n": "enc", "v": 12.0},
        {"n": "cell", "v": 1400.0},
        {"n": "rl", "vb": closed},
    ]
    if not silent:
        records.append({"n": "rr", "vb": True})
    pack = json.dumps(records).encode()
    return b"%b %08x\n" % (pack, zlib.crc32(pack))


class Listener:
    """Reads the recorder's lines and stamps each."""

    def __init__(self, process):
        self._process = process
        self.lines = []
        self.recording = threading.Event()
        self._thread = threading.Thread(target=self._read, name="listener", daemon=True)
        self._thread.start()

    def _read(self):
        for line in self._process.stdout:
            now_s = time.monotonic()
            event = json.loads(line)
            self.lines.append((now_s, event))
            if event["event"] == "recording":
                self.recording.set()

    def join(self):
        """Waits for the last line."""
        self._thread.join(20)

    def times(self, **fields):
        """When the lines came that have these fields, s on the monotonic clock."""
        return [t for t, e in self.lines if all(e.get(k) == v for k, v in fields.items())]


def command(rig, test, out, *, stall_s, every, log):
    """The recorder's command line, under strace where the disk is to hang."""
    record = [sys.executable, "-m", "dashboard", "record", "--json"]
    record += ["--rig", str(rig), "--test", str(test), "-o", str(out)]
    if not stall_s:
        return record
    delayed = f"inject=fdatasync,fsync:delay_enter={round(stall_s * 1e6)}:when={every}+{every}"
    tracer = ["strace", "-f", "--seccomp-bpf", "-qq", "-e", "trace=fdatasync,fsync"]
    return [*tracer, "-e", delayed, "-o", str(log), *record]


def measure(folder, *, alarms, stall_s=0.0, every=40, seal=True):
    """Records so many openings; (device, listener, how many syncs hung).

    Args:
        folder: where files go.
        alarms: how many openings.
        stall_s: how long a sync hangs, s; 0 for none.
        every: which call of a sync hangs, again and again.
        seal: whether the run is ended in good order; else it is killed, which is quicker.
    """
    rig, test, log = folder / "rig.toml", folder / "test.toml", folder / "strace.log"
    test.write_text(TEST)
    with Device() as device:
        rig.write_text(RIG.format(port=device.port))
        line = command(rig, test, folder / "runs", stall_s=stall_s, every=every, log=log)
        process = subprocess.Popen(line, stdout=subprocess.PIPE, text=True, start_new_session=True)
        listener = Listener(process)
        try:
            if not listener.recording.wait(30):
                raise RuntimeError("the recorder did not begin")
            device.start()
            while len(device.opened_s) < alarms + 1:
                time.sleep(0.05)
            device.stop()
            time.sleep(0.5)
            if seal:
                _interrupt(process, traced=bool(stall_s))
                process.wait(60)
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait(10)
            listener.join()
            process.stdout.close()
    hung = log.read_text().count("(DELAYED)") if log.exists() else 0
    return device, listener, hung


def _interrupt(process, *, traced):
    """Ends the run as a person would; strace passes no signal on, so its child gets it."""
    pid = process.pid
    if traced:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        pid = int(children[0])
    os.kill(pid, signal.SIGINT)


def figures(device, listener, hung):
    """Latencies, ms, and what is missing."""
    wheel = {"event": "alarm", "condition": "wheel/rear_left", "active": True}
    suspect_s = listener.times(state="suspect", **wheel)
    confirmed_s = listener.times(state="confirmed", **wheel)
    stale_s = listener.times(event="stale", channel="wheel/rear_right")
    count = len(device.opened_s) - 1  # the last opening was cut off
    ended_s = [s for s in device.silent_s if s + LEFT_OUT_S < device.opened_s[-1]]
    suspect = 1e3 * (np.array(suspect_s[:count]) - device.opened_s[: len(suspect_s[:count])])
    confirmed = 1e3 * (
        np.array(confirmed_s[:count]) - device.opened_s[: len(confirmed_s[:count])] - ON_DELAY_S
    )
    stale = [
        1e3 * min((t - since for t in stale_s if t > since), default=float("inf"))
        for since in ended_s
    ]
    storage = [e for _, e in listener.lines if e.get("condition") == "storage"]
    return {
        "load_average": round(os.getloadavg()[0], 1),
        "alarms": count,
        "suspect_missing": count - len(suspect),
        "confirmed_missing": count - len(confirmed),
        **_quantiles("suspect", suspect),
        **_quantiles("confirmed", confirmed),
        **_quantiles("echo", 1e3 * np.array(device.echo.took_s)),
        "stale_count": len(stale),
        "stale_max": round(max(stale, default=float("nan")), 1),
        "syncs_that_hung": hung,
        "storage_alarms": sum(e["state"] == "confirmed" and e["active"] for e in storage),
        "sealed": len(listener.times(event="sealed")),
    }


def _quantiles(name, values):
    shares = {"p50": 50, "p99": 99, "p99.9": 99.9, "max": 100}
    return {
        f"{name}_{key}": round(float(np.percentile(values, share)), 2) if len(values) else None
        for key, share in shares.items()
    }


def main() -> int:
    """Prints the figures (ms) as JSON; 1 where a pass line is missed."""
    from logger.readings.quantity import Kind, parse_quantity

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--alarms", type=int, default=1500)
    parser.add_argument("--stall", help='hold syncs back for so long, such as "5 s"')
    arguments = parser.parse_args()
    stall_s = parse_quantity(arguments.stall, Kind.TIME) if arguments.stall else 0.0
    with tempfile.TemporaryDirectory() as folder:
        found = figures(*measure(Path(folder), alarms=arguments.alarms, stall_s=stall_s))
    missed = [k for k, line in LINES_MS.items() if found[k] is None or not found[k] <= line]
    whole = not found["suspect_missing"] and not found["confirmed_missing"] and found["sealed"] == 1
    stalled = not stall_s or found["syncs_that_hung"] > 0
    found["pass_lines_ms"], found["pass_lines_missed"] = LINES_MS, missed
    sys.stdout.write(f"{json.dumps(found, indent=2)}\n")
    return int(bool(missed) or not whole or not stalled)


if __name__ == "__main__":
    raise SystemExit(main())
