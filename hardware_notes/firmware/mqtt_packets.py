"""The few packets of MQTT 3.1.1 that a publisher needs (OASIS standard, 29 October 2014).

Bytes only: nothing here knows a socket. Section numbers are the standard's.
"""

CONNACK, PUBACK, PINGRESP = 0x20, 0x40, 0xD0
PINGREQ = b"\xc0\x00"
DISCONNECT = b"\xe0\x00"
LONGEST_ANSWER = 64
"""A broker sends a publisher 4 bytes at most; something longer is no broker."""


def connect_packet(client_id, keep_alive_s, user=None, password=None):
    """The first packet of a connection (3.1), for a session that outlives it.

    Args:
        client_id: name of this device, no other's.
        keep_alive_s: the broker may give up after 1.5 times this silence, s.
        user: name at the broker, or None.
        password: with the name, or None.
    """
    flags = 0
    rest = _text(client_id)
    if user is not None:
        flags |= 0x80
        rest += _text(user)
        if password is not None:
            flags |= 0x40
            rest += _text(password)
    body = _text("MQTT") + bytes([4, flags, keep_alive_s >> 8, keep_alive_s & 0xFF]) + rest
    return b"\x10" + length_bytes(len(body)) + body


def publish_head(topic, packet_id, length, again):
    """What stands before a message of QoS 1 (3.3).

    Args:
        topic: where it goes, as bytes.
        packet_id: 1 to 65535.
        length: of the message, bytes.
        again: whether it was sent before.
    """
    kind = 0x3A if again else 0x32
    size = length_bytes(2 + len(topic) + 2 + length)
    return (
        bytes([kind]) + size + _size(len(topic)) + topic + bytes([packet_id >> 8, packet_id & 0xFF])
    )


def packet_id_of(seq):
    """The packet id of a pack: the same at each sending, never 0."""
    return seq % 65535 + 1


def length_bytes(length):
    """The length of a packet's rest, seven bits a byte, lowest first (2.2.3)."""
    out = bytearray()
    while True:
        byte, length = length & 0x7F, length >> 7
        out.append(byte | 0x80 if length else byte)
        if not length:
            return bytes(out)


class Answers:
    """Cuts what the broker sends into packets, however the bytes come."""

    def __init__(self):
        self._bytes = bytearray(LONGEST_ANSWER)
        self._count = 0

    def clear(self):
        """Begins anew, on a new connection."""
        self._count = 0

    def feed(self, byte):
        """Takes one byte.

        Returns:
            Kind (its high four bits) and number of a packet that is complete now, else None. The
            number is the packet id of a PUBACK, the return code of a CONNACK, else 0.

        Raises:
            ValueError: where this is nothing that a broker says to a publisher.
        """
        if self._count == LONGEST_ANSWER:
            raise ValueError("what came is no answer of a broker")
        self._bytes[self._count] = byte
        self._count += 1
        if self._count < 2:
            return None
        rest = self._bytes[1]
        if rest > LONGEST_ANSWER - 2:
            raise ValueError("what came is no answer of a broker")
        if self._count < 2 + rest:
            return None
        kind = self._bytes[0] & 0xF0
        self._count = 0
        if kind == PUBACK and rest == 2:
            return kind, self._bytes[2] << 8 | self._bytes[3]
        if kind == CONNACK and rest == 2:
            return kind, self._bytes[3]
        if kind == PINGRESP and rest == 0:
            return kind, 0
        raise ValueError("what came is no answer of a broker")


def _text(text):
    return _size(len(text.encode())) + text.encode()


def _size(length):
    return bytes([length >> 8, length & 0xFF])
