"""The state of the alarms as a retained topic of a broker, for whoever comes by.

The payload is one SenML pack (RFC 8428): the record ``alarm`` holds the loudest state as text,
and each condition that stands has its own, such as ``alarm/wheel/rear_left``, with ``/active``
and ``/acknowledged`` beside it. The pack is sent again each second, with its time and ``ut``,
the longest time until the next one, so that a reader sees its age; QoS 1, retained. The last
will says ``unknown``: a recorder that is gone leaves no "all clear" behind. After a sealed run
the state is ``ended``.

Paho is driven from the output's own thread, with a new client for each connection: a client
that reconnects by itself sends again what was not acknowledged, after what is newer, and would
leave an old state retained. (An asyncio client would need a loop in this thread for one message
a second.) A broker that acknowledges nothing for some seconds counts as lost: a connection may
look alive long after it is dead.
"""

from __future__ import annotations

import json
import re
import socket
import time
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from paho.mqtt.client import Client, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from logger.errors import SourceUnavailable
from logger.live.alarm_view import AlarmView
from logger.live.announcing import Event
from logger.live.output_reports import OutputReports
from logger.readings.output_tables import BrokerTopic
from logger.sources.broker_access import password_of, tls_trusting
from logger.sources.broker_client import broker_at, no_connection, refused

HEARTBEAT_S = 1.0
EARLY_S = 0.1
"""A beat that comes this much early is taken: the next one would be late."""
NEXT_WITHIN_S = 2
KEEPALIVE_S = 5
CONNECT_WITHIN_S = 2.0
ACKNOWLEDGED_WITHIN_S = 3.0
FIRST_RETRY_S = 0.5
LONGEST_RETRY_S = 5.0
_TURN_S = 0.05
WHERE = "[alarm] mqtt"


def alarm_pack(view: AlarmView, *, utc_s: float) -> bytes:
    """The state as a SenML pack.

    Args:
        view: what stands.
        utc_s: now, seconds since 1970.
    """
    records: list[dict[str, Any]] = [
        {"bt": round(utc_s, 3), "n": "alarm", "vs": view.word, "ut": NEXT_WITHIN_S}
    ]
    for change in view.standing:
        name = f"alarm/{re.sub(r'[^A-Za-z0-9:._/-]', '-', change.condition)}"
        records += [
            {"n": name, "vs": str(change.state)},
            {"n": f"{name}/active", "vb": change.active},
            {"n": f"{name}/acknowledged", "vb": change.acknowledged},
            {"n": f"{name}/text", "vs": change.text},
        ]
    return json.dumps(records, ensure_ascii=False).encode()


LAST_WILL = json.dumps(
    [
        {"n": "alarm", "vs": "unknown"},
        {"n": "alarm/text", "vs": "the recorder is gone"},
    ]
).encode()


