"""Which keys of a ``[[source]]`` go together: a line for each kind of source and wire format.

A kind of source is opened by what stands in ``logger/sources/opening.py`` under its name. The
wire format ``NAME`` is decoded by the module ``logger/sources/wire_formats/NAME.py``.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceKind:
    """One kind of source.

    Attributes:
        needs: keys that must be there.
        one_of: keys of which exactly one must be there.
        own: keys that no other kind takes.
        decodes: whether its frames are of a wire format.
        held_back_s: how late a reading may arrive that tells no uptime, s.
    """

    needs: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()
    own: tuple[str, ...] = ()
    decodes: bool = True
    held_back_s: float


SOURCE_KINDS: Mapping[str, SourceKind] = {
    # A USB adapter's latency timer holds back 16 ms by default.
    "serial": SourceKind(
        needs=("port",), own=("parity", "stop_bits", "data_bits"), held_back_s=0.017
    ),
    # On a wireless network a tenth of a second (from memory).
    "mqtt": SourceKind(needs=("url", "topic"), held_back_s=0.1),
    # Readings of registers are dated by their exchange, so nothing is held back unseen.
    "modbus": SourceKind(
        needs=("register",),
        one_of=("port", "url"),
        own=("register", "poll", "timeout", "refresh", "parity", "stop_bits"),
        decodes=False,
        held_back_s=0.0,
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WireFormat:
    """One wire format.

    Attributes:
        own: keys that go with no other format.
        one_of: of these, keys of which exactly one must be there.
        tells_uptime: whether a device that speaks it can tell its uptime.
    """

    own: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()
    tells_uptime: bool = False


WIRE_FORMATS: Mapping[str, WireFormat] = {
    "senml": WireFormat(own=("crc", "time_exchange"), tells_uptime=True),
    "text": WireFormat(
        own=("pattern", "shape", "good_status", "line_unit", "line_length", "decimal"),
        one_of=("pattern", "shape"),
    ),
    "nmea": WireFormat(),
}

_DECODING = ("decode", "true_clock", *(key for f in WIRE_FORMATS.values() for key in f.own))
_BROKER = ("topic", "user", "password_env", "password_file", "ca")


def check_keys(kind: str, decode: str, given: Collection[str]) -> None:
    """Refuses keys that don't go with a source's kind or wire format, and asks for missing ones.

    Args:
        kind: kind of the source, one of ``SOURCE_KINDS``.
        decode: its wire format, one of ``WIRE_FORMATS``.
        given: the keys that stand in its table.

    Raises:
        ValueError: in words for the person who wrote it.
    """
    about = SOURCE_KINDS[kind]
    check_login_keys(given)
    for key in about.needs:
        if key not in given:
            raise ValueError(f"a source of kind {kind!r} needs {key!r}")
    if about.one_of and len([k for k in about.one_of if k in given]) != 1:
        raise ValueError(f"a source of kind {kind!r} needs {_either(about.one_of)}, and only one")
    for other, theirs in SOURCE_KINDS.items():
        for key in theirs.own:
            if key in given and key not in about.own:
                raise ValueError(f'{key!r} goes with kind = "{other}"')
    if about.decodes:
        _check_format_keys(kind, decode, given)
        return
    for key in (*_DECODING, *_BROKER):
        if key in given:
            raise ValueError(f'{key!r} does not go with kind = "{kind}"')


def _check_format_keys(kind: str, decode: str, given: Collection[str]) -> None:
    about = WIRE_FORMATS[decode]
    for other, theirs in WIRE_FORMATS.items():
        for key in theirs.own:
            if key in given and (key not in about.own or (other == "senml" and kind != "serial")):
                where = 'kind = "serial" and ' if other == "senml" else ""
                raise ValueError(f'{key!r} goes with {where}decode = "{other}"')
    if about.one_of and len([k for k in about.one_of if k in given]) != 1:
        raise ValueError(f'decode = "{decode}" needs {_either(about.one_of)}, and only one')


def _either(keys: tuple[str, ...]) -> str:
    return " or ".join(repr(key) for key in keys)


def check_login_keys(given: Collection[str]) -> None:
    """Refuses two passwords for one login.

    Raises:
        ValueError: in words for the person who wrote it.
    """
    named = [key for key in ("password_env", "password_file") if key in given]
    if len(named) > 1:
        raise ValueError(f"{_either(tuple(named))}, not both")


def check_broker_url(url: str) -> None:
    """Refuses what is no broker's address.

    Raises:
        ValueError: saying how one is written.
    """
    parts = urlsplit(url)
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or not has_good_port(url):
        raise ValueError(f"{url!r} is no broker; write it like 'mqtt://127.0.0.1:1883'")
    if parts.username or parts.password:
        raise ValueError(
            "no user or password inside 'url'; use 'user' with 'password_file' or 'password_env'"
        )


def has_good_port(url: str) -> bool:
    """Whether the port in an address is one, or none is there."""
    try:
        port = urlsplit(url).port
    except ValueError:
        return False
    return port is None or port > 0
