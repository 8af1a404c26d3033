"""Sends a source's frames down a serial line, and answers the recorder's questions meanwhile.

A line that is too slow for the speed makes the sender late, and it says by how much. What can't be
written in :data:`PATIENCE_S`, or goes to a pseudo-terminal that nobody has open, is lost, as on a
wire that goes nowhere, and is counted; the line that was torn by it is ended before the next one.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import sys
import time
from collections.abc import Callable
from typing import Protocol

import serial

from logger.errors import SourceUnavailable
from logger.live.play.pace import Ahead, Pace
from logger.live.play.sent import Sent
from logger.sources.serial_port import open_port

PATIENCE_S = 5.0
_QUESTION = re.compile(rb"up\? (\d{1,18})")
_LONGEST_QUESTION = 256
_CHUNK_BYTES = 4096

Answer = Callable[[int, int], bytes]
"""From a question's number and the run's present (ns) to the answer's line."""


class LineEnd(Protocol):
    """The device's end of a serial line."""

    def listen(self, within_s: float) -> bytes:
        """Waits, and gives what came meanwhile.

        Raises:
            OSError: where the line is lost.
        """

    def write(self, payload: bytes) -> bool:
        """Writes bytes; False where the line does not take them all.

        Raises:
            OSError: where the line is lost.
        """

    def is_read(self) -> bool:
        """Whether someone has the other end open, as far as that can be known."""

    def close(self) -> None:
        """Closes it."""


class PortEnd:
    """A serial port of this computer.

    Args:
        port: a device or a pyserial URL.
        baud: symbols a second.
        where: what to name in an error.

    Raises:
        SourceUnavailable: saying why it can't be opened, and what would help.
    """

    def __init__(self, port: str, baud: int, *, where: str) -> None:
        self._line = open_port(port, baud, where=where)
        self._line.timeout = 0
        with contextlib.suppress(serial.SerialException, ValueError):
            self._line.write_timeout = PATIENCE_S

    def listen(self, within_s: float) -> bytes:
        """Waits, and gives what came meanwhile."""
        time.sleep(within_s)
        return bytes(self._line.read(_CHUNK_BYTES))

    def write(self, payload: bytes) -> bool:
        """Writes bytes; the system's buffer drains at the line's own speed."""
        rest = memoryview(payload)
        try:
            while rest:
                rest = rest[self._line.write(rest) or 0 :]
        except serial.SerialTimeoutException:
            return False
        return True

    def is_read(self) -> bool:
        """Nobody can tell from a port."""
        return True

    def close(self) -> None:
        """Closes the port, there or gone."""
        with contextlib.suppress(OSError):
            self._line.close()


class TerminalEnd:
    """The master end of a pseudo-terminal.

    Args:
        descriptor: of the master end; closed with this.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        if sys.platform != "win32":  # which has no pseudo-terminals
            os.set_blocking(descriptor, False)

    def listen(self, within_s: float) -> bytes:
        """Waits, and gives what came meanwhile."""
        if not self.is_read():
            time.sleep(within_s)  # where nobody is, select would not wait
            return b""
        ready, _, _ = select.select([self._descriptor], [], [], within_s)
        # A reader that has just left makes this an error, which is no loss here.
        with contextlib.suppress(OSError):
            return os.read(self._descriptor, _CHUNK_BYTES) if ready else b""
        return b""

    def write(self, payload: bytes) -> bool:
        """Writes bytes, if someone takes them."""
        rest = memoryview(payload)
        while rest:
            _, writable, _ = select.select([], [self._descriptor], [], PATIENCE_S)
            if not writable or not self.is_read():
                return False
            with contextlib.suppress(BlockingIOError):
                rest = rest[os.write(self._descriptor, rest) :]
        return True

    def is_read(self) -> bool:
        """Whether a program has the other end open."""
        if sys.platform == "win32":
            return True
        poll = select.poll()
        poll.register(self._descriptor, 0)
        return not any(event & select.POLLHUP for _, event in poll.poll(0))

    def close(self) -> None:
        """Closes the line."""
        os.close(self._descriptor)


def send_down_line(
    end: LineEnd, frames: Ahead, pace: Pace, sent: Sent, *, answer: Answer, where: str
) -> None:
    """Sends all frames when they are due.

    Args:
        end: the line.
        frames: what to send.
        pace: when.
        sent: counts what was done.
        answer: answers a question for the uptime.
        where: what to name in an error.

    Raises:
        SourceUnavailable: where the line is lost.
    """
    questions = _Questions()
    is_torn = False
    try:
        while (frame := frames.get()) is not None:
            while (nap_s := pace.nap_s(frame.due_ns)) > 0:
                for number in questions.heard(end.listen(nap_s)):
                    sent.answers += end.write(answer(number, pace.now_ns()))
            if pace.stop.is_set():
                return
            late_s = pace.late_s(frame.due_ns)
            taken = end.write(b"\r\n" + frame.payload if is_torn else frame.payload)
            is_torn = not taken
            sent.count(frame, late_s=late_s, taken=taken)
    except OSError as exc:
        raise SourceUnavailable(
            where=where, what=f"the line was lost ({exc})", would_do="see plug and cable"
        ) from exc


class _Questions:
    """Finds questions in what comes up a line."""

    def __init__(self) -> None:
        self._rest = b""

    def heard(self, chunk: bytes) -> list[int]:
        """The numbers of the questions that end in a chunk."""
        *lines, rest = (self._rest + chunk).split(b"\n")
        self._rest = rest[-_LONGEST_QUESTION:]
        matches = (_QUESTION.fullmatch(line.strip()) for line in lines)
        return [int(m[1]) for m in matches if m is not None]
