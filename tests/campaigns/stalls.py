"""Someone who reads the events stands still, or the disk does: nothing may be dropped.

Not part of the suite, which makes the short form. The disk's part needs strace::

    python -m tests.campaigns.stalls --reader-s 600 --disk-s 5

- A program that reads ``record --json`` stops reading, with its pipe full, for ten minutes
  (MQTT and serial readings go on, and a wheel lifts every second). Afterwards every reading and
  every lift must be in the run; what the reader missed must be counted to it.
- Each sync of the disk from some moment on takes five seconds, three times over. Meanwhile each
  wheel lift must be told as soon as ever, the hanging disk must be told, and afterwards every
  reading must be in the run and every pack acknowledged.
"""

from __future__ import annotations

import argparse
import fcntl
import json
import shutil
import struct
import sys
import tempfile
import termios
import threading
import time
from contextlib import ExitStack

from logger.recording.run import open_run
from tests.ack_tap import AckTap
from tests.broker import running_broker
from tests.feeding import BoomPublisher, Fed, Feed, SerialEnd, counters, write_files

F_SETPIPE_SZ = 1031
SMALL_PIPE_BYTES = 4096
LIFT_TOLD_WITHIN_S = 0.3
LONGEST_EVENT_BYTES = 600
STALLED_SYNCS = 3
LIFT_EVERY_S = 0.5


class _Lifts(threading.Thread):
    """Lifts a wheel again and again."""

    def __init__(self, line):
        super().__init__(daemon=True)
        self._line = line
        self._ending = threading.Event()

    def run(self):
        while not self._ending.wait(LIFT_EVERY_S):
            self._line.open_wheel.set()
            self._ending.wait(LIFT_EVERY_S)
            self._line.open_wheel.clear()
        self._ending.wait(LIFT_EVERY_S)

    def end(self):
        self._ending.set()
        self.join(5)


def stalled(*, before=(), during, seconds):
    """A fed recorder with lifts on the way; figures of what is missing afterwards."""
    with ExitStack() as ends:
        place = ends.enter_context(tempfile.TemporaryDirectory())
        broker = ends.enter_context(running_broker(place))
        tap = ends.enter_context(AckTap(broker.port))
        line = ends.enter_context(SerialEnd())
        boom = ends.enter_context(BoomPublisher(broker.port))
        options = write_files(place, port=line.name, broker_port=tap.port)
        fed = ends.enter_context(Fed(options, f"{place}/runs", before=before))
        fcntl.fcntl(fed.process.stdout, F_SETPIPE_SZ, SMALL_PIPE_BYTES)
        fed.wait_for("recording")
        mast, booms = Feed(line.send), Feed(boom.send)
        with mast, booms:
            lifts = _Lifts(line)
            lifts.start()
            stood_full = during(fed, seconds)
            lifts.end()
            time.sleep(0.5)
        time.sleep(1.0)
        sealed = fed.end(seconds=60)
        run = open_run(sealed["path"])
        run.verify()
        missing = {
            channel: len(set(range(len(feed.sent_ns))) - counters(run, channel)[0])
            for channel, feed in (("slew", mast), ("load", mast), ("boom_length", booms))
        }
        in_run = [a for a in run.header.alarms if _is_suspect(a)]
        events = [e for _, e in fed.events]
        return {
            "pipe_stood_full": stood_full,
            "packs": len(mast.sent_ns) + len(booms.sent_ns),
            "missing_packs": missing,
            "packs_not_acknowledged": len(booms.sent_ns) - len(set(tap.acknowledged)),
            "gaps": [g.text or g.kind for g in run.gaps if g.kind in ("overflow", "missing_packs")],
            "lifts": len(line.openings_ns),
            "lifts_in_the_run": len(in_run),
            "lifts_told": sum(_is_suspect(e) for e in events),
            "events_told_as_missed": sum(e.get("count", 0) for e in events if _named(e, "missed")),
            "slowest_lift_told_s": _slowest_s(line.openings_ns, fed.events),
            "disk_told": any(e.get("condition") == "storage" and e["active"] for e in events),
        }


