"""A disk that fills up, or fails to write back, under a whole recorder that is being fed.

Not part of the suite, which makes the short form. Needs root::

    python -m tests.campaigns.disk_full                    # a minute
    python -m tests.campaigns.disk_full --room-minutes 12  # and the ten minutes' warning in full

Three cases, each with ``slewtrace record`` fed through a serial line and a broker:

- ``space comes back``: a tmpfs fills up; later a file on it is removed. Nothing may be missing.
- ``stays full``: the recorder is ended with the disk full. What it acknowledged is recovered
  from a copy of the journal on another disk.
- ``io error``: ext4 on a sparse file in a tmpfs too small for it, so that writing back fails
  after SQLite's write succeeded, and the sync reports it.

In each the ``storage`` alarm must be told within a second of the disk's being full, a wheel
lift must be told while it is, and ``disk_room`` must have been told before. With
``--room-minutes`` a disk with that much room at the present rate is filled: from the warning to
the first refusal there must be ten minutes or more.
"""

from __future__ import annotations

import argparse
import json
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

from logger.recording.run import open_run
from tests.ack_tap import AckTap
from tests.broker import running_broker
from tests.feeding import COMMAND, BoomPublisher, Fed, Feed, SerialEnd, counters, write_files
from tests.loop_disk import LoopDisk, SmallTmpfs, own_mounts, why_no_loop_disk

TOLD_WITHIN_S = 1.0
SMALL_BYTES = 3 << 20
BALLAST_BYTES = 2 << 20
IMAGE_ROOM_BYTES = 14 << 20
FULL_WITHIN_S = 240
ENOUGH_WARNING_S = 600
SETTLE_S, RATE_OVER_S = 120, 60
"""SQLite's log beside the journal grows to its size at first, and only the journal from then on."""
FULL_BELOW_BYTES = 4096
"""One page: SQLite writes no less."""


class Bench:
    """A fed recorder on a disk of its own; ``with`` starts and ends all of it."""

    def __init__(self, out):
        self._out = out
        self._ends = ExitStack()

    def __enter__(self):
        place = self._ends.enter_context(tempfile.TemporaryDirectory())
        broker = self._ends.enter_context(running_broker(place))
        self.tap = self._ends.enter_context(AckTap(broker.port))
        self.line = self._ends.enter_context(SerialEnd())
        boom = self._ends.enter_context(BoomPublisher(broker.port))
        options = write_files(place, port=self.line.name, broker_port=self.tap.port)
        self.fed = self._ends.enter_context(Fed(options, self._out))
        _, began = self.fed.wait_for("recording")
        self.journal = Path(began["path"])
        self.mast = self._ends.enter_context(Feed(self.line.send))
        self.boom = self._ends.enter_context(Feed(boom.send, rate_hz=50))
        return self

    def __exit__(self, *_):
        self._ends.close()

    def end_feeds(self):
        """Sends no more, and lets the recorder take what was sent."""
        self.mast.end()
        self.boom.end()
        time.sleep(0.5)

    def lift_is_told(self):
        """Lifts a wheel; how long until it is told, s; None where it is not."""
        opened_s = time.monotonic()
        self.line.open_wheel.set()
        try:
            self.fed.wait_for("wheel_lift", state="suspect", seconds=5)
        except TimeoutError:
            return None
        finally:
            self.line.open_wheel.clear()
        return round(time.monotonic() - opened_s, 3)

    def alarm_times_s(self, condition):
        """Monotonic times at which a condition's alarm was told as active, s."""
        return [
            when_ns * 1e-9
            for when_ns, e in list(self.fed.events)
            if e["event"] == "alarm" and e["condition"] == condition and e["active"]
        ]

    def wait_for_storage(self, seconds):
        """Waits for the alarm of the disk; whether it came."""
        end_s = time.monotonic() + seconds
        while not self.alarm_times_s("storage") and time.monotonic() < end_s:
            time.sleep(0.01)
        return bool(self.alarm_times_s("storage"))

    def missing_in(self, run):
        """Packs sent of which the run lacks readings, by channel."""
        feeds = (("slew", self.mast), ("load", self.mast), ("boom_length", self.boom))
        return {
            channel: len(set(range(len(feed.sent_ns))) - counters(run, channel)[0])
            for channel, feed in feeds
        }


