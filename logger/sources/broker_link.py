"""One session at a broker, driven by one thread: join, take turns, join again, leave.

Paho is used through its interface for outside event loops, so that everything but ``wake``
happens in the one thread: no acknowledgement can slip from one connection into the next.
Publications are read beside paho (see ``mqtt_packets``).

A connection can be dead and look alive, when a switch or a radio link between us and the broker
goes. So a broker that has been silent for ``ASK_AFTER_S`` is asked whether it is there, and one
that still says nothing for ``ANSWER_WITHIN_S`` is given up. Any byte is an answer: under a flood
the answer to a ping waits behind thousands of messages. And a broker can be there and have
forgotten that we subscribed; so a topic that spoke and fell silent is subscribed anew, seldom.
"""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from math import inf
from typing import Any

from paho.mqtt.client import Client, MQTTv5, MQTTv311
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from logger.errors import FrameInvalid, SourceUnavailable
from logger.readings.rig_file import Source as SourceTable
from logger.sources.broker_client import (
    CONNECT_WITHIN_S,
    LOGIN_REFUSED,
    BrokerClient,
    broker_at,
    connect,
    forget_session_properties,
    make_client,
    no_connection,
    refused,
)
from logger.sources.broker_socket import BrokerSocket
from logger.sources.mqtt_packets import PINGREQ, Publication, puback

ASK_AFTER_S = 2.0
ANSWER_WITHIN_S = 2.0
HALF_OPEN_SHOWS_WITHIN_S = ASK_AFTER_S + ANSWER_WITHIN_S
SUBSCRIBE_ANEW_AFTER_S = 5.0
"""How long a topic that spoke may be silent before the first new subscription; then twice that."""

LONGEST_SUBSCRIBE_ANEW_S = 300.0
_WAKE_BYTES = 4096
_UNSUPPORTED = "Unsupported protocol version"
_TAKEN_OVER = 0x8E
"""Reason code of MQTT 5; a broker of 3.1.1 closes the connection without a word."""
_QOS = 1


