"""The socket between us and paho: publications go past paho, all else through it.

Only one thread uses it, and it never waits. What we send ourselves (acknowledgements, pings) is
gathered here and sent together, never into the middle of a packet of paho's.
"""

from __future__ import annotations

import socket
import ssl
import time
from contextlib import suppress

from logger.sources.mqtt_packets import PacketSplitter, Publication

CHUNK_BYTES = 1 << 14
"""At most so many are read at once: what comes together is stamped together."""

_NOT_NOW = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)


class BrokerSocket:
    """One connection; paho takes it for its socket.

    Attributes:
        heard_s: when bytes came last, s of ``time.monotonic``.
        spoke_s: when bytes went out last, likewise.

    Args:
        sock: the connected socket, with TLS or without.
        splitter: cuts what comes into packets.
    """

    def __init__(self, sock: socket.socket, splitter: PacketSplitter) -> None:
        self._sock = sock
        self._splitter = splitter
        self._for_paho = b""
        self._ours = bytearray()
        self._paho_halfway = False
        self._hung_up = False
        self.heard_s = self.spoke_s = time.monotonic()

    def read(self) -> list[Publication | bytes]:
        """What came, without waiting.

        Raises:
            OSError: where the connection broke or the other end hung up.
            FrameInvalid: where it is no MQTT.
        """
        try:
            data = self._sock.recv(CHUNK_BYTES)
        except _NOT_NOW:
            return []
        if not data:
            raise ConnectionResetError
        self.heard_s = time.monotonic()
        return self._splitter.feed(data)

    def hand_to_paho(self, packet: bytes) -> None:
        """Gives paho a packet to receive."""
        self._for_paho += packet

    def say(self, packet: bytes) -> None:
        """Puts a packet of ours behind those that wait."""
        self._ours += packet

    def flush(self) -> None:
        """Sends what of ours waits, as far as there is room and no packet of paho's half-sent.

        Raises:
            OSError: where the connection broke.
        """
        with suppress(*_NOT_NOW):
            while self._ours and not self._paho_halfway:
                sent = self._sock.send(self._ours)
                self.spoke_s = time.monotonic()
                del self._ours[:sent]

    def hang_up(self) -> None:
        """Lets paho find the connection at its end."""
        self._hung_up = True

    @property
    def has_unsent(self) -> bool:
        """Whether something of ours waits for room in the socket."""
        return bool(self._ours)

    def pending(self) -> int:
        """Bytes that TLS has decrypted and ``select`` does not see."""
        return self._sock.pending() if isinstance(self._sock, ssl.SSLSocket) else 0

    def recv(self, buffer_size: int) -> bytes:
        """For paho: of the packets handed to it."""
        if not self._for_paho and not self._hung_up:
            raise BlockingIOError
        data, self._for_paho = self._for_paho[:buffer_size], self._for_paho[buffer_size:]
        return data

    def send(self, buffer: bytes | bytearray) -> int:
        """For paho: sends behind what of ours waits."""
        self.flush()
        if self._ours and not self._paho_halfway:
            raise BlockingIOError
        sent = self._sock.send(buffer)
        self._paho_halfway = sent < len(buffer)
        self.spoke_s = time.monotonic()
        return sent

    def fileno(self) -> int:
        """For paho and ``select``."""
        return self._sock.fileno()

    def setblocking(self, flag: bool) -> None:  # noqa: FBT001 - as sockets have it
        """For paho, which wants it never to wait."""
        self._sock.setblocking(flag)

    def close(self) -> None:
        """Closes the connection."""
        self._sock.close()