class AlarmTopic:
    """Publishes the state; all calls come from one thread.

    Args:
        table: the ``mqtt`` of the rig file's ``[alarm]``.
        view: what is to be shown.
        reports: told where the broker is lost and when it is back.
        client_id: the same at each start, so that the broker ends a connection of ours that
            is half dead, and sends its will before what we say next.
        environment: where the password is.
    """

    def __init__(
        self,
        table: BrokerTopic,
        view: AlarmView,
        reports: OutputReports,
        *,
        client_id: str,
        environment: Mapping[str, str],
    ) -> None:
        self._table = table
        self._broker = broker_at(table.url)
        self._view = view
        self._reports = reports
        self._client_id = client_id
        self._environment = environment
        self._client: Client | None = None
        self._answer: ReasonCode | None = None
        self._sent: dict[int, float] = {}
        self._said: tuple[object, ...] = ()
        self._said_at_s = 0.0
        self._retry_at_s = 0.0
        self._retry_s = FIRST_RETRY_S

    def open(self) -> None:
        """Connects and publishes the state for the first time.

        Raises:
            SourceUnavailable: where the broker can't be reached or refuses us.
        """
        try:
            self._connect()
        except OSError as exc:
            raise no_connection(exc, self._broker, where=WHERE) from exc
        self._say()

    def take(self, event: Event) -> None:
        """Takes the next event, and publishes where it changes what stands."""
        self._view.take(event)
        if self._news:
            self._send()

    def beat(self) -> None:
        """Publishes the state again where its second is over, and looks for a lost broker."""
        if self._client is not None and not self._turn():
            self._lose("no answer from the broker")
        due = time.monotonic() - self._said_at_s >= HEARTBEAT_S - EARLY_S
        if due or self._news:
            self._send()

    def close(self) -> None:
        """Publishes the last state, which is unknown but for a sealed run, and leaves."""
        self._view.fail()
        client = self._client
        if client is None:
            return
        last = self._say()
        until_s = time.monotonic() + 1.0
        while last in self._sent and time.monotonic() < until_s and self._turn(_TURN_S):
            pass
        if last not in self._sent:
            client.disconnect()
            with suppress(OSError, ValueError):
                client.loop(_TURN_S)
        self._drop()  # without the acknowledgement, the last will is left to speak

    @property
    def _news(self) -> bool:
        return self._said != (self._view.word, self._view.standing)

    def _send(self) -> None:
        if self._client is None and not self._found_again():
            return
        self._say()
        if not self._turn():
            self._lose("the connection ended")

    def _say(self) -> int:
        """Publishes; the number of the message, -1 where there is no connection."""
        if self._client is None:
            return -1
        payload = alarm_pack(self._view, utc_s=time.time())
        sent: MQTTMessageInfo = self._client.publish(self._table.topic, payload, qos=1, retain=True)
        self._sent[sent.mid] = self._said_at_s = time.monotonic()
        self._said = (self._view.word, self._view.standing)
        return sent.mid

    def _turn(self, wait_s: float = 0.0) -> bool:
        """Reads and writes what there is; False where the connection is lost."""
        if self._client is None:
            return False
        try:
            code = self._client.loop(wait_s)
        except (OSError, ValueError):  # paho selects on a socket that has just gone
            return False
        oldest_s = min(self._sent.values(), default=time.monotonic())
        silent = time.monotonic() - oldest_s > ACKNOWLEDGED_WITHIN_S
        return code == MQTTErrorCode.MQTT_ERR_SUCCESS and not silent

    def _lose(self, text: str) -> None:
        self._drop()
        self._reports.lost(f"{self._broker}: {text}")

    def _found_again(self) -> bool:
        now_s = time.monotonic()
        if now_s < self._retry_at_s:
            return False
        try:
            self._connect()
        except (OSError, SourceUnavailable):
            self._retry_at_s = time.monotonic() + self._retry_s
            self._retry_s = min(2 * self._retry_s, LONGEST_RETRY_S)
            return False
        self._retry_s = FIRST_RETRY_S
        self._reports.back(f"{self._broker} is there again")
        return True

    def _connect(self) -> None:
        client = self._new_client()
        self._client, self._answer = client, None
        try:
            client.connect(self._broker.host, self._broker.port, keepalive=KEEPALIVE_S)
            until_s = time.monotonic() + CONNECT_WITHIN_S
            while self._answer is None and time.monotonic() < until_s and self._turn(_TURN_S):
                pass
        except OSError:
            self._drop()
            raise
        except UnicodeError as exc:  # a host name that can't be asked for, such as 'a..b'
            self._drop()
            raise socket.gaierror(str(exc)) from exc
        if self._answer is None:
            self._drop()
            raise TimeoutError
        if self._answer.is_failure:
            self._drop()
            raise refused(self._answer, self._broker, where=WHERE)

    def _drop(self) -> None:
        client, self._client = self._client, None
        self._sent.clear()
        self._said = ()
        if client is not None and (sock := client.socket()) is not None:
            sock.close()

    def _new_client(self) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2, client_id=self._client_id, reconnect_on_failure=False
        )
        client.connect_timeout = CONNECT_WITHIN_S
        client.will_set(self._table.topic, LAST_WILL, qos=1, retain=True)
        if self._table.user is not None:
            password = password_of(self._table, self._environment, where=WHERE)
            client.username_pw_set(self._table.user, password)
        if self._broker.tls:
            client.tls_set_context(tls_trusting(self._table.ca, where=WHERE))
        client.on_connect = self._connected
        client.on_publish = self._published
        return client

    def _connected(
        self, _client: Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        self._answer = reason

    def _published(
        self, _client: Client, _data: Any, mid: int, _reason: ReasonCode, _properties: Any
    ) -> None:
        self._sent.pop(mid, None)
