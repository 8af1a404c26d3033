"""Sends a node's frames when their time has come: through a pseudo-terminal or a broker.

A frame is due at a moment of the run's clock, which in the demo runs faster than the wall's. A
player that finds itself late sends at once, as a device with a full buffer would.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import sys
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import aiomqtt

from dashboard.demo.broker import HOST
from dashboard.demo.nodes import Frame
from logger.errors import SourceUnavailable
from logger.operating_system import run_on_sockets
from logger.sources.arrival import Clock

LONGEST_NAP_S = 0.05
PATIENCE_S = 0.5
"""A serial line waits for nobody: what can't be written in this time is lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PseudoTerminal:
    """A serial line that exists in this machine's memory.

    Attributes:
        node_end: file descriptor that the node writes to.
        port: the name by which the recorder opens the other end.
    """

    node_end: int
    port: str


@contextlib.contextmanager
def pseudo_terminal() -> Iterator[PseudoTerminal]:
    """Opens a pseudo-terminal that passes every byte unchanged.

    Raises:
        SourceUnavailable: on systems that have none.
    """
    if sys.platform == "win32":
        raise SourceUnavailable(
            where="demo, serial line",
            what="the demo needs a pseudo-terminal, which Windows does not have",
            would_do="run it on Linux or macOS; recorded runs open here too",
        )
    import pty  # noqa: PLC0415 - not there on Windows
    import tty  # noqa: PLC0415 - not there on Windows

    node_end, recorder_end = pty.openpty()
    try:
        tty.setraw(recorder_end)
        os.set_blocking(node_end, False)
        yield PseudoTerminal(node_end=node_end, port=os.ttyname(recorder_end))
    finally:
        os.close(node_end)
        os.close(recorder_end)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """When a frame is due.

    Attributes:
        clock: the run's clock.
        speed: how many times faster than the wall's it runs.
        stop: ends the sending.
    """

    clock: Clock
    speed: float
    stop: threading.Event

    def nap_s(self, due_ns: int) -> float:
        """Wall time to sleep before looking again, s; 0 where the frame is due."""
        if self.stop.is_set():
            return 0.0
        wait_s = (due_ns - self.clock()) / 1e9 / self.speed
        return min(max(wait_s, 0.0), LONGEST_NAP_S)


def play_to_serial(frames: Iterable[Frame], line: PseudoTerminal, pace: Pace) -> int:
    """Sends frames into a serial line until they or the demo end.

    Returns:
        How many were sent whole.
    """
    sent = 0
    for frame in frames:
        while (nap_s := pace.nap_s(frame.sent_ns)) > 0:
            pace.stop.wait(nap_s)
        if pace.stop.is_set():
            break
        sent += _write(line.node_end, frame.payload)
    return sent


def _write(descriptor: int, payload: bytes) -> bool:
    rest = memoryview(payload)
    while rest:
        _, writable, _ = select.select([], [descriptor], [], PATIENCE_S)
        if not writable:
            return False
        with contextlib.suppress(BlockingIOError):
            rest = rest[os.write(descriptor, rest) :]
    return True


def play_to_broker(frames: Iterable[Frame], *, port: int, topic: str, pace: Pace) -> int:
    """Publishes frames at QoS 1 until they or the demo end.

    Returns:
        How many the broker has acknowledged.

    Raises:
        SourceUnavailable: where the broker can't be reached or goes away.
    """
    try:
        return run_on_sockets(_publish(frames, port=port, topic=topic, pace=pace))
    except aiomqtt.MqttError as exc:
        raise SourceUnavailable(where=f"demo, broker on port {port}", what=str(exc)) from exc


async def _publish(frames: Iterable[Frame], *, port: int, topic: str, pace: Pace) -> int:
    published = 0
    async with aiomqtt.Client(HOST, port, identifier="demo-wheels") as client:
        for frame in frames:
            while (nap_s := pace.nap_s(frame.sent_ns)) > 0:  # noqa: ASYNC110 - waits for a time
                await asyncio.sleep(nap_s)
            if pace.stop.is_set():
                break
            await client.publish(topic, frame.payload, qos=1)
            published += 1
    return published
