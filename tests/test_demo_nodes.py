"""The demo's sensor nodes: what they send, and that it arrives through real wires."""

import itertools
import queue
import socket
import threading
import time

import numpy as np
import pytest

from dashboard.demo.broker import HOST, running_broker
from dashboard.demo.nodes import MAST, WHEEL_NODE, frames
from dashboard.demo.player import Pace, play_to_broker, play_to_serial, pseudo_terminal
from dashboard.demo.scenario import TOPIC, Wiring, demo_rig_toml
from dashboard.demo.simulation import simulate
from logger.errors import FrameInvalid, SourceUnavailable
from logger.readings.rig_file import read_rig
from logger.sources.arrival import Arrival
from logger.sources.frames import check_crc
from logger.sources.mqtt_topic import MqttTopic
from logger.sources.senml import decode_senml
from logger.sources.serial_line import SerialLine

NODES = pytest.mark.parametrize("node", [MAST, WHEEL_NODE], ids=lambda n: n.id)
SHORT_S = 12.0


@pytest.fixture(scope="module")
def simulation():
    """A test in which wheels lift on both sides."""
    return simulate("both-sides")


@pytest.fixture(scope="module")
def beginning(simulation):
    """The blocks of the test's first seconds."""
    return until(simulation.blocks, SHORT_S)


def until(blocks, end_s):
    """Blocks up to a time."""
    return {
        c: type(b)(
            channel=c, t_ns=b.t_ns[b.t_ns < end_s * 1e9], value=b.value[b.t_ns < end_s * 1e9]
        )
        for c, b in blocks.items()
    }


def body(node, frame):
    """A frame's pack."""
    return check_crc(frame.payload.removesuffix(b"\r\n")) if node.baud else frame.payload


def received(node, packs):
    """Uptimes and values by channel, put together from packs."""
    found = {name: ([], []) for name in node.wire_names.values()}
    for pack in packs:
        assert not pack.absolute
        for name, t_ns, value in zip(pack.names, pack.t_ns, pack.value, strict=True):
            found[name][0].append(pack.up_ns + int(t_ns))
            found[name][1].append(value)
    return {c: found[name] for c, name in node.wire_names.items()}


@NODES
def test_every_reading_is_sent_once_with_its_time(node, beginning):
    """Decoded, the frames hold exactly the readings, timed on the node's own clock."""
    sent = list(frames(node, beginning, seed=1))
    got = received(node, [decode_senml(body(node, f)) for f in sent])

    for channel in node.wire_names:
        up_ns, value = got[channel]
        expected_ns = [node.up_ns(int(t)) for t in beginning[channel].t_ns]
        assert value == beginning[channel].value.tolist()
        # Both ``up`` and the time before it are rounded to 1 µs.
        assert np.abs(np.array(up_ns) - np.array(expected_ns)).max() <= 1001


@NODES
def test_packs_are_counted_and_marked(node, beginning):
    """``seq`` rises by one, ``boot`` stays, and the newest reading is ``up``."""
    packs = [decode_senml(body(node, f)) for f in frames(node, beginning, seed=1)]

    assert [p.seq for p in packs] == list(range(len(packs)))
    assert {p.boot for p in packs} == {node.boot}
    assert all(p.t_ns.max() == 0 for p in packs)


@NODES
def test_a_clock_drifts(node):
    """In an hour a node's clock goes astray by its drift, and by nothing else."""
    hour_ns = 3600 * 10**9
    astray_ns = node.up_ns(hour_ns) - node.up_ns(0) - hour_ns

    assert astray_ns == pytest.approx(hour_ns * node.drift_ppm * 1e-6, abs=1)


@NODES
def test_a_frame_leaves_after_its_newest_reading_and_its_time_on_the_wire(node, beginning):
    """Frames leave in order, none before its newest reading has been taken and sent."""
    sent = list(frames(node, beginning, seed=1))
    newest_ns = [decode_senml(body(node, f)).up_ns - node.up_ns(0) for f in sent]
    wire_ns = [len(f.payload) * 10 / node.baud * 1e9 if node.baud else 0 for f in sent]
    late_ns = np.array([f.sent_ns for f in sent]) - newest_ns - wire_ns

    assert [f.sent_ns for f in sent] == sorted(f.sent_ns for f in sent)
    # The node's clock is off by less than 1 µs a second over these seconds.
    assert late_ns.min() > node.delay_s * 1e9 - 1e6
    assert np.median(late_ns) < (node.delay_s + 2 * node.jitter_s) * 1e9 + 1e6


def test_a_frame_on_the_serial_line_is_signed(beginning):
    """The mast's lines carry a CRC-32 that any changed byte breaks."""
    line = next(frames(MAST, beginning, seed=1)).payload
    broken = line.replace(b'"enc"', b'"enb"')

    assert line.endswith(b"\r\n")
    assert len(check_crc(line.strip())) == len(line.strip()) - 9
    with pytest.raises(FrameInvalid, match="CRC"):
        check_crc(broken.strip())


def test_frames_can_be_sent_later_than_simulated(beginning):
    """A shift moves frames and uptimes alike, and the counter goes on."""
    counter = itertools.count(7)
    early = list(frames(MAST, beginning, seed=1))
    late = list(frames(MAST, beginning, seed=1, counter=counter, shift_ns=20 * 10**9))
    packs = [decode_senml(body(MAST, f)) for f in late]

    assert packs[0].seq == 7
    assert late[0].sent_ns - early[0].sent_ns == pytest.approx(20e9, abs=2e5)
    assert packs[0].up_ns - decode_senml(body(MAST, early[0])).up_ns == pytest.approx(
        20e9 * (1 + MAST.drift_ppm * 1e-6), abs=2000
    )


