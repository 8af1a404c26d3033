"""A tap on the wire between a recorder and its broker: which packs did the recorder acknowledge?

A broker tells its publisher that *it* has a message; only the recorder's own acknowledgement
(MQTT PUBACK, MQTT 5.0 section 3.4) says that the recorder keeps it, and from then on the broker
forgets it. The tap passes bytes on unchanged, both ways, and reads packet ids on the way.
"""

from __future__ import annotations

import re
import socket
import threading
import time
from contextlib import suppress

_PUBLISH, _PUBACK = 3, 4
_SEQ = re.compile(rb'"seq": ?(\d+)')


class AckTap:
    """A TCP proxy before a broker; ``with`` starts and ends it.

    Attributes:
        port: where the recorder connects, on 127.0.0.1.
        acknowledged: (pack counter, monotonic ns) of each acknowledgement, as they pass.
    """

    def __init__(self, broker_port):
        self.acknowledged = []
        self._broker = ("127.0.0.1", broker_port)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._ends = [self._listener]
        self._threads = []

    def __enter__(self):
        self._start(self._accept)
        return self

    def __exit__(self, *_):
        for end in self._ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        for thread in self._threads:
            thread.join(5)

    def acknowledged_before(self, monotonic_ns):
        """Counters of the packs acknowledged before a moment."""
        return {seq for seq, when_ns in list(self.acknowledged) if when_ns < monotonic_ns}

    def _start(self, target, *args):
        thread = threading.Thread(target=target, args=args, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self):
        with suppress(OSError):
            while True:
                recorder, _ = self._listener.accept()
                broker = socket.create_connection(self._broker)
                self._ends += [recorder, broker]
                seqs = {}
                self._start(self._pass_on, broker, recorder, lambda p, s=seqs: _published(p, s))
                self._start(self._pass_on, recorder, broker, lambda p, s=seqs: self._acked(p, s))

    def _pass_on(self, source, sink, look):
        packets = _Packets()
        with suppress(OSError):
            while chunk := source.recv(65536):
                for packet in packets.feed(chunk):
                    look(packet)
                sink.sendall(chunk)
        for end in (source, sink):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def _acked(self, packet, seqs):
        kind, _, body = packet
        seq = seqs.pop(int.from_bytes(body[:2], "big"), None) if kind == _PUBACK else None
        if seq is not None:
            self.acknowledged.append((seq, time.monotonic_ns()))


def _published(packet, seqs):
    """Remembers which packet id carries which pack."""
    kind, flags, body = packet
    if kind == _PUBLISH and flags & 0x06:
        end = 2 + int.from_bytes(body[:2], "big")
        found = _SEQ.search(body, end)
        if found:
            seqs[int.from_bytes(body[end : end + 2], "big")] = int(found[1])


class _Packets:
    """Cuts a stream into MQTT packets: (kind, flags, body)."""

    def __init__(self):
        self._rest = b""

    def feed(self, chunk):
        self._rest += chunk
        while (packet := self._next()) is not None:
            yield packet

    def _next(self):
        at, length, more = 1, 0, True  # the length's digits, to base 128, least first
        while more:
            if at >= len(self._rest):
                return None
            digit = self._rest[at]
            length |= (digit & 0x7F) << 7 * (at - 1)
            more = bool(digit & 0x80)
            at += 1
        if len(self._rest) < at + length:
            return None
        first, body = self._rest[0], self._rest[at : at + length]
        self._rest = self._rest[at + length :]
        return first >> 4, first & 0x0F, body
