"""Sends a serial line a hundred million bytes of noise and cut frames, good frames among them.

Not part of the suite, which sends some megabytes of the same::

    python -m tests.campaigns.serial_noise --bytes 100000000
    python -m tests.campaigns.serial_noise --bytes 5000000 --guard unchecked
    python -m tests.campaigns.serial_noise --bytes 5000000 --guard unsigned-taken

Each frame carries a checksum, and a value that follows from its count, so that an altered one
shows. Every good frame that begins after a line end must be taken, no other one, no exception
may end the reader, and its memory must not grow. The second form takes the checksum off
without looking, the third takes a line that lost its checksum as one that never had any: both
must find altered frames, else the campaign could not see any.
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import queue
import random
import sys
import threading
import time
import tty
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from logger.readings.rig_file import Source as SourceTable
from logger.sources.arrival import Arrival, SourceNote
from logger.sources.frames import CrcCheck, sign
from logger.sources.serial_line import SerialLine
from logger.sources.wire_formats import senml

GUARDS = ("checked", "unchecked", "unsigned-taken")
MEMORY_GROWTH_BYTES = 16_000_000
BLOCK_BYTES = 60_000


def value_of(seq: int) -> int:
    """The value that a frame of this count carries."""
    return zlib.crc32(b"%d" % seq) % 1_000_000


def good_frame(seq: int) -> bytes:
    """A frame as the device sends it, without its line end."""
    return sign(b'[{"bn":"rig:","seq":%d,"n":"enc","v":%d}]' % (seq, value_of(seq)))


class NoisyDevice:
    """Makes noise with good frames in it: those whose count is a multiple of three.

    Attributes:
        good: how many good frames were made.

    Args:
        seed: of the noise.
    """

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self._seq = 0
        self.good = 0

    def blocks(self, total_bytes: int) -> Iterator[bytes]:
        """At least so many bytes, in blocks, with a good frame at the end."""
        sent = 0
        while sent < total_bytes:
            block = bytearray()
            while len(block) < BLOCK_BYTES:
                block += self._hurt() + b"\n" + self._good() + b"\n"
            sent += len(block)
            yield bytes(block)

    def _good(self) -> bytes:
        self.good += 1
        self._seq += 1
        return good_frame(self._seq)

    def _hurt(self) -> bytes:
        """Noise, or frames that were cut, spliced, overwritten or robbed of their checksum."""
        draw = self._random
        self._seq += 2
        line, other = good_frame(self._seq), good_frame(self._seq - 1)
        kind = draw.choices(range(7), (8, 8, 1, 8, 8, 8, 8))[0]
        if kind == 0:
            return draw.randbytes(draw.randrange(400))
        if kind == 1:
            return bytes(draw.choices(b'[]{}",:0123456789abcdefntvu \r\n', k=draw.randrange(300)))
        if kind == 2:
            return draw.randbytes(1).replace(b"\n", b"x") * draw.randrange(90_000)
        if kind == 3:
            return line[: draw.randrange(len(line))] + other[draw.randrange(len(other)) :]
        if kind == 4:
            place = draw.randrange(len(line))
            return line[:place] + draw.randbytes(draw.randrange(1, 9)) + line[place + 1 :]
        altered = self._altered(line)
        return altered if kind == 5 else altered[: altered.rindex(b"]") + draw.randrange(1, 3)]

    def _altered(self, line: bytes) -> bytes:
        """Another digit in the value, the checksum left as it was."""
        place = line.rindex(b"}") - 1
        digit = self._random.choice(b"0123456789".replace(line[place : place + 1], b""))
        return line[:place] + bytes([digit]) + line[place + 1 :]


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What came of a campaign.

    Attributes:
        sent_bytes: how much was sent.
        good: good frames sent.
        taken: good frames that came out.
        false: frames with another value than their count asks for.
        exceptions: exceptions that left the reader.
        grown_bytes: what the process's memory grew by, from a fifth of the way on.
    """

    sent_bytes: int
    good: int
    taken: int
    false: int
    exceptions: int
    grown_bytes: int

    @property
    def passed(self) -> bool:
        """Whether all good frames were taken, no other, and nothing broke or grew."""
        return (
            self.taken == self.good
            and not self.false
            and not self.exceptions
            and self.grown_bytes < MEMORY_GROWTH_BYTES
        )


