"""A broker's byte stream cut into packets; publications are read here, the rest is paho's.

Paho reads each packet with three or more calls of the socket and some hundred steps of Python,
which holds it to 10,000 small messages a second. A publication is the one packet that comes in
floods and the simplest there is (MQTT 3.1.1 and MQTT 5, section 3.3 in both), so it is read
here from chunks of many packets. Connecting, subscribing and refusals stay with paho.

Pure: bytes in, publications and packets out, in their order.
"""

from __future__ import annotations

from typing import NamedTuple

from logger.errors import FrameInvalid

PINGREQ = b"\xc0\x00"
_PINGRESP = 0xD0
_PUBLISH = 0x30
_RETAIN, _QOS_1, _QOS_2, _DUP = 0x01, 0x02, 0x04, 0x08
_LONGEST_LENGTH = 4


class Publication(NamedTuple):
    """A message as it came. A tuple, since a flood of them is made.

    Attributes:
        payload: what was published.
        mid: the broker's number of it; 0 where nobody waits for an acknowledgement.
        again: whether the broker says that it sent it before.
        retained: whether the broker kept it from earlier.
    """

    payload: bytes
    mid: int
    again: bool
    retained: bool


def puback(mid: int) -> bytes:
    """The packet that acknowledges a publication (section 3.4; in MQTT 5 its short form)."""
    return b"\x40\x02" + mid.to_bytes(2, "big")


class PacketSplitter:
    """Cuts one connection's bytes into packets.

    Args:
        has_properties: whether publications carry properties, as in MQTT 5.
    """

    def __init__(self, *, has_properties: bool) -> None:
        self._has_properties = has_properties
        self._parts: list[bytes] = []
        self._held = 0
        self._needed = 0

    def feed(self, data: bytes) -> list[Publication | bytes]:
        """Takes the next bytes.

        Returns:
            In their order: publications of QoS 0 and 1, and whole packets of any other kind.
            Answers to a ping are left out.

        Raises:
            FrameInvalid: where it is no MQTT.
        """
        if self._held:
            self._parts.append(data)
            self._held += len(data)
            if self._held < self._needed:
                return []
            data = b"".join(self._parts)
        found, start = self._whole_packets(data)
        rest = data[start:]
        self._parts, self._held = [rest] if rest else [], len(rest)
        return found

    def _whole_packets(self, data: bytes) -> tuple[list[Publication | bytes], int]:
        """The packets that stand whole in ``data``, and where what is left begins."""
        found: list[Publication | bytes] = []
        size, start, self._needed = len(data), 0, 0
        while start + 2 <= size:
            length = data[start + 1]
            body = start + 2
            if length > 0x7F:
                length, body = _variable_int(data, start + 1)
                if not body:
                    break
            end = body + length
            if end > size:
                self._needed = end - start
                break
            kind = data[start]
            if kind & 0xF4 == _PUBLISH:
                found.append(self._publication(data, kind, body, end))
            elif kind != _PINGRESP:
                found.append(data[start:end])
            start = end
        return found, start

    def _publication(self, data: bytes, kind: int, at: int, end: int) -> Publication:
        at += 2 + int.from_bytes(data[at : at + 2], "big")  # the topic
        mid = 0
        if kind & _QOS_1:
            mid = int.from_bytes(data[at : at + 2], "big")
            at += 2
        if self._has_properties:
            at = _after_properties(data, at)
        if at > end or (kind & _QOS_1 and not mid):
            raise FrameInvalid("no MQTT: a publication is cut short")
        return Publication(data[at:end], mid, bool(kind & _DUP), bool(kind & _RETAIN))


def _after_properties(data: bytes, at: int) -> int:
    """Where the properties that begin at ``at`` end; beyond the data where they are not whole."""
    if at < len(data) and data[at] <= 0x7F:
        return at + 1 + data[at]
    length, after = _variable_int(data, at)
    return after + length if after else len(data) + 1


def _variable_int(data: bytes, at: int) -> tuple[int, int]:
    """A length of up to four bytes and where it ends; 0 where it is not whole (section 2.2.3)."""
    value = shift = 0
    for index in range(at, at + _LONGEST_LENGTH):
        if index >= len(data):
            return 0, 0
        value |= (data[index] & 0x7F) << shift
        if data[index] <= 0x7F:
            return value, index + 1
        shift += 7
    raise FrameInvalid("no MQTT: a packet's length has more than four bytes")
