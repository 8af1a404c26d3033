"""A broker's bytes are cut into the same packets however they come in."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import FrameInvalid
from logger.sources.deliveries import Deliveries
from logger.sources.mqtt_packets import PacketSplitter, Publication, puback

SUBACK = b"\x90\x04\x00\x01\x00\x01"
PINGRESP = b"\xd0\x00"


def length(number):
    """A length as MQTT writes it (MQTT 5, 1.5.5)."""
    out = bytearray()
    while True:
        number, seven = divmod(number, 128)
        out.append(seven | (0x80 if number else 0))
        if not number:
            return bytes(out)


def publish(payload, *, topic=b"rig/t", mid=0, again=False, retained=False, properties=None):
    """A PUBLISH packet, by the specification's figure (MQTT 5, 3.3)."""
    body = len(topic).to_bytes(2, "big") + topic
    if mid:
        body += mid.to_bytes(2, "big")
    if properties is not None:
        body += length(len(properties)) + properties
    body += payload
    first = 0x30 | (again << 3) | (bool(mid) << 1) | retained
    return bytes([first]) + length(len(body)) + body


messages = st.builds(
    Publication,
    payload=st.one_of(st.binary(max_size=40), st.binary(min_size=120, max_size=300)),
    mid=st.integers(0, 65535),
    again=st.booleans(),
    retained=st.booleans(),
)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.one_of(messages, st.just(SUBACK), st.just(PINGRESP)), max_size=12),
    st.one_of(st.none(), st.binary(max_size=10), st.binary(min_size=128, max_size=200)),
    st.lists(st.integers(1, 200), min_size=1, max_size=8),
)
def test_no_cut_changes_what_is_read(packets, properties, sizes):
    """Whatever the pieces, the same publications and packets come out in order."""
    stream = b"".join(
        p if isinstance(p, bytes) and not isinstance(p, Publication)
        else publish(p.payload, mid=p.mid, again=p.again, retained=p.retained,
                     properties=properties)
        for p in packets
    )  # fmt: skip
    splitter = PacketSplitter(has_properties=properties is not None)
    found, at, turn = [], 0, 0
    while at < len(stream):
        size = sizes[turn % len(sizes)]
        found += splitter.feed(stream[at : at + size])
        at, turn = at + size, turn + 1

    assert found == [p for p in packets if p != PINGRESP]


@pytest.mark.parametrize(
    "data",
    [
        b"\x30\xff\xff\xff\xff\x01",  # a length of five bytes
        b"\x30\x01\x00",  # no topic
        b"\x30\x04\x00\x09ab",  # a topic longer than the packet
        b"\x32\x05\x00\x01t\x00\x00",  # QoS 1 without a number
    ],
)
def test_what_is_no_mqtt_is_refused(data):
    """Bytes that no broker sends are refused, never read as a message."""
    with pytest.raises(FrameInvalid, match="no MQTT"):
        PacketSplitter(has_properties=False).feed(data)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200), st.booleans())
def test_noise_raises_nothing_else(data, has_properties):
    """Noise is refused or waited on; nothing else happens."""
    splitter = PacketSplitter(has_properties=has_properties)
    try:
        found = splitter.feed(data)
    except FrameInvalid:
        return

    assert sum(len(p.payload) if isinstance(p, Publication) else len(p) for p in found) <= len(data)


def test_an_acknowledgement_is_as_the_specification_has_it():
    """PUBACK, its short form (MQTT 5, 3.4.2.1)."""
    assert puback(0x1234) == b"\x40\x02\x12\x34"


def test_one_number_for_two_messages_is_seen():
    """A broker with an older state may give a held number to another message: it is new."""
    deliveries = Deliveries()
    deliveries.connected(resumed=False)
    deliveries.coming(5, b"one", again=False)
    deliveries.lost()
    deliveries.connected(resumed=True)

    assert not deliveries.coming(5, b"one", again=True)[1]
    assert deliveries.coming(5, b"two", again=True)[1]