@contextmanager
def guard_taken_away(guard: str) -> Iterator[None]:
    """Replaces the check of the checksum for a while."""

    class Unchecked(CrcCheck):
        def take_off(self, line: bytes) -> bytes:
            return line[:-9] if line[-9:-8] == b" " else line

    class UnsignedTaken(CrcCheck):
        def take_off(self, line: bytes) -> bytes:
            self.demanded = False
            return super().take_off(line)

    check = {"checked": CrcCheck, "unchecked": Unchecked, "unsigned-taken": UnsignedTaken}[guard]
    vars(senml)["CrcCheck"] = check
    try:
        yield
    finally:
        vars(senml)["CrcCheck"] = CrcCheck


def campaign(*, total_bytes: int, guard: str = "checked", seed: int = 1) -> Found:
    """Sends noise through a pseudo-terminal to a source, and gives the counts."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    device = NoisyDevice(seed)
    items: queue.Queue[Arrival | SourceNote] = queue.Queue()
    exceptions: list[str] = []
    hook_before = threading.excepthook
    threading.excepthook = lambda args: exceptions.append(repr(args.exc_value))
    table = SourceTable(id="mast", kind="serial", port=os.ttyname(slave), baud=12_000_000)
    with guard_taken_away(guard):
        source = SerialLine(table)
        source.start(items.put_nowait, time.monotonic_ns)
        try:
            return _send_and_count(device, master, items, total_bytes, exceptions)
        finally:
            source.stop()
            threading.excepthook = hook_before
            os.close(slave)
            os.close(master)


def _send_and_count(
    device: NoisyDevice,
    master: int,
    items: queue.Queue[Arrival | SourceNote],
    total_bytes: int,
    exceptions: list[str],
) -> Found:
    taken = false = sent = 0
    memory_bytes = 0

    def count(item: Arrival | SourceNote) -> None:
        nonlocal taken, false
        if isinstance(item, Arrival):
            seq, value = item.pack.seq, item.pack.value.tolist()
            is_true = seq is not None and value == [value_of(seq)]
            # A frame that was cut so that it stayed whole is true too, but not asked for.
            taken += is_true and seq % 3 == 0
            false += not is_true

    os.write(master, b"\n")
    for block in device.blocks(total_bytes):
        _write(master, block, lambda: _drain(items, count))
        sent += len(block)
        if not memory_bytes and sent > total_bytes / 5:
            memory_bytes = _resident_bytes()
    grown_bytes = _resident_bytes() - memory_bytes
    deadline = time.monotonic() + 5.0
    while taken < device.good and not exceptions and time.monotonic() < deadline:
        time.sleep(0.05)
        _drain(items, count)
    time.sleep(0.1)
    _drain(items, count)
    return Found(
        sent_bytes=sent,
        good=device.good,
        taken=taken,
        false=false,
        exceptions=len(exceptions),
        grown_bytes=grown_bytes,
    )


def _write(master: int, block: bytes, meanwhile: Callable[[], None]) -> None:
    rest = memoryview(block)
    while rest:
        rest = rest[os.write(master, rest[:4096]) :]
        meanwhile()


def _drain(
    items: queue.Queue[Arrival | SourceNote], take: Callable[[Arrival | SourceNote], None]
) -> None:
    while not items.empty():
        take(items.get_nowait())


def _resident_bytes() -> int:
    # proc(5): the second field of statm is the resident set, in pages.
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def main() -> int:
    """Prints the counts as JSON; 1 where the guard did not hold, or its removal was not seen."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bytes", type=int, default=100_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guard", choices=GUARDS, default="checked")
    arguments = parser.parse_args()
    begin_s = time.monotonic()
    found = campaign(total_bytes=arguments.bytes, guard=arguments.guard, seed=arguments.seed)
    figures = {name: getattr(found, name) for name in found.__slots__}
    figures |= {"guard": arguments.guard, "seconds": round(time.monotonic() - begin_s, 1)}
    sys.stdout.write(f"{json.dumps(figures, indent=2)}\n")
    return int(not found.passed) if arguments.guard == "checked" else int(not found.false)


if __name__ == "__main__":
    raise SystemExit(main())
