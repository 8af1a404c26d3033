"""A login that tries what it may do at a broker: come in, publish, read.

It comes under a name of its own, so it throws nobody out of a session, and what it publishes is a
pack without a reading, which no recorder takes for one. Whether a broker refused to publish is
told by MQTT 5 alone; 3.1.1 acknowledges what it throws away. Whether it refused to read is seen
from what comes: brokers grant a subscription and then deliver nothing.
"""

from __future__ import annotations

import queue
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from logger.errors import SlewtraceError
from logger.readings.rig_file import Source as SourceTable
from logger.sources.broker_access import tls_trusting
from logger.sources.broker_client import CONNECT_WITHIN_S, broker_at

ANSWER_WITHIN_S = 5.0
FAILURE = 0x80
"""Reason codes from here on are refusals (MQTT 5.0, 2.4)."""
NOT_REFUSED_FOR_THE_LOGIN = (0x84, 0x88, 0x89, 0x97, 0x9C, 0x9D, 0x9F)
"""Version not spoken, server away or busy, quota, moved, too fast: these say nothing of a login."""

NO_READING = b'[{"bn":"slewtrace-probe/"}]'
"""A pack of base fields only (RFC 8428, 4.5.1)."""


class Unanswered(SlewtraceError):
    """The broker did not answer, so nothing can be told."""


class BrokerProbe:
    """A connection that tries things; made by :func:`probing`."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._answers: queue.Queue[tuple[str, int]] = queue.Queue()
        self._heard: queue.Queue[tuple[str, bytes]] = queue.Queue()
        client.on_connect = self._connected
        client.on_publish = self._published
        client.on_subscribe = self._subscribed
        client.on_message = self._came

    def comes_in(self) -> bool:
        """Whether the broker lets the login in.

        Raises:
            Unanswered: where it says neither.
        """
        code = self._answer("connect")
        if code in NOT_REFUSED_FOR_THE_LOGIN:
            raise Unanswered(f"the broker answered {code:#x}")
        return code < FAILURE

    def may_publish(self, topic: str, payload: bytes = NO_READING) -> bool:
        """Whether the broker takes a message on a topic.

        Raises:
            Unanswered: where it says neither.
        """
        self._client.publish(topic, payload, qos=1)
        return self._answer("publish") < FAILURE

    def subscribe(self, topic: str) -> bool:
        """Whether the broker grants a subscription; that does not say that it delivers.

        Raises:
            Unanswered: where it says neither.
        """
        self._client.subscribe(topic, qos=1)
        return self._answer("subscribe") < FAILURE

    def hears(self, topic: str, payload: bytes | None = None, *, within_s: float) -> bool:
        """Whether a message comes on a topic.

        Args:
            topic: the topic.
            payload: only this message counts, where given.
            within_s: how long to wait, s.
        """
        end_s = time.monotonic() + within_s
        while (rest_s := end_s - time.monotonic()) > 0:
            try:
                came = self._heard.get(timeout=rest_s)
            except queue.Empty:
                return False
            if came[0] == topic and payload in (None, came[1]):
                return True
        return False

    def _answer(self, to: str) -> int:
        end_s = time.monotonic() + ANSWER_WITHIN_S
        while (rest_s := end_s - time.monotonic()) > 0:
            try:
                kind, code = self._answers.get(timeout=rest_s)
            except queue.Empty:
                break
            if kind == to:
                return code
        raise Unanswered(f"no answer within {ANSWER_WITHIN_S:g} s")

    def _connected(self, *given: Any) -> None:
        self._answers.put(("connect", _code(given)))

    def _published(self, *given: Any) -> None:
        self._answers.put(("publish", _code(given)))

    def _subscribed(
        self, _client: Client, _data: Any, _mid: int, codes: list[ReasonCode], _more: Properties
    ) -> None:
        self._answers.put(("subscribe", max(c.value for c in codes)))

    def _came(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self._heard.put((message.topic, bytes(message.payload)))


@contextmanager
def probing(
    source: SourceTable, *, user: str | None, password: str | None
) -> Iterator[BrokerProbe]:
    """Connects to a source's broker as somebody.

    Args:
        source: the source's table in the rig file, for ``url`` and ``ca``.
        user: the login's name, or None to come without.
        password: its password.

    Yields:
        The connection, of which nothing is known yet but that it was begun.

    Raises:
        Unanswered: where the broker can't be reached.
        SourceUnavailable: where ``ca`` can't be used.
    """
    broker = broker_at(source.url or "")
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"slewtrace-probe-{secrets.token_hex(6)}",
        protocol=MQTTv5,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_WITHIN_S
    if user is not None:
        client.username_pw_set(user, password)
    if broker.tls:
        client.tls_set_context(tls_trusting(source.ca, where=f"source {source.id!r}"))
    probe = BrokerProbe(client)
    try:
        client.connect(broker.host, broker.port)
    except OSError as exc:
        raise Unanswered(str(exc)) from exc
    client.loop_start()
    try:
        yield probe
    finally:
        client.disconnect()
        client.loop_stop()
        left = client.socket()
        if left is not None:  # the thread ended before it had said good-bye
            left.close()


def _code(given: tuple[Any, ...]) -> int:
    """The reason code among what paho hands to a callback."""
    return next(g.value for g in given if isinstance(g, ReasonCode))
