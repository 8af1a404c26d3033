"""amqtt in this process, with manners towards clients that speak MQTT 5.

amqtt 0.12 speaks MQTT 3.1.1 only, and does not refuse an MQTT 5 client: it takes the properties
for a client id and waits for the rest of it for ever (https://github.com/Yakifo/amqtt/issues/325).
So the connection is taken here, the protocol level read first, and MQTT 5 refused as 3.1.1 asks
(3.1.2.2: CONNACK with code 1, then close); the client then comes back with 3.1.1.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator

from amqtt.adapters import StreamWriterAdapter
from amqtt.broker import Broker

LISTENER = "default"
_MQTT_5_FOLLOWS = b"\x00\x04MQTT\x05"
_UNACCEPTABLE_PROTOCOL = b"\x20\x02\x00\x01"


class _BeginningAgain:
    """A reader, as amqtt wants one, that first gives back what was read ahead."""

    def __init__(self, reader: asyncio.StreamReader, ahead: bytes) -> None:
        self._reader = reader
        self._ahead = ahead

    async def read(self, n: int = -1) -> bytes:
        ahead = self._ahead if n < 0 else self._ahead[:n]
        self._ahead = self._ahead[len(ahead) :]
        if n < 0:
            return ahead + await self._reader.read()
        return ahead + await self._reader.readexactly(n - len(ahead))

    def feed_eof(self) -> None:
        self._reader.feed_eof()


@contextlib.asynccontextmanager
async def serving(host: str, port: int) -> AsyncIterator[None]:
    """Serves MQTT 3.1.1 at an address, to anyone who reaches it, while the body runs.

    Raises:
        OSError: where the port is taken.
    """
    broker = Broker(
        {
            "listeners": {LISTENER: {"type": "external", "bind": f"{host}:{port}"}},
            "plugins": {
                "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
            },
        }
    )

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            ahead = await _connect_packet_head(reader)
            if ahead.endswith(_MQTT_5_FOLLOWS):
                writer.write(_UNACCEPTABLE_PROTOCOL)
                await writer.drain()
            else:
                await broker.external_connected(
                    _BeginningAgain(reader, ahead), StreamWriterAdapter(writer), LISTENER
                )
        writer.close()

    await broker.start()
    try:
        async with await asyncio.start_server(connected, host, port):
            yield
    finally:
        await broker.shutdown()


async def _connect_packet_head(reader: asyncio.StreamReader) -> bytes:
    """The packet's type, its length (1 to 4 bytes), the protocol's name and level."""
    head = await reader.readexactly(2)
    while head[-1] & 0x80 and len(head) < 5:
        head += await reader.readexactly(1)
    return head + await reader.readexactly(len(_MQTT_5_FOLLOWS))
