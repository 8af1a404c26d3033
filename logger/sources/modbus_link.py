"""The wire to Modbus devices: a serial line, or a connection over a network."""

from __future__ import annotations

import select
import socket
import time
from contextlib import suppress
from typing import Protocol
from urllib.parse import urlsplit

from logger.errors import SourceUnavailable
from logger.readings.rig_file import Source
from logger.sources.serial_characters import set_characters
from logger.sources.serial_port import Wire, open_port

CONNECT_WITHIN_S = 3.0
MODBUS_PORT = 502
BITS_PER_CHARACTER = 11
"""Start bit, eight data bits, parity or a second stop bit, stop bit."""
_SHORTEST_REST_S = 0.00175
"""Between frames at more than 19 200 Bd (Modbus over serial line 1.02, 2.5.1.1)."""
_REST_CHARACTERS = 3.5
_CHUNK_BYTES = 4096


class Link(Protocol):
    """An open way to devices; every method but ``close`` raises OSError where it is lost.

    Attributes:
        numbered: whether an answer tells which question it belongs to.
    """

    numbered: bool

    def clear(self) -> None:
        """Throws away what came unasked, and waits until the line may be spoken on."""

    def send(self, data: bytes) -> None:
        """Sends a question."""

    def receive(self, within_s: float) -> bytes:
        """What comes within that time, or a little later: nothing, or some bytes at once."""

    def fall_silent(self, quiet_s: float) -> None:
        """Throws away what comes until nothing has come for so long."""

    def close(self) -> None:
        """Closes it; never raises."""


def open_link(source: Source) -> Link:
    """Opens the port or the connection of a source.

    Raises:
        SourceUnavailable: saying why, and what would help.
    """
    return NetworkLink(source) if source.url is not None else SerialLink(source)


class SerialLink:
    """A serial line with devices that answer in turn."""

    numbered = False

    def __init__(self, source: Source) -> None:
        self._line = open_port(source.port or "", source.baud, where=f"source {source.id!r}")
        set_characters(self._line, source)
        self._wire = Wire(self._line)
        characters_s = _REST_CHARACTERS * BITS_PER_CHARACTER / source.baud
        self._rest_s = max(_SHORTEST_REST_S, characters_s)
        self._heard_s = time.monotonic()

    def clear(self) -> None:
        """Waits until the line has rested too: devices tell frames apart by rests."""
        while self._line.in_waiting:
            self.receive(0.0)
        rest_s = self._heard_s + self._rest_s - time.monotonic()
        if rest_s > 0:
            time.sleep(rest_s)

    def send(self, data: bytes) -> None:
        """Sends a question."""
        if self._wire.send(data) < len(data):
            raise OSError("the port takes no more bytes")

    def receive(self, within_s: float) -> bytes:
        """What comes within that time."""
        data = self._wire.read(within_s)
        if data:
            self._heard_s = time.monotonic()
        return data

    def fall_silent(self, quiet_s: float) -> None:
        """Throws away what comes until nothing has come for so long."""
        since_s = time.monotonic()
        while (left_s := since_s + quiet_s - time.monotonic()) > 0:
            if self.receive(left_s):
                since_s = time.monotonic()

    def close(self) -> None:
        """Closes the port."""
        with suppress(OSError):
            self._wire.close()


class NetworkLink:
    """A connection to a device, or to a gateway before several."""

    numbered = True

    def __init__(self, source: Source) -> None:
        address = urlsplit(source.url or "")
        host, port = address.hostname or "", address.port or MODBUS_PORT
        try:
            self._socket = socket.create_connection((host, port), timeout=CONNECT_WITHIN_S)
        except OSError as exc:
            raise SourceUnavailable(
                where=f"source {source.id!r}",
                what=f"no Modbus device at {host}:{port} ({exc.strerror or exc})",
                would_do="see its power, its network, and address and port in 'url'",
            ) from exc
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def clear(self) -> None:
        """Throws away what came unasked."""
        while self.receive(0.0):
            pass

    def send(self, data: bytes) -> None:
        """Sends a question."""
        self._socket.sendall(data)

    def receive(self, within_s: float) -> bytes:
        """What comes within that time."""
        ready, _, _ = select.select([self._socket], [], [], within_s)
        if not ready:
            return b""
        data = self._socket.recv(_CHUNK_BYTES)
        if not data:
            raise OSError("the device closed the connection")
        return data

    def fall_silent(self, quiet_s: float) -> None:
        """Does nothing: an answer that comes late carries the number of its question."""

    def close(self) -> None:
        """Closes the connection."""
        self._socket.close()
