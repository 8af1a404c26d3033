"""One session at a broker, driven by one thread: join, take turns, join again, leave.

Paho is used through its interface for outside event loops, so that everything but ``wake``
happens in the one thread: no acknowledgement can slip from one connection into the next.
"""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from paho.mqtt.client import Client, MQTTMessage, MQTTv5, MQTTv311
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from logger.errors import SourceUnavailable
from logger.readings.rig_file import Source as SourceTable
from logger.sources.broker_client import (
    CONNECT_WITHIN_S,
    broker_at,
    connect,
    forget_session_properties,
    make_client,
    no_connection,
    refused,
)

_UNSUPPORTED = "Unsupported protocol version"
_QOS = 1


class BrokerLink:
    """A session at a broker, subscribed to one topic.

    Attributes:
        broker: where the broker is.

    Args:
        source: the source's table in the rig file.
        client_id: the name of the session at the broker.
        password: the password, or None.
        on_connected: told of each new connection, and whether it resumed the session, before
            the first message on it.
        on_message: takes each message. Both are called in the thread that takes the turns.
    """

    def __init__(
        self,
        source: SourceTable,
        *,
        client_id: str,
        password: str | None,
        on_connected: Callable[[bool], None],
        on_message: Callable[[MQTTMessage], None],
    ) -> None:
        self.broker = broker_at(source.url or "")
        self._source = source
        self._client_id = client_id
        self._password = password
        self._on_connected = on_connected
        self._on_message = on_message
        self._where = f"source {source.id!r}"
        self._client: Client | None = None
        self._answer: ReasonCode | None = None
        self._granted: ReasonCode | None = None
        self._resumed = False
        self._wake_in, self._wake_out = socket.socketpair()
        for end in (self._wake_in, self._wake_out):
            end.setblocking(False)

    def join(self) -> None:
        """Connects with a new session and subscribes.

        A clean connection goes before, to make the broker forget an earlier session. One
        connection that starts clean and then keeps its session would be shorter, but mosquitto
        2.0 does not keep such a session over its own restart (tried with 2.0.11).

        Raises:
            SourceUnavailable: saying why the broker can't be used.
        """
        try:
            protocol = MQTTv5 if self._connect(MQTTv5, clean=True) else MQTTv311
            if protocol == MQTTv5:
                self._disconnect(self._connected_client())
            else:
                self._forget_session()
            self._connect(protocol, clean=False)
            self._subscribe()
        except OSError as exc:
            raise no_connection(exc, self.broker, where=self._where) from exc

    def rejoin(self) -> bool:
        """Connects again, once.

        Returns:
            Whether the session was resumed; where not, the broker kept no message for us.

        Raises:
            OSError: where there is no connection.
            SourceUnavailable: where the broker refuses us.
        """
        client = self._connected_client()
        self._answer = None
        client.reconnect()
        self._await(lambda: self._answer is not None)
        if self._answer is None or self._answer.is_failure:
            raise self._refusal()
        if not self._resumed:
            self._subscribe()
        return self._resumed

    def turn(self, wait_s: float) -> bool:
        """Waits for something to do and does it.

        Args:
            wait_s: longest wait; ``wake`` ends it.

        Returns:
            Whether the connection is still there.
        """
        client = self._connected_client()
        sock = client.socket()
        if sock is None:
            return False
        buffered = bool(getattr(sock, "pending", lambda: 0)())  # TLS keeps whole records back
        readable, writable, _ = select.select(
            [sock, self._wake_in],
            [sock] if client.want_write() else [],
            [],
            0 if buffered else wait_s,
        )
        if self._wake_in in readable:
            with suppress(BlockingIOError):
                self._wake_in.recv(4096)
        code = MQTTErrorCode.MQTT_ERR_SUCCESS
        if buffered or sock in readable:
            code = client.loop_read()
        if code == MQTTErrorCode.MQTT_ERR_SUCCESS and sock in writable:
            code = client.loop_write()
        if code == MQTTErrorCode.MQTT_ERR_SUCCESS:
            code = client.loop_misc()
        return code == MQTTErrorCode.MQTT_ERR_SUCCESS and client.socket() is not None

    def wake(self) -> None:
        """Ends the wait of a turn; from any thread."""
        with suppress(OSError):
            self._wake_out.send(b".")

    def acknowledge(self, mid: int) -> None:
        """Acknowledges a message of this connection."""
        self._connected_client().ack(mid, _QOS)

    def leave(self) -> None:
        """Gives the session up and disconnects; never raises."""
        client = self._client
        with suppress(OSError, SourceUnavailable):
            if client is not None and client.socket() is not None:
                self._disconnect(client)
                if client.protocol == MQTTv311:
                    self._forget_session()
        self._wake_in.close()
        self._wake_out.close()

    def _connect(self, protocol: MQTTProtocolVersion, *, clean: bool) -> bool:
        """Connects; False where the broker may be one that speaks only 3.1.1."""
        self._client = client = make_client(
            self._source,
            client_id=self._client_id,
            protocol=protocol,
            password=self._password,
            clean=clean,
        )
        client.on_connect = self._connected
        client.on_subscribe = self._subscribed
        client.on_message = self._message
        self._answer = None
        connect(client, self.broker, clean=clean)
        self._await(lambda: self._answer is not None)
        if self._answer is None:
            if protocol == MQTTv5 and client.socket() is None:
                return False
            raise self._refusal()
        if self._answer.is_failure:
            if protocol == MQTTv5 and self._answer.getName() == _UNSUPPORTED:
                return False
            raise self._refusal()
        return True

    def _forget_session(self) -> None:
        """A broker drops a session when its owner connects for a clean one."""
        self._connect(MQTTv311, clean=True)
        self._disconnect(self._connected_client())

    def _disconnect(self, client: Client) -> None:
        v5 = client.protocol == MQTTv5
        client.disconnect(properties=forget_session_properties() if v5 else None)
        self._await(lambda: client.socket() is None, within_s=1.0)

    def _subscribe(self) -> None:
        self._granted = None
        try:
            self._connected_client().subscribe(self._source.topic or "", qos=_QOS)
        except ValueError as exc:
            raise SourceUnavailable(
                where=f"{self._where}, topic",
                what=f"{self._source.topic!r} is no topic to subscribe to",
                would_do="'+' stands for one whole level, '#' for all the rest, at the end",
            ) from exc
        self._await(lambda: self._granted is not None)
        if self._granted is None or self._granted.is_failure:
            said = self._granted.getName() if self._granted else "no answer"
            raise SourceUnavailable(
                where=f"{self._where}, topic",
                what=f"the broker at {self.broker} does not give {self._source.topic!r}: {said}",
                would_do="let the broker's access list grant it to this user",
            )

    def _await(self, done: Callable[[], bool], *, within_s: float = CONNECT_WITHIN_S) -> None:
        deadline_s = time.monotonic() + within_s
        while not done() and (left_s := deadline_s - time.monotonic()) > 0:
            if not self.turn(left_s):
                return

    def _refusal(self) -> SourceUnavailable:
        if self._answer is not None:
            return refused(self._answer, self.broker, where=self._where)
        if self._connected_client().socket() is not None:
            return no_connection(TimeoutError(), self.broker, where=self._where)
        return SourceUnavailable(
            where=self._where,
            what=f"{self.broker} closed the connection without an answer",
            would_do="for a broker with TLS write 'mqtts://'; else see that it speaks MQTT",
        )

    def _connected_client(self) -> Client:
        if self._client is None:
            raise ValueError("join first")
        return self._client

    def _connected(
        self, _client: Client, _data: Any, flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        self._answer = reason
        self._resumed = bool(flags.session_present)
        if not reason.is_failure:
            self._on_connected(self._resumed)

    def _subscribed(
        self, _client: Client, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        self._granted = reasons[0]

    def _message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self._on_message(message)