# ------------------------------------------------------------------ through real wires


def fast_pace(speed=20.0):
    """A clock that starts now and runs faster than the wall's."""
    start_ns = time.monotonic_ns()
    return Pace(
        clock=lambda: int((time.monotonic_ns() - start_ns) * speed),
        speed=speed,
        stop=threading.Event(),
    )


def packs_from(arrivals, count, within_s=20.0):
    """The packs that a source hands over, until there are enough."""
    packs, end = [], time.monotonic() + within_s
    while len(packs) < count and time.monotonic() < end:
        try:
            item = arrivals.get(timeout=0.2)
        except queue.Empty:
            continue
        assert isinstance(item, Arrival), item
        packs.append(item)
        if item.acknowledge:
            item.acknowledge()
    return packs


def test_the_mast_speaks_through_a_real_pseudo_terminal(beginning):
    """The ordinary serial source takes every frame, and none before its time."""
    sent = list(frames(MAST, beginning, seed=1))
    arrivals = queue.Queue()
    with pseudo_terminal() as line:
        rig = read_rig(demo_rig_toml(Wiring(port=line.port)))
        source = SerialLine(next(s for s in rig.source if s.id == "mast"))
        pace = fast_pace()
        source.start(arrivals.put_nowait, pace.clock)
        try:
            written = play_to_serial(sent, line, pace)
            got = packs_from(arrivals, len(sent))
        finally:
            source.stop()

    assert written == len(sent) == len(got)
    assert [a.pack.seq for a in got] == list(range(len(sent)))
    assert all(a.arrival_ns >= f.sent_ns for a, f in zip(got, sent, strict=True))


@pytest.mark.parametrize("kind", ["mosquitto", "amqtt"])
def test_the_wheels_speak_through_a_real_broker(kind, beginning):
    """The ordinary topic source takes every frame in order, from either broker."""
    sent = list(frames(WHEEL_NODE, beginning, seed=1))
    arrivals = queue.Queue()
    with running_broker(kind) as port:
        rig = read_rig(demo_rig_toml(Wiring(url=f"mqtt://{HOST}:{port}")))
        source = MqttTopic(
            next(s for s in rig.source if s.id == "wheels"), client_id="test-recorder"
        )
        pace = fast_pace()
        source.start(arrivals.put_nowait, pace.clock)
        try:
            published = play_to_broker(sent, port=port, topic=TOPIC, pace=pace)
            got = packs_from(arrivals, len(sent))
        finally:
            source.stop()

    assert published == len(sent) == len(got)
    assert [a.pack.seq for a in got] == list(range(len(sent)))


def test_the_embedded_broker_refuses_mqtt_5_at_once():
    """A CONNECT of level 5 gets CONNACK code 1 and the end, so that the client tries 3.1.1.

    Source: MQTT 3.1.1 (OASIS), 3.1.2.2; amqtt alone would leave it waiting.
    """
    session_expiry = b"\x05\x11\x00\x00\x0e\x10"
    body = b"\x00\x04MQTT\x05\x02\x00\x3c" + session_expiry + b"\x00\x04test"
    with running_broker("amqtt") as port, socket.create_connection((HOST, port), 3) as client:
        client.settimeout(3)
        client.sendall(bytes([0x10, len(body)]) + body)
        answer = client.recv(100)
        end = client.recv(100)

    assert answer == b"\x20\x02\x00\x01"
    assert end == b""


def test_a_serial_line_that_nobody_reads_does_not_hold_the_demo_up(beginning):
    """What can't be written within the line's patience is lost, and the player goes on."""
    sent = 20 * list(frames(MAST, beginning, seed=1))
    with pseudo_terminal() as line:
        began = time.monotonic()
        pace = fast_pace(speed=1000.0)
        stopper = threading.Timer(2.0, pace.stop.set)
        stopper.start()
        written = play_to_serial(sent, line, pace)
        stopper.join()

    assert written < len(sent)
    assert time.monotonic() - began < 5


def test_stopping_ends_both_players_at_once(simulation):
    """A player that waits for a far-off frame leaves as soon as the demo stops."""
    with pseudo_terminal() as line, running_broker() as port:
        pace = fast_pace(speed=1.0)
        late = [f for f in frames(MAST, simulation.blocks, seed=1) if f.sent_ns > 60e9]
        threading.Timer(0.3, pace.stop.set).start()
        began = time.monotonic()
        in_line = play_to_serial(late, line, pace)
        in_broker = play_to_broker(late, port=port, topic=TOPIC, pace=pace)

    assert (in_line, in_broker) == (0, 0)
    assert time.monotonic() - began < 3


def test_a_broker_that_is_not_there_is_told_in_one_line(beginning):
    """A wheels node without a broker ends with one clear line."""
    with running_broker() as port:
        pass

    with pytest.raises(SourceUnavailable, match=f"broker on port {port}"):
        play_to_broker(
            frames(WHEEL_NODE, beginning, seed=1), port=port, topic=TOPIC, pace=fast_pace()
        )