def until_full(bench, small):
    """Waits until the disk is full; when it was seen so, monotonic s; None where it never was."""
    end_s = time.monotonic() + FULL_WITHIN_S
    while time.monotonic() < end_s and bench.fed.process.poll() is None:
        if small.free_bytes < FULL_BELOW_BYTES:
            return time.monotonic()
        if bench.alarm_times_s("storage"):
            return bench.alarm_times_s("storage")[0]
        time.sleep(0.005)
    return None


def told(bench, full_s):
    """What was told of the full disk."""
    bench.wait_for_storage(5)
    storage, room = bench.alarm_times_s("storage"), bench.alarm_times_s("disk_room")
    return {
        "storage_alarm_after_s": round(max(0.0, storage[0] - full_s), 3) if storage else None,
        "disk_room_told_before_s": round(full_s - room[0], 1) if room else None,
        "lift_told_while_full_s": bench.lift_is_told(),
    }


def space_comes_back(folder, small_bytes):
    """The disk fills up and is given room again."""
    with SmallTmpfs(folder, size_bytes=small_bytes + BALLAST_BYTES) as small:
        ballast = small.path / "ballast"
        ballast.write_bytes(bytes(BALLAST_BYTES))
        with Bench(small.path / "runs") as bench:
            full_s = until_full(bench, small)
            figures = told(bench, full_s)
            time.sleep(2)
            ballast.unlink()
            small.grow(64 << 20)
            freed_s = time.monotonic()
            bench.fed.wait_for("alarm", condition="storage", active=False, seconds=20)
            figures["over_after_s"] = round(time.monotonic() - freed_s, 2)
            time.sleep(0.5)
            bench.end_feeds()
            sealed = bench.fed.end()
            run = open_run(sealed["path"])
            run.verify()
            figures["missing_packs"] = bench.missing_in(run)
            figures["parts_left"] = len(list((small.path / "runs").glob("*.journal*")))
            figures["told_in_the_run"] = any(g.kind == "storage" for g in run.gaps)
    return figures


def stays_full(folder, small_bytes):
    """The recorder is ended while the disk is full; its journal is recovered elsewhere."""
    with SmallTmpfs(folder, size_bytes=small_bytes) as small, Bench(small.path / "runs") as bench:
        full_s = until_full(bench, small)
        figures = told(bench, full_s)
        bench.end_feeds()
        bench.fed.process.send_signal(signal.SIGINT)
        try:
            figures["exit"] = bench.fed.process.wait(40)
        except subprocess.TimeoutExpired:
            figures["exit"] = None
        bench.fed.process.kill()
        bench.fed.process.wait()
        said = bench.fed.process.stderr.read().decode()
        figures["says"] = said.strip().splitlines()[-1:]
        figures["traceback"] = "Traceback" in said
        figures |= recovered_elsewhere(bench, Path(folder) / "elsewhere")
    return figures


def io_error(folder, _small_bytes):
    """Writing back fails: the file system's own disk is full."""
    with (
        SmallTmpfs(folder, size_bytes=IMAGE_ROOM_BYTES) as small,
        LoopDisk(small.path / "ext4", size_bytes=256 << 20) as disk,
    ):
        with Bench(disk.path / "runs") as bench:
            full_s = until_full(bench, small)
            figures = told(bench, full_s)
            bench.end_feeds()
            bench.fed.process.kill()
            bench.fed.process.wait()
            acknowledged = bench.tap.acknowledged_before(time.monotonic_ns())
        disk.unmount()
        small.grow(256 << 20)
        disk.mount()
        figures |= recovered_elsewhere(bench, Path(folder) / "elsewhere", acknowledged)
    return figures


def recovered_elsewhere(bench, elsewhere, acknowledged=None):
    """Copies the journal's parts to another disk, recovers them, and counts what is not there."""
    acknowledged = acknowledged or bench.tap.acknowledged_before(time.monotonic_ns())
    elsewhere.mkdir()
    for part in bench.journal.parent.iterdir():
        shutil.copy(part, elsewhere)
    done = subprocess.run(
        [*COMMAND, "recover", str(elsewhere / bench.journal.name)],
        capture_output=True,
        text=True,
        check=False,
    )
    figures = {"acknowledged_packs": len(acknowledged), "recover_says": done.stderr.strip()}
    sealed = (elsewhere / bench.journal.name).with_suffix(".parquet")
    there = counters(open_run(sealed), "boom_length")[0] if sealed.exists() else set()
    shutil.rmtree(elsewhere)
    return figures | {"acknowledged_packs_lost": len(acknowledged - there)}