class BrokerLink:
    """A session at a broker, subscribed to one topic.

    Attributes:
        broker: where the broker is.
        is_taken: whether the last connection ended because another client came for our session.

    Args:
        source: the source's table in the rig file.
        client_id: the name of the session at the broker.
        password: the password, or None.
        on_connected: told of each new connection, and whether it resumed the session, before
            the first message on it.
        on_messages: takes the messages of one read, in their order. Both are called in the
            thread that takes the turns.
    """

    def __init__(
        self,
        source: SourceTable,
        *,
        client_id: str,
        password: str | None,
        on_connected: Callable[[bool], None],
        on_messages: Callable[[list[Publication]], None],
    ) -> None:
        self.broker = broker_at(source.url or "")
        self.is_taken = False
        self._source = source
        self._client_id = client_id
        self._password = password
        self._on_connected = on_connected
        self._on_messages = on_messages
        self._where = f"source {source.id!r}"
        self._client: BrokerClient | None = None
        self._answer: ReasonCode | None = None
        self._granted: ReasonCode | None = None
        self._resumed = False
        self._asked_s: float | None = None
        self._subscribe_at_s = inf
        self._silence_s = SUBSCRIBE_ANEW_AFTER_S
        self._woken = False
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

    def is_let_in(self) -> bool:
        """Connects once, for a session that ends at once, and disconnects.

        Returns:
            Whether the broker lets us in; False where it wants another user or password.

        Raises:
            OSError: where there is no connection.
            SourceUnavailable: where the broker can't be used for another reason.
        """
        try:
            if not self._connect(MQTTv5, clean=True):
                self._connect(MQTTv311, clean=True)
        except SourceUnavailable:
            if self._answer is not None and self._answer.getName() in LOGIN_REFUSED:
                return False
            raise
        self._disconnect(self._connected_client())
        return True

    def rejoin(self) -> bool:
        """Connects again, once.

        Returns:
            Whether the session was resumed; where not, the broker kept no message for us.

        Raises:
            OSError: where there is no connection.
            SourceUnavailable: where the broker refuses us.
        """
        client = self._connected_client()
        self._answer = self._asked_s = None
        self.is_taken = False
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
        link = client.link
        if link is None or client.socket() is None:
            return False
        try:
            link.flush()
            if self._comes(link, wait_s, wants_write=client.want_write()):
                self._take_in(client, link)
            if client.want_write():
                client.loop_write()
            self._see_that_it_lives(link)
        except (OSError, FrameInvalid):
            self._hear_why(client, link)
            link.hang_up()
            client.loop_read()
        return client.socket() is not None

    def wake(self) -> None:
        """Ends the wait of a turn; from any thread."""
        if not self._woken:
            self._woken = True
            with suppress(OSError):
                self._wake_out.send(b".")

    def acknowledge(self, mid: int) -> None:
        """Acknowledges a message of this connection, with the next turn."""
        link = self._connected_client().link
        if link is not None:
            link.say(puback(mid))

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

    def _comes(self, link: BrokerSocket, wait_s: float, *, wants_write: bool) -> bool:
        """Waits until there is something to do; whether something came from the broker."""
        buffered = link.pending() > 0  # TLS keeps whole records back
        ends: list[BrokerSocket | socket.socket] = [link, self._wake_in]
        readable, _, _ = select.select(
            ends,
            ends[:1] if wants_write or link.has_unsent else [],
            [],
            0 if buffered else wait_s,
        )
        if self._wake_in in readable:
            with suppress(BlockingIOError):
                self._wake_in.recv(_WAKE_BYTES)
            self._woken = False
        return buffered or link in readable

    def _take_in(self, client: Client, link: BrokerSocket) -> None:
        """Gives what came to its takers, in its order."""
        publications: list[Publication] = []
        for packet in link.read():
            if isinstance(packet, Publication):
                publications.append(packet)
                continue
            if publications:
                self._hand_over(publications)
                publications = []
            link.hand_to_paho(packet)
            client.loop_read()
        if publications:
            self._hand_over(publications)

    def _hear_why(self, client: Client, link: BrokerSocket) -> None:
        """Reads on where we could not send: why the broker ended it may wait to be read."""
        with suppress(OSError, FrameInvalid):
            while packets := link.read():
                for packet in packets:
                    if not isinstance(packet, Publication):  # those come again
                        link.hand_to_paho(packet)
                        client.loop_read()

    def _hand_over(self, publications: list[Publication]) -> None:
        self._silence_s = SUBSCRIBE_ANEW_AFTER_S
        self._subscribe_at_s = time.monotonic() + self._silence_s
        self._on_messages(publications)

    def _see_that_it_lives(self, link: BrokerSocket) -> None:
        """Asks a broker that is silent, and gives up one that stays so.

        Raises:
            TimeoutError: where it said nothing after it was asked.
        """
        if self._answer is None:
            return  # it is still to say that we are connected, and has its own time for it
        now_s = time.monotonic()
        if self._asked_s is not None and link.heard_s > self._asked_s:
            self._asked_s = None
        if self._asked_s is not None:
            if now_s - self._asked_s > ANSWER_WITHIN_S:
                raise TimeoutError
        elif now_s - link.heard_s > ASK_AFTER_S:
            self._asked_s = now_s
            link.say(PINGREQ)
        elif now_s - link.spoke_s > self._connected_client().keepalive / 2:
            link.say(PINGREQ)
        link.flush()
        if now_s > self._subscribe_at_s:
            self._silence_s = min(2 * self._silence_s, LONGEST_SUBSCRIBE_ANEW_S)
            self._subscribe_at_s = now_s + self._silence_s
            self._send_subscribe(again=True)

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
        client.on_disconnect = self._disconnected
        self._answer = self._asked_s = None
        self.is_taken = False
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
            self._send_subscribe()
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

    def _send_subscribe(self, *, again: bool = False) -> None:
        client, topic = self._connected_client(), self._source.topic or ""
        if client.protocol == MQTTv5:
            kept = SubscribeOptions.RETAIN_DO_NOT_SEND if again else 0
            client.subscribe(topic, options=SubscribeOptions(qos=_QOS, retainHandling=kept))
        else:
            client.subscribe(topic, qos=_QOS)

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

    def _connected_client(self) -> BrokerClient:
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

    def _disconnected(
        self, _client: Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        self.is_taken = reason.value == _TAKEN_OVER

    def _subscribed(
        self, _client: Client, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        self._granted = reasons[0]