def _named(event, name):
    return event["event"] == name


def _is_suspect(event):
    return event.get("event") == "wheel_lift" and event["state"] == "suspect"


def _slowest_s(opened_ns, events):
    """From a wheel's opening to its telling, the slowest, s; None where one was not told."""
    told_ns = [when for when, e in events if _is_suspect(e)]
    if len(told_ns) != len(opened_ns):
        return None
    late = [t - o for o, t in zip(opened_ns, told_ns, strict=True)]
    return round(max(late) * 1e-9, 3)


def reader_stalls(seconds):
    """The reader of the events stands still."""

    def hold(fed, seconds):
        time.sleep(1)
        fed.hold()
        time.sleep(seconds)
        unread = fcntl.ioctl(fed.process.stdout, termios.FIONREAD, struct.pack("i", 0))
        fed.read_on()
        time.sleep(2)
        return struct.unpack("i", unread)[0] > SMALL_PIPE_BYTES - LONGEST_EVENT_BYTES

    return stalled(during=hold, seconds=seconds)


def disk_stalls(seconds):
    """Each of some syncs takes so long."""
    # Counted by thread: the keeper's syncs, some 20 a second. With -D, ours is the recorder.
    first, last = 60, 60 + STALLED_SYNCS - 1
    delay = f"inject=fdatasync:delay_enter={round(seconds * 1e6)}:when={first}..{last}"
    before = ["strace", "-D", "-f", "--seccomp-bpf", "-qq", "-o", "/dev/null"]
    before += ["-e", "trace=fdatasync", "-e", delay]
    return stalled(
        before=before,
        during=lambda _fed, s: time.sleep(8 + STALLED_SYNCS * s),
        seconds=seconds,
    )


def wrong(figures):
    """What misses its pass line, in words."""
    for case, f in figures.items():
        if any(f["missing_packs"].values()) or f["gaps"]:
            yield f"{case}: missing {f['missing_packs']}, {f['gaps'][:3]}"
        if f["packs_not_acknowledged"]:
            yield f"{case}: {f['packs_not_acknowledged']} packs not acknowledged"
        if f["lifts_in_the_run"] != f["lifts"] or not f["lifts"]:
            yield f"{case}: {f['lifts_in_the_run']} of {f['lifts']} lifts are in the run"
    if disk := figures.get("disk"):
        if (disk["slowest_lift_told_s"] or 1e9) > LIFT_TOLD_WITHIN_S:
            yield f"disk: slowest lift told after {disk['slowest_lift_told_s']} s"
        if not disk["disk_told"]:
            yield "disk: that it hangs was not told"
    reader = figures.get("reader")
    if reader and not reader["pipe_stood_full"]:
        yield "reader: its pipe was never full, so nothing was tried"
    if reader and reader["lifts_told"] < reader["lifts"] and not reader["events_told_as_missed"]:
        yield "reader: missed events without being told"


def main():
    """Prints the figures as JSON, and the table's line on standard error; 1 where it failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--reader-s", type=float, default=600, help="0 leaves it out")
    parser.add_argument("--disk-s", type=float, default=5, help="0 leaves it out")
    given = parser.parse_args()
    figures = {}
    if given.reader_s:
        figures["reader"] = reader_stalls(given.reader_s)
    if given.disk_s:
        if shutil.which("strace") is None:
            parser.error("strace is not installed")
        figures["disk"] = disk_stalls(given.disk_s)
    faults = list(wrong(figures))
    print(json.dumps({**figures, "wrong": faults}, indent=2))
    missing = sum(sum(f["missing_packs"].values()) for f in figures.values())
    print(
        f"| reader of the events stalled {given.reader_s:.0f} s, disk {STALLED_SYNCS} × "
        f"{given.disk_s:.0f} s: packs dropped | {missing} of "
        f"{sum(f['packs'] for f in figures.values())} | `python -m tests.campaigns.stalls` |",
        file=sys.stderr,
    )
    return int(bool(faults))


if __name__ == "__main__":
    raise SystemExit(main())