def ten_minutes(folder, *, minutes):
    """A disk with room for so many minutes; how long before the first refusal it was told."""
    with SmallTmpfs(folder, size_bytes=256 << 20) as small, Bench(small.path / "runs") as bench:
        time.sleep(SETTLE_S)
        used = (256 << 20) - small.free_bytes
        time.sleep(RATE_OVER_S)
        rate_bps = ((256 << 20) - small.free_bytes - used) / RATE_OVER_S
        room_bytes = int((256 << 20) - small.free_bytes + rate_bps * 60 * minutes)
        small.grow(room_bytes)
        # A busy machine feeds more slowly than it did while the rate was taken.
        end_s = time.monotonic() + 240 * minutes
        while not bench.alarm_times_s("storage") and time.monotonic() < end_s:
            time.sleep(0.1)
        room, storage = bench.alarm_times_s("disk_room"), bench.alarm_times_s("storage")
        warned_s = round(storage[0] - room[0]) if room and storage else None
    return {
        "rate_bytes_a_second": round(rate_bps),
        "warned": bool(room),
        "refused": bool(storage),
        "warned_before_the_first_refusal_s": warned_s,
    }


def wrong(figures):
    """What misses its pass line, in words."""
    for case, f in figures.items():
        if case == "ten minutes":
            if (f["warned_before_the_first_refusal_s"] or 0) < ENOUGH_WARNING_S:
                yield "ten minutes: warned too late"
            continue
        yield from _told_wrong(case, f)
        yield from _kept_wrong(case, f)


def _told_wrong(case, f):
    after_s, lift_s = f["storage_alarm_after_s"], f["lift_told_while_full_s"]
    if after_s is None or after_s > TOLD_WITHIN_S:
        yield f"{case}: storage alarm after {after_s} s"
    # What the disk under a file system has left, nobody on top of it can see.
    if case != "io error" and not (f["disk_room_told_before_s"] or 0) > 0:
        yield f"{case}: little room was not told before"
    if lift_s is None or lift_s > TOLD_WITHIN_S:
        yield f"{case}: lift told after {lift_s} s"


def _kept_wrong(case, f):
    if any(f.get("missing_packs", {}).values()):
        yield f"{case}: missing {f['missing_packs']}"
    if f.get("acknowledged_packs_lost"):
        yield f"{case}: {f['acknowledged_packs_lost']} acknowledged packs lost"
    if f.get("acknowledged_packs") == 0:
        yield f"{case}: nothing was acknowledged, so nothing was tried"
    if f.get("traceback") or f.get("exit", 1) in (0, None):
        yield f"{case}: ended with {f.get('exit')}, {f.get('says')}"
    if f.get("parts_left") or not f.get("told_in_the_run", True):
        yield f"{case}: parts left or not told in the run"


CASES = {
    "space comes back": space_comes_back,
    "stays full": stays_full,
    "io error": io_error,
}


def main():
    """Prints the figures as JSON, and the table's line on standard error; 1 where it failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", nargs="+", choices=tuple(CASES), default=list(CASES))
    parser.add_argument("--small-bytes", type=int, default=SMALL_BYTES, help="room to be filled")
    parser.add_argument("--room-minutes", type=float, help="and fill a disk of so many minutes")
    given = parser.parse_args()
    if why := why_no_loop_disk():
        parser.error(why)
    own_mounts()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that the disks are unmounted
    figures = {}
    for case in given.cases:
        with tempfile.TemporaryDirectory() as folder:
            figures[case] = CASES[case](folder, given.small_bytes)
    if given.room_minutes:
        with tempfile.TemporaryDirectory() as folder:
            figures["ten minutes"] = ten_minutes(folder, minutes=given.room_minutes)
    faults = list(wrong(figures))
    print(json.dumps({**figures, "wrong": faults}, indent=2))
    slowest = [f.get("storage_alarm_after_s") for f in figures.values()]
    print(
        f"| disk full, and writing back fails ({len(given.cases)} cases): told after; "
        f"acknowledged packs lost | at most {max(s or 0 for s in slowest)} s; "
        f"{sum(f.get('acknowledged_packs_lost', 0) for f in figures.values())} | "
        f"`python -m tests.campaigns.disk_full` |",
        file=sys.stderr,
    )
    return int(bool(faults))


if __name__ == "__main__":
    raise SystemExit(main())
