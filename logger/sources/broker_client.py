"""A paho client for a source of the rig file, and what its errors mean in words.

MQTT 5 where the broker speaks it, because it lets us say two things: how long the broker keeps
messages while we are away, and that we take many messages before we acknowledge the first.
Without the last, some brokers send no more than 20 ahead, which at a commit every 75 ms is at most
270 a second. Else MQTT 3.1.1, where it is so: with mosquitto 2.0 no more than 20 messages of
QoS 1 come between two commits.
"""

from __future__ import annotations

import socket
import ssl
from dataclasses import dataclass
from typing import Any, Protocol, cast
from urllib.parse import urlsplit

from paho.mqtt.client import Client, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from logger.errors import SourceUnavailable
from logger.readings.rig_file import Source as SourceTable
from logger.sources.broker_socket import BrokerSocket
from logger.sources.mqtt_packets import PacketSplitter

CONNECT_WITHIN_S = 5.0
KEEPALIVE_S = 10
"""A broker that hears nothing from us for one and a half times this takes us for gone."""

SESSION_KEPT_S = 3600
RECEIVE_MAXIMUM = 20_000
LOGIN_REFUSED = ("Bad user name or password", "Not authorized")
"""What paho calls the answers to a user or password that won't do."""

_PORTS = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where a broker is.

    Attributes:
        host: name or address.
        port: TCP port.
        tls: whether the connection is encrypted.
    """

    host: str
    port: int
    tls: bool

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSession:
    """A session at a broker, which the broker gives to whoever came for it last.

    Attributes:
        where: the part of the rig file that asks for it, for an error.
        broker: where the broker is.
        client_id: its name there.
    """

    where: str
    broker: Broker
    client_id: str


def broker_at(url: str) -> Broker:
    """The broker of a URL, ``mqtt://host[:port]`` or ``mqtts://host[:port]``."""
    parts = urlsplit(url)
    return Broker(
        host=parts.hostname or "",
        port=parts.port or _PORTS[parts.scheme],
        tls=parts.scheme == "mqtts",
    )


class _Tls(ssl.SSLContext):
    """TLS that remembers its last socket, since paho leaves it open when a handshake fails."""

    last: ssl.SSLSocket | None = None

    def wrap_socket(self, *args: Any, **options: Any) -> ssl.SSLSocket:
        self.last = super().wrap_socket(*args, **options)
        return self.last

    @classmethod
    def trusting(cls, ca: str | None) -> _Tls:
        """Trusts an authority's certificate file, or the system's authorities."""
        tls = cls(ssl.PROTOCOL_TLS_CLIENT)
        if ca is None:
            tls.load_default_certs()
        else:
            tls.load_verify_locations(ca)
        return tls


class BrokerClient(Client):
    """A paho client that leaves publications to us, and closes what it opened when it fails.

    Attributes:
        tls: what encrypts the connection, or None.
        link: the connection opened last.
    """

    tls: _Tls | None = None
    link: BrokerSocket | None = None

    def _create_socket(self) -> BrokerSocket:
        splitter = PacketSplitter(has_properties=self.protocol == MQTTv5)
        self.link = BrokerSocket(cast("socket.socket", super()._create_socket()), splitter)
        return self.link

    def reconnect(self) -> MQTTErrorCode:
        """Connects; also what ``connect`` comes down to.

        Raises:
            OSError: where there is no connection.
        """
        try:
            return super().reconnect()
        except OSError:
            if self.tls is not None and self.tls.last is not None:
                self.tls.last.close()
            raise


def make_client(
    source: SourceTable,
    *,
    client_id: str,
    protocol: MQTTProtocolVersion,
    password: str | None,
    clean: bool,
) -> BrokerClient:
    """A client that is not connected yet.

    Args:
        source: the source's table in the rig file.
        client_id: the same at each start, so that the broker knows our session.
        protocol: MQTT 5 or 3.1.1.
        password: the password, or None.
        clean: whether the session begins and ends with the connection.

    Raises:
        SourceUnavailable: where the CA certificate can't be used.
    """
    client = BrokerClient(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=protocol,
        clean_session=clean if protocol == MQTTv311 else None,
        manual_ack=True,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_WITHIN_S
    if source.user is not None:
        client.username_pw_set(source.user, password)
    if broker_at(source.url or "").tls:
        try:
            client.tls = _Tls.trusting(source.ca)
        except (OSError, ValueError) as exc:
            raise SourceUnavailable(
                where=f"source {source.id!r}, ca",
                what=f"{source.ca!r} is no CA certificate: {exc}",
                would_do="give the PEM file of the authority that signed the broker's certificate",
            ) from exc
        client.tls_set_context(client.tls)
    return client


def connect(client: Client, broker: Broker, *, clean: bool) -> None:
    """Opens the connection and sends CONNECT; the answer is not waited for.

    Args:
        client: a client not connected yet.
        broker: where to.
        clean: whether the session begins and ends with the connection.

    Raises:
        OSError: where there is no connection.
    """
    if client.protocol == MQTTv5:
        client.connect(
            broker.host,
            broker.port,
            keepalive=KEEPALIVE_S,
            clean_start=clean,
            properties=None if clean else _session_properties(),
        )
    else:
        client.connect(broker.host, broker.port, keepalive=KEEPALIVE_S)


def _session_properties() -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
    properties.SessionExpiryInterval = SESSION_KEPT_S
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    return properties


def forget_session_properties() -> Properties:
    """For the DISCONNECT that ends a session of MQTT 5."""
    properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]  # as above
    properties.SessionExpiryInterval = 0
    return properties


def no_connection(exc: OSError, broker: Broker, *, where: str) -> SourceUnavailable:
    """Why there is no connection, in words."""
    what, would_do = _in_words(exc, broker)
    return SourceUnavailable(where=where, what=what, would_do=would_do)


def _in_words(exc: OSError, broker: Broker) -> tuple[str, str]:  # noqa: PLR0911 - a table
    if isinstance(exc, ssl.SSLCertVerificationError):
        return (
            f"the certificate of {broker} is not trusted: {exc.verify_message}",
            "give the certificate of its authority with 'ca', and its name as it is certified",
        )
    if isinstance(exc, ssl.SSLError):
        return f"no TLS with {broker}: {exc}", "for a broker without TLS write 'mqtt://'"
    if isinstance(exc, socket.gaierror):
        return f"no host {broker.host!r} is known", "mend 'url' or write the address in numbers"
    if isinstance(exc, ConnectionRefusedError):
        return f"no broker listens at {broker}", "start it, or mend 'url'"
    if isinstance(exc, TimeoutError):
        return (
            f"{broker} does not answer within {CONNECT_WITHIN_S:g} s",
            "see that it is on, in this network and not behind a firewall",
        )
    if broker.tls and isinstance(exc, ConnectionError):
        return f"{broker} ended the TLS handshake", "for a broker without TLS write 'mqtt://'"
    return f"no connection to {broker}: {exc}", ""


class _Reason(Protocol):
    def getName(self) -> str: ...  # noqa: N802 - paho's name


def refused(reason: _Reason, broker: Broker, *, where: str) -> SourceUnavailable:
    """Why a broker refused us, in words."""
    name = reason.getName()
    would_do = ""
    if name in LOGIN_REFUSED:
        would_do = "see 'user', and what 'password_env' or 'password_file' names"
    return SourceUnavailable(
        where=where, what=f"the broker at {broker} refused us: {name}", would_do=would_do
    )
