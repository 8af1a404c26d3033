"""Pulls a serial adapter and puts it back, again and again, while its device counts on.

Not part of the suite, which makes five of these replugs::

    python -m tests.campaigns.replugs --replugs 500
    python -m tests.campaigns.replugs --replugs 5 --without recounting

A device sends signed packs with a count through a pseudo-terminal; its master end is closed as
an unplugged adapter's is, and a new one put under the same name after a random while, during
which the device counts on. Each time the line must be back within 2 s, with "lost" and "back"
noted once, and the packs that the recorder's own count finds missing must be exactly those
that did not come. The second form forgets the device's count with each connection, and must
find packs that nobody missed, else the campaign could not see any.
"""

from __future__ import annotations

import argparse
import json
import queue
import random
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from logger.readings.continuity import ContinuityTracker
from logger.readings.rig_file import Source as SourceTable
from logger.sources.arrival import Arrival, SourceNote
from logger.sources.frames import sign
from logger.sources.serial_line import SerialLine
from tests.terminal import Terminal

RECONNECT_S = 2.0
PACK_EVERY_S = 0.005


class CountingDevice(threading.Thread):
    """Sends packs with a count, whether anything is plugged in or not.

    Attributes:
        sent: how many packs it has counted.
    """

    def __init__(self, terminal: Terminal) -> None:
        super().__init__(name="device", daemon=True)
        self._terminal = terminal
        self._plug = threading.Lock()
        self._done = threading.Event()
        self.sent = 0
        self.start()

    def run(self) -> None:
        """Sends until stopped."""
        while not self._done.wait(PACK_EVERY_S):
            with self._plug:
                frame = sign(b'[{"n":"enc","v":1,"seq":%d,"boot":"a"}]' % self.sent) + b"\n"
                if self._terminal.master is not None:
                    self._terminal.send(frame)
                self.sent += 1

    def unplug(self) -> None:
        """Pulls its adapter."""
        with self._plug:
            self._terminal.unplug()

    def plug(self) -> None:
        """Puts it back."""
        with self._plug:
            self._terminal.plug()

    def stop(self) -> None:
        """Falls silent."""
        self._done.set()
        self.join(5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What came of a campaign.

    Attributes:
        replugs: how often the adapter was pulled and put back.
        notes: how often it was noted as lost, and as back.
        slowest_s: longest time from plugging in to being read again, s.
        median_s: the middle one, s.
        sent: packs the device counted from the first that came to the last.
        came: packs that came.
        missing: packs that the count found missing.
        gaps: how many gaps that was in.
    """

    replugs: int
    notes: tuple[int, int]
    slowest_s: float
    median_s: float
    sent: int
    came: int
    missing: int
    gaps: int

    @property
    def passed(self) -> bool:
        """Whether each replug was short, and noted, and each pack that did not come missed."""
        return (
            self.slowest_s <= RECONNECT_S
            and self.notes == (self.replugs, self.replugs)
            and 0 < self.gaps <= self.replugs  # one between two packs costs none
            and self.came + self.missing == self.sent
        )


class _Counting:
    """Takes what comes, and counts as the recorder does."""

    def __init__(self, *, is_recounting: bool) -> None:
        self.items: queue.Queue[Arrival | SourceNote] = queue.Queue()
        self.first = self.last = -1
        self.came = self.missing = self.gaps = self.lost = self.back = 0
        self._is_recounting = is_recounting
        self._continuity = ContinuityTracker()

    def until_pack(self, *, within_s: float) -> bool:
        """Takes items until the next pack; False where none comes."""
        deadline = time.monotonic() + within_s
        while (left_s := deadline - time.monotonic()) > 0:
            try:
                item = self.items.get(timeout=left_s)
            except queue.Empty:
                return False
            self.take(item)
            if isinstance(item, Arrival):
                return True
        return False

    def take(self, item: Arrival | SourceNote) -> None:
        """Takes one."""
        if isinstance(item, SourceNote):
            self.lost += item.kind == "lost"
            self.back += item.kind == "back"
            if item.kind == "back" and not self._is_recounting:
                self._continuity = ContinuityTracker()
            return
        seq = item.pack.seq or 0
        self.first = seq if self.first < 0 else self.first
        self.last = seq
        self.came += 1
        missing = self._continuity.check(item.pack.boot, seq).missing
        self.missing += missing
        self.gaps += missing > 0

    def drain(self) -> None:
        """Takes all that is there."""
        while not self.items.empty():
            self.take(self.items.get_nowait())


def campaign(link: Path, *, replugs: int, is_recounting: bool = True, seed: int = 1) -> Found:
    """Replugs many times, and gives the counts.

    Args:
        link: where the port's name is to be.
        replugs: how often.
        is_recounting: whether the count goes on over a replug, as it must.
        seed: of the times between.
    """
    draw = random.Random(seed)
    terminal = Terminal(link)
    counting = _Counting(is_recounting=is_recounting)
    source = SerialLine(SourceTable(id="mast", kind="serial", port=str(link)))
    source.start(counting.items.put_nowait, time.monotonic_ns)
    device = CountingDevice(terminal)
    times_s = []
    try:
        for _ in range(replugs):
            counting.until_pack(within_s=5)
            time.sleep(draw.uniform(0.02, 0.2))
            device.unplug()
            # Mostly soon; now and then so late that the pace of tries has slowed down.
            time.sleep(draw.choice((0.05, 0.1, 0.2, 0.4, 3.0 * draw.random())))
            counting.drain()
            device.plug()
            plugged_s = time.monotonic()
            counting.until_pack(within_s=5)
            times_s.append(time.monotonic() - plugged_s)
    finally:
        device.stop()
        time.sleep(0.1)
        source.stop()
        terminal.close()
    counting.drain()
    return Found(
        replugs=replugs,
        notes=(counting.lost, counting.back),
        slowest_s=round(max(times_s), 3),
        median_s=round(sorted(times_s)[len(times_s) // 2], 3),
        sent=counting.last - counting.first + 1,
        came=counting.came,
        missing=counting.missing,
        gaps=counting.gaps,
    )


def main() -> int:
    """Prints the counts as JSON; 1 where the line did not hold, or the guard's want not seen."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--replugs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--without", choices=("recounting",))
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = campaign(
            Path(folder) / "port",
            replugs=arguments.replugs,
            is_recounting=arguments.without is None,
            seed=arguments.seed,
        )
    figures = {name: getattr(found, name) for name in found.__slots__}
    sys.stdout.write(f"{json.dumps(figures | {'passed': found.passed}, indent=2)}\n")
    return int(found.passed is (arguments.without is not None))


if __name__ == "__main__":
    raise SystemExit(main())
