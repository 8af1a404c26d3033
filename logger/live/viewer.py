"""One who watches a recording through the link: what waits for him, and what he asks.

What he has not taken yet is bounded. Of states only the newest waits, each in its place among
the events; of events so many, and how many more there were is told. Nothing here ever waits.
"""

from __future__ import annotations

import itertools
import socket
import time

from logger.live.viewer_lines import LONGEST_REQUEST_BYTES, line_of

WAITING_LINES = 2_000
WAITING_BYTES = 4 * 1024 * 1024
GREETS_WITHIN_S = 2.0
STANDS_STILL_S = 30.0
"""One who takes nothing for so long is let go; he may come again."""

_READ_BYTES = 65_536


class Dropped(Exception):
    """He has gone, or says what no viewer of ours would say."""


class Viewer:
    """A connection.

    Args:
        connection: not blocking.
    """

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.greeted = False
        """Whether he has shown the token."""
        self._heard = bytearray()
        self._sending = b""
        self._waiting: dict[int, bytes] = {}
        self._numbers = itertools.count()
        self._waiting_bytes = 0
        self._state = -1
        self._missed = 0
        self._moved_s = time.monotonic()

    @property
    def has_to_send(self) -> bool:
        """Whether something waits for him."""
        return bool(self._sending or self._waiting)

    @property
    def stands_still(self) -> bool:
        """Whether he has let too much time pass."""
        waited_s = time.monotonic() - self._moved_s
        if not self.greeted:
            return waited_s > GREETS_WITHIN_S
        return self.has_to_send and waited_s > STANDS_STILL_S

    def tell(self, line: bytes) -> None:
        """Keeps a line for him; where too many wait it is counted instead."""
        full = self._waiting_bytes + len(line) > WAITING_BYTES
        if (full and self._waiting) or len(self._waiting) >= WAITING_LINES:
            self._missed += 1
            return
        self._keep(line)

    def show(self, line: bytes) -> None:
        """Keeps a state for him, in place of the one that still waits."""
        self._waiting_bytes -= len(self._waiting.pop(self._state, b""))
        self._state = self._keep(line)

    def _keep(self, line: bytes) -> int:
        if not self.has_to_send:
            self._moved_s = time.monotonic()
        number = next(self._numbers)
        self._waiting[number] = line
        self._waiting_bytes += len(line)
        return number

    def send(self) -> None:
        """Sends what he takes without waiting.

        Raises:
            Dropped: where he has gone.
        """
        try:
            while self._fetch():
                sent = self.connection.send(self._sending)
                self._moved_s = time.monotonic()
                self._sending = self._sending[sent:]
        except BlockingIOError:
            return
        except OSError as exc:
            raise Dropped from exc

    def _fetch(self) -> bool:
        """Takes up the next line; whether there is one."""
        if not self._sending and self._waiting:
            self._sending = self._waiting.pop(next(iter(self._waiting)))
            self._waiting_bytes -= len(self._sending)
        if not self._sending and self._missed:
            self._sending = line_of("missed", count=self._missed)
            self._missed = 0
        return bool(self._sending)

    def hear(self) -> list[bytes]:
        """The lines that he has sent.

        Raises:
            Dropped: where he has gone, or sends a line that is too long.
        """
        try:
            said = self.connection.recv(_READ_BYTES)
        except BlockingIOError:
            return []
        except OSError as exc:
            raise Dropped from exc
        if not said:
            raise Dropped
        self._heard += said
        *lines, rest = bytes(self._heard).split(b"\n")
        if len(rest) > LONGEST_REQUEST_BYTES or any(len(x) > LONGEST_REQUEST_BYTES for x in lines):
            raise Dropped
        self._heard = bytearray(rest)
        return lines
