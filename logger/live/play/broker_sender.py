"""Publishes a source's frames at a broker with QoS 1, as its device did: under its own login.

Several messages are under way at a time, in the order of their counts; at the end every one of
them has been acknowledged, or that is an error.
"""

from __future__ import annotations

import asyncio
import logging
import queue
import secrets
from collections.abc import Mapping
from functools import partial

import aiomqtt

from logger.errors import SourceUnavailable
from logger.live.play.frames import Frame
from logger.live.play.pace import Ahead, Pace
from logger.live.play.sent import Sent
from logger.operating_system import run_on_sockets
from logger.readings.rig_file import Source as SourceTable
from logger.sources.broker_access import password_of, tls_trusting
from logger.sources.broker_client import broker_at

IN_FLIGHT = 20
ACKNOWLEDGED_WITHIN_S = 30.0
CONNECT_WITHIN_S = 5.0
_LOOK_EVERY_S = 0.002


class BrokerSender:
    """What publishes the frames of one source.

    Args:
        table: where to, as a source's table: ``url``, ``topic``, ``user``, ``ca`` and where the
            password is.
        environment: where passwords may be.

    Raises:
        SourceUnavailable: where the password or ``ca`` can't be used.
    """

    def __init__(self, table: SourceTable, environment: Mapping[str, str]) -> None:
        self._where = f"source {table.id!r}"
        self._topic = table.topic or ""
        self._broker = broker_at(table.url or "")
        tls = tls_trusting(table.ca, where=self._where) if self._broker.tls else None
        self._make_client = partial(
            aiomqtt.Client,
            self._broker.host,
            self._broker.port,
            identifier=f"slewtrace-play-{table.id}-{secrets.token_hex(4)}",
            username=table.user,
            password=password_of(table, environment, where=self._where),
            tls_context=tls,
            timeout=CONNECT_WITHIN_S,
            logger=_silent_log(),
        )

    def run(self, frames: Ahead, pace: Pace, sent: Sent, ready: queue.Queue[None]) -> None:
        """Connects, says so, and publishes all frames when they are due.

        Args:
            frames: what to send.
            pace: when.
            sent: counts what was acknowledged.
            ready: gets an item when it is connected.

        Raises:
            SourceUnavailable: where the broker can't be reached, refuses, or goes away.
        """
        try:
            run_on_sockets(self._run(frames, pace, sent, ready))
        except* (aiomqtt.MqttError, OSError) as group:
            cause = _first(group)
            raise SourceUnavailable(
                where=self._where,
                what=f"the broker at {self._broker}: {cause} "
                f"({sent.frames} messages were acknowledged)",
                would_do="see that it runs, and 'user', password and its rules for the topic",
            ) from cause

    async def _run(self, frames: Ahead, pace: Pace, sent: Sent, ready: queue.Queue[None]) -> None:
        async with self._make_client() as client, asyncio.TaskGroup() as under_way:
            publish = partial(client.publish, self._topic, qos=1, timeout=ACKNOWLEDGED_WITHIN_S)
            ready.put(None)
            places = asyncio.Semaphore(IN_FLIGHT)
            while (frame := await _next(frames, pace)) is not None:
                while (nap_s := pace.nap_s(frame.due_ns)) > 0:  # noqa: ASYNC110 - waits for a time
                    await asyncio.sleep(nap_s)
                await places.acquire()
                if pace.stop.is_set():
                    return
                task = under_way.create_task(publish(payload=frame.payload))
                late_s = pace.late_s(frame.due_ns)
                task.add_done_callback(partial(_done, frame, late_s, sent, places))


def _done(
    frame: Frame, late_s: float, sent: Sent, places: asyncio.Semaphore, task: asyncio.Task[None]
) -> None:
    """Counts a message that the broker has acknowledged; what failed ends the group by itself."""
    places.release()
    if not task.cancelled() and task.exception() is None:
        sent.count(frame, late_s=late_s, taken=True)


async def _next(frames: Ahead, pace: Pace) -> Frame | None:
    """The next frame once the playing has begun; None after the last, or where it is stopped."""
    while not pace.stop.is_set():
        if pace.begun.is_set():
            try:
                return frames.get_now()
            except queue.Empty:
                pass
        await asyncio.sleep(_LOOK_EVERY_S)
    return None


def _first(group: BaseExceptionGroup[BaseException]) -> BaseException:
    first = group.exceptions[0]
    return _first(first) if isinstance(first, BaseExceptionGroup) else first


def _silent_log() -> logging.Logger:
    """A log for the client that nobody reads: what matters is told otherwise."""
    log = logging.getLogger(f"{__name__}.client")
    log.propagate = False
    if not log.handlers:
        log.addHandler(logging.NullHandler())
    return log
