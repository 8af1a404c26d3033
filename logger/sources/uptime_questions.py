"""Asking a device for its uptime, so that its clock is known from both sides.

Once a second the line ``up? <number>`` goes out, and the device answers at once with a pack
whose first record carries ``up``, ``boot`` and ``reply``, the number. Its uptime was taken
after the question had left and before the answer was there. So the moment noted must never be
late: it is taken before the question is handed to the system, and the question's time on the
wire is added only where a wire of that speed is known to be there.
"""

from __future__ import annotations

import secrets
from collections import OrderedDict

from logger.sources.arrival import Clock
from logger.sources.serial_port import Wire

ASK_EVERY_S = 1.0
REMEMBERED_QUESTIONS = 16
BITS_PER_BYTE = 10
"""Start bit, eight data bits, stop bit."""


class UptimeQuestions:
    """The questions of one connection; a device that never answers costs nothing.

    Args:
        baud: symbols a second.
        clock: the run's clock.
    """

    def __init__(self, *, baud: int, clock: Clock) -> None:
        self._baud = baud
        self._clock = clock
        # An answer that was still on its way from an earlier run must not fit a question.
        self._number = secrets.randbelow(1_000_000)
        self._asked_ns: OrderedDict[int, int] = OrderedDict()
        self._due_s: float | None = None
        self._is_torn = False

    def ask(self, wire: Wire, now_s: float) -> None:
        """Asks where a second has passed; never waits.

        Args:
            wire: the open port.
            now_s: the time on the caller's steady clock, s.

        Raises:
            OSError: where the port is lost.
        """
        if self._due_s is not None and now_s < self._due_s:
            return
        self._due_s = now_s + ASK_EVERY_S
        self._number += 1
        # A question that left in part is ended, so that the device can tell the next one.
        question = b"%bup? %d\n" % (b"\n" if self._is_torn else b"", self._number)
        before_ns = self._clock()
        sent = wire.send(question)
        self._is_torn = 0 < sent < len(question) or (self._is_torn and not sent)
        if sent < len(question):
            return
        bits = len(question) * BITS_PER_BYTE if wire.has_uart else 0
        self._asked_ns[self._number] = before_ns + bits * 1_000_000_000 // self._baud
        if len(self._asked_ns) > REMEMBERED_QUESTIONS:
            self._asked_ns.popitem(last=False)

    def asked_ns(self, reply: int | None) -> int | None:
        """When the question that a pack answers had left, ns on the run's clock.

        None where it answers none that we remember; a second answer answers nothing.
        """
        return None if reply is None else self._asked_ns.pop(reply, None)
