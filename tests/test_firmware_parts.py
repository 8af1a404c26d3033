"""The firmware's pure parts under MicroPython, each against a twin or a decoder of other origin."""

from __future__ import annotations

import asyncio
import random
import re
import ssl
import subprocess
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime

from logger.access.certificate import make_authority, make_server_certificate
from logger.readings.continuity import ContinuityTracker
from logger.sources.frames import check_crc
from logger.sources.senml import decode_senml
from tests.broker import running_broker
from tests.micropython import FIRMWARE, needs_micropython, run_script

pytestmark = needs_micropython

PERIOD = 1 << 30


def test_packs_are_what_the_recorder_decodes():
    """Each reading comes out of the recorder's decoder as it went in, to the microsecond.

    Uptimes go far beyond what a board's float could hold.
    """
    rng = random.Random(1)
    names = ["enc", "cell", "front_left", "rear_right"]
    packs = []
    for _ in range(60):
        up_us = rng.choice([0, 999_999, 10**6, 86_400 * 10**6 * 400]) + rng.randrange(10**6)
        packs.append(
            [
                [c, up_us + rng.randrange(700_000), rng.randrange(2) if c > 1 else _raw(rng)]
                for c in (rng.randrange(4) for _ in range(rng.randint(1, 24)))
            ]
        )
    lines = run_script(
        """
from senml_pack import PackWriter, checksum_text
writer = PackWriter(given["names"], range(2, 4), "7f3a01bc", 24)
told = []
for seq, pack in enumerate(given["packs"]):
    for channel, up_us, value in pack:
        writer.add(channel, up_us, value)
    text = bytes(writer.text[: writer.write(seq + 4294967200)])
    told.append((text + checksum_text(text)).decode())
""",
        {"names": names, "packs": packs},
    )

    assert lines[0].startswith('[{"seq":4294967200,"boot":"7f3a01bc","up":')
    for seq, (line, pack) in enumerate(zip(lines, packs, strict=True), 4294967200):
        text = line[:-9]
        assert line[-8:] == f"{zlib.crc32(text.encode()):08x}"
        got = decode_senml(check_crc(line.encode()))
        newest_us = max(up_us for _, up_us, _ in pack)
        assert (got.seq, got.boot, got.up_ns) == (seq, "7f3a01bc", newest_us * 1000)
        wanted = sorted(pack, key=lambda r: r[0])
        assert got.names == tuple(names[c] for c, _, _ in wanted)
        assert got.value.tolist() == [v for _, _, v in wanted]
        assert (got.up_ns + got.t_ns).tolist() == [up * 1000 for _, up, _ in wanted]


def _raw(rng):
    return rng.choice([0, 1, -1, 2**23 - 2, -(2**23) + 1, rng.randrange(-(2**23), 2**23)])


def test_the_line_in_the_readme_is_what_the_firmware_writes():
    """The pack that the firmware's page prints is written so, with its checksum."""
    page = (FIRMWARE / "README.md").read_text()
    (printed,) = re.findall(r"```json\n(.*?)\n```", page)
    told = run_script(
        """
from senml_pack import PackWriter, checksum_text
writer = PackWriter(["enc", "cell"], (), "5fd01c3a", 24)
for reading in ((0, 12330000, 1023), (0, 12350000, 1024), (1, 12342500, -131072)):
    writer.add(*reading)
text = bytes(writer.text[: writer.write(41)])
told = (text + checksum_text(text)).decode()
"""
    )

    assert told == printed


def test_the_longest_pack_has_room():
    """A full pack of the longest readings fits into the text that was set aside for it."""
    length, room = run_script(
        """
from senml_pack import PackWriter
writer = PackWriter(["a_rather_long_name", "front_right"], range(1, 2), "01234567", 32)
for i in range(32):
    writer.add(i % 2, 99999999999999 - 999999 * i, -(1 << 30) if i % 2 == 0 else 0)
told = [0, len(writer.text)]
told[0] = writer.write(4294967295)
""",
    )

    assert length <= room


def test_answers_are_what_the_recorder_decodes():
    """The question's number comes back with the uptime; what is no question is left alone."""
    numbers, answer = run_script(
        """
from serial_link import question_number
from senml_pack import answer_pack
lines = ("up? 17", "up? 999999", "", "up?", "up? x", "up? -3", "noise up? 3", "up? 3 4")
told = [question_number(x.encode()) for x in lines], answer_pack(41, "7f3a", 12350000, 17).decode()
"""
    )
    pack = decode_senml(answer.encode())

    assert numbers == [17, 999999, None, None, None, None, None, None]
    assert (pack.seq, pack.boot, pack.up_ns, pack.reply) == (41, "7f3a", 12_350_000_000, 17)


def test_an_encoder_is_counted_in_both_directions_and_slips_are_told():
    """Any walk of single steps is counted exactly; a jump of two is a slip and no step."""
    rng = random.Random(2)
    place, lines, count, slips = 0, [], 0, 0
    for _ in range(3000):
        step = rng.choices([1, -1, 0, 2], [60, 40, 5, 1])[0]
        place += step
        count += step if step != 2 else 0
        slips += step == 2
        lines.append((0b00, 0b10, 0b11, 0b01)[place % 4])  # A leads forwards
    told = run_script(
        """
from quadrature import Quadrature
plain, button = Quadrature(0), Quadrature(0, waits=True)
for levels in given:
    plain.change(levels)
    button.change(levels)
was_known = button.is_known
button.set_zero()
told = [plain.count, plain.slips, plain.is_known, was_known, button.is_known, button.count]
""",
        lines,
    )

    assert told == [count, slips, True, False, True, 0]


def test_uptime_goes_on_where_the_counter_starts_again():
    """Steps of any length below half a turn, also backwards, add up to the true time."""
    rng = random.Random(3)
    start = PERIOD - 5
    true_us = [0]
    for _ in range(400):
        true_us.append(true_us[-1] + rng.choice([0, 1, 1000, 10**6, PERIOD // 2 - 1]))
    asked = [max(0, t - rng.choice([0, 0, 1, 700_000])) for t in true_us]
    told = run_script(
        """
from uptime import Uptime
uptime = Uptime(given["start"], given["period"])
told = []
for newest, ticks in given["asked"]:
    uptime.of(newest)
    told.append(uptime.of(ticks))
""",
        {
            "start": start,
            "period": PERIOD,
            "asked": [
                ((start + t) % PERIOD, (start + a) % PERIOD)
                for t, a in zip(true_us, asked, strict=True)
            ],
        },
    )

    assert true_us[-1] > 20 * PERIOD
    assert told == asked


def test_a_conversion_is_read_bit_by_bit():
    """24 bits in two's complement, then the pulses that choose input and gain.

    An end of the range is no reading, nor is a conversion whose moment nobody saw.
    """
    values = [0, 1, -1, 0x123456, -0x123456, 0x7FFFFE, -0x7FFFFF, 0x7FFFFF, -0x800000, 42]
    told = run_script(
        """
from bridge import Bridge
class Data:
    level, handler = 1, None
    def value(self): return self.level
    def become(self, level):
        changed, self.level = level != self.level, level
        if changed and self.handler: self.handler(self)
class Clock:
    pulses, level, held = 0, 0, False
    def value(self, level):
        if level and not self.level:
            assert Board.held, "an interrupt could come within a pulse"
            self.pulses += 1
            data.become(bits >> (24 - self.pulses) & 1 if self.pulses <= 24 else 1)
        self.level = level
class Board:
    now, held = 0, False
    def ticks_us(self): return self.now
    def input_pin(self, number, pull_up=False): return data
    def output_pin(self, number): return clock
    def on_edges(self, pin, handler): pin.handler = handler
    def quiet(self): Board.held = True
    def loud(self, held): Board.held = False
board, data, clock = Board(), Data(), Clock()
bits, data.level = 5, 0  # ready before the board was
bridge = Bridge(board, {"clock": 1, "data": 2, "extra_pulses": 3}, 0, 1)
told = [[bridge.read(), clock.pulses]]
for i, value in enumerate(given):
    assert bridge.read() is None
    board.now, bits, clock.pulses = 1000 + i, value & 0xFFFFFF, 0
    data.become(0)
    board.now += 500
    told.append([bridge.read(), clock.pulses, bridge.ready_ticks])
told.append(bridge.beyond)
""",
        values,
    )
    wanted = [None if v in (0x7FFFFF, -0x800000) else v for v in values]

    assert told[0] == [None, 27]
    assert told[1:-1] == [[v, 27, 1000 + i] for i, v in enumerate(wanted)]
    assert told[-1] == 2


def test_a_ring_keeps_what_is_not_acknowledged_and_counts_what_it_drops():
    """Pushes, sendings, lost connections and acknowledgements in any order, against a plain list.

    Memory is never exceeded, order is kept, and each dropped pack is the oldest and is counted.
    """
    rng = random.Random(4)
    acts = []
    for seq in range(2500):
        acts.append(["push", seq, rng.randint(1, 60)])
        kinds = rng.choices(["send", "ack", "again"], [4, 4, 1], k=rng.randint(0, 3))
        acts += [[kind, rng.random(), 0] for kind in kinds]
    told = run_script(
        """
from pack_ring import PackRing
ring = PackRing(300, 12)
told, sent = [], []
for act, a, b in given:
    if act == "push":
        ring.push(bytes([a & 255]) * b + b"beyond", b, a)
    elif act == "send":
        pack = ring.next()
        if pack is not None:
            seq, text, again = pack
            assert all(byte == seq & 255 for byte in text)
            ring.mark_sent()
            sent.append(seq)
            told.append([seq, len(text), again])
    elif act == "ack" and sent:
        seq = sent.pop(int(a * min(3, len(sent))))
        ring.acknowledge(lambda s: s == seq)
    elif act == "again":
        ring.send_again()
        sent.clear()
    told.append([len(ring), ring.in_flight, ring.dropped])
""",
        acts,
    )

    assert told == _RingTwin().follow(acts)


class _RingTwin:
    """The ring as a plain list; each pack lies in one piece after the one before, or at 0."""

    SIZE, MOST = 300, 12

    def __init__(self):
        self.packs, self.sent, self.told = [], [], []
        self.dropped = self.head = 0

    def room(self, length):
        if not self.packs:
            return 0
        tail = self.packs[0].place
        if self.head <= tail:
            return self.head if self.head + length <= tail else None
        if self.head + length <= self.SIZE:
            return self.head
        return 0 if length <= tail else None

    def push(self, seq, length):
        while (place := self.room(length)) is None or len(self.packs) == self.MOST:
            self.dropped += not self.packs.pop(0).done
        self.head = place + length
        self.packs.append(_Pack(seq=seq, length=length, place=place))

    def send(self, _share, _):
        for pack in self.packs:
            if not pack.now:
                self.told.append([pack.seq, pack.length, pack.ever])
                pack.now = pack.ever = True
                self.sent.append(pack.seq)
                break

    def ack(self, share, _):
        if not self.sent:
            return
        seq = self.sent.pop(int(share * min(3, len(self.sent))))
        for pack in self.packs:
            pack.done |= pack.seq == seq and pack.now
        while self.packs and self.packs[0].done:
            self.packs.pop(0)

    def again(self, _share, _):
        self.sent.clear()
        for pack in self.packs:
            pack.now = False

    def follow(self, acts):
        for act, *given in acts:
            getattr(self, act)(*given)
            flying = sum(p.now and not p.done for p in self.packs)
            self.told.append([len(self.packs), flying, self.dropped])
        return self.told


@dataclass(kw_only=True)
class _Pack:
    seq: int
    length: int
    place: int
    now: bool = False
    ever: bool = False
    done: bool = False


def test_packs_that_the_ring_had_to_drop_are_missed_by_the_recorder():
    """While nothing could be sent the oldest packs went; their counts are missing, exactly."""
    told = run_script(
        """
from pack_ring import PackRing
from senml_pack import PackWriter
from serial_link import SerialLink
class Uart:
    out = b""
    def read(self): return None
    def write(self, data):
        self.out += bytes(data)
        return len(data)
uart, ring, writer = Uart(), PackRing(700, 50), PackWriter(["enc"], (), "b", 4)
link = SerialLink(ring, uart, 200)
for seq in range(30):
    writer.add(0, 1000 * seq, seq)
    ring.push(writer.text, writer.write(seq), seq)
    if seq < 5: link.turn(0)
link.turn(0)
told = [uart.out.decode(), ring.dropped]
"""
    )
    tracker = ContinuityTracker()
    packs = [decode_senml(check_crc(x.encode())) for x in told[0].splitlines()]
    missing = sum(tracker.check(p.boot, p.seq).missing for p in packs)

    assert missing == told[1] > 5
    assert packs[-1].seq == 29


def test_a_broker_with_tls_and_password_is_joined_and_no_other(tmp_path):
    """Packs reach a broker that proves itself; another's certificate or password is refused."""
    now_utc = datetime.now(UTC)
    for name in ("own", "other"):
        (tmp_path / name).mkdir()
        authority = make_authority(tmp_path / name, name=name, now_utc=now_utc)
        make_server_certificate(authority, tmp_path / name, hosts=["127.0.0.1"], now_utc=now_utc)
        text = (tmp_path / name / "ca.crt").read_text()
        (tmp_path / name / "ca.der").write_bytes(ssl.PEM_cert_to_DER_cert(text))
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-c", "-b", passwords, "node", "right"], check=True)
    lines = (
        f"certfile {tmp_path}/own/server.crt",
        f"keyfile {tmp_path}/own/server.key",
        f"password_file {passwords}",
    )
    with running_broker(tmp_path, lines=lines, anonymous=False) as broker:
        told = run_script(
            """
import time
from broker_socket import open_connection
from mqtt_link import MqttLink
from pack_ring import PackRing
told = []
for ca, password in (("own", "right"), ("other", "right"), ("own", "wrong")):
    ring = PackRing(1000, 20)
    for seq in range(3):
        ring.push(b"[{}]", 4, seq)
    link = MqttLink(ring, {
        "host": "127.0.0.1", "port": given["port"], "ca_file": f"{given['folder']}/{ca}/ca.der",
        "topic": "t", "client_id": "c", "user": "node", "password": password, "retry_s": 60,
        "keep_alive_s": 10, "answer_within_s": 30, "connect_within_s": 30, "in_flight": 2,
    }, open_connection, 100)
    start_us = time.ticks_us()
    while len(ring) and "connection lost" not in link.problem:
        link.turn(time.ticks_us() - start_us)
        time.sleep_ms(1)
    told.append([len(ring), link.problem])
""",
            {"port": broker.port, "folder": str(tmp_path)},
        )

    assert told[0] == [0, ""]
    assert [left for left, _ in told[1:]] == [3, 3]
    assert "ertificate" in told[1][1]
    assert "code 5" in told[2][1]


def test_mqtt_packets_are_read_by_another_implementation():
    """Another program reads the packets as meant; lengths are those of the standard's table 2.4."""
    from amqtt.adapters import BufferReader
    from amqtt.mqtt.connect import ConnectPacket
    from amqtt.mqtt.publish import PublishPacket

    told = run_script(
        """
from mqtt_packets import connect_packet, length_bytes, publish_head, packet_id_of
from binascii import hexlify
def text(b): return hexlify(b).decode()
lengths = (0, 127, 128, 16383, 16384, 2097151, 2097152, 268435455)
told = {
    "plain": text(connect_packet("node-1", 300)),
    "secret": text(connect_packet("n", 20, "ü", "p")),
    "first": text(publish_head(b"rig/x", 65535, 200, False) + b"y" * 200),
    "again": text(publish_head(b"rig/x", 1, 3, True) + b"abc"),
    "lengths": [text(length_bytes(n)) for n in lengths],
    "ids": [packet_id_of(seq) for seq in (0, 1, 65534, 65535, 65536)],
}
"""
    )

    def read(kind, name):
        return asyncio.run(kind.from_stream(BufferReader(bytes.fromhex(told[name]))))

    plain, secret = read(ConnectPacket, "plain"), read(ConnectPacket, "secret")
    first, again = read(PublishPacket, "first"), read(PublishPacket, "again")
    assert told["lengths"] == [
        "00", "7f", "8001", "ff7f", "808001", "ffff7f", "80808001", "ffffff7f"
    ]  # fmt: skip
    assert told["ids"] == [1, 2, 65535, 1, 2]
    assert (plain.payload.client_id, plain.variable_header.keep_alive) == ("node-1", 300)
    assert not plain.variable_header.clean_session_flag
    assert (secret.payload.username, secret.payload.password) == ("ü", "p")
    assert (first.topic_name, first.packet_id, first.qos, first.dup_flag) == (
        "rig/x", 65535, 1, False,
    )  # fmt: skip
    assert first.data == b"y" * 200
    assert (again.packet_id, again.dup_flag, again.retain_flag, again.data) == (
        1, True, False, b"abc",
    )  # fmt: skip


def test_a_link_survives_whatever_a_broker_does():
    """Refusal, garbage, silence and half-taken writes end a connection, never the node.

    Each new connection begins with CONNECT and sends again what was not acknowledged, marked so.
    """
    told = run_script(
        """
from errno import EAGAIN
from mqtt_link import MqttLink, US
from pack_ring import PackRing
class Socket:
    pings = False
    def __init__(self, answers, most):
        self.answers, self.most, self.out, self.closed = list(answers), most, b"", False
    def readinto(self, into):
        if not self.answers: return None
        answer = self.answers.pop(0)
        if isinstance(answer, int): raise OSError(answer)
        into[: len(answer)] = answer
        return len(answer)
    def write(self, data):
        taken = bytes(data[: self.most])
        self.out += taken
        if self.pings and taken.endswith(b"\\xc0\\x00"): self.answers.append(b"\\xd0\\x00")
        return len(taken)
    def close(self): self.closed = True
joined, ack = b"\\x20\\x02\\x00\\x00", lambda n: bytes([0x40, 2, n >> 8, n & 255])
sockets = [
    Socket([b"\\x20\\x02\\x00\\x05"], 99),            # refused: no such user
    Socket([b"HTTP/1.1 400 Bad Request"], 99),       # no broker at all
    Socket([joined[:1], EAGAIN, joined[1:], EAGAIN, ack(1)], 7),  # takes little, then falls silent
    Socket([joined, EAGAIN, b""], 99),                       # ends it
    Socket([joined, EAGAIN, 104], 99),
    Socket([joined, EAGAIN, ack(2) + ack(3)], 99),
]
sockets[-1].pings = True
made = []
def open_socket(settings):
    assert not made or made[-1].closed
    made.append(sockets[len(made)])
    return made[-1]
ring = PackRing(1000, 20)
for seq in range(3):
    ring.push(b"[%d]" % seq, 3, seq)
link = MqttLink(ring, {
    "topic": "t", "client_id": "c", "user": None, "password": None, "keep_alive_s": 10,
    "answer_within_s": 5, "retry_s": 1, "in_flight": 2}, open_socket, 100)
problems = []
for turn in range(4000):
    link.turn(turn * 10000)
    if not problems or problems[-1] != link.problem: problems.append(link.problem)
told = [problems, ["".join("%02x" % b for b in s.out) for s in made], len(ring)]
"""
    )
    problems, sent, left = told
    connect = "100d00044d5154540400000a000163"
    pack = ["{}080001740001" + "5b305d", "{}080001740002" + "5b315d", "{}080001740003" + "5b325d"]

    def packs(*which, flag):
        return "".join(pack[i].format(flag) for i in which)

    assert left == 0
    assert any("code 5" in p for p in problems)
    assert any("no answer of a broker" in p for p in problems)
    assert any(p.endswith("no answer") for p in problems)
    assert problems[-1] == ""
    assert sent[0] == sent[1] == connect
    assert sent[2] == connect + packs(0, 1, flag="32") + packs(2, flag="32")
    assert sent[3] == sent[4] == connect + packs(1, 2, flag="3a")
    assert sent[5].startswith(connect + packs(1, 2, flag="3a"))
    assert sent[5].endswith("c000")  # it goes on asking whether the broker is there


def test_a_line_is_sent_whole_by_a_port_that_takes_little():
    """Packs leave a slow port in order, signed, and are kept until their last byte is taken."""
    told = run_script(
        """
from pack_ring import PackRing
from serial_link import SerialLink
class Uart:
    calls, out = 0, b""
    heard = [b"up", b"? 5\\r\\nup? 6\\n", b"x" * 100 + b"\\n", None, b"y" * 5000]
    def read(self): return self.heard.pop(0) if self.heard else None
    def write(self, data):
        self.calls += 1
        if self.calls % 3 == 0: return None
        self.out += bytes(data[:5])
        return min(5, len(data))
uart, ring = Uart(), PackRing(200, 9)
link = SerialLink(ring, uart, 100)
for seq in range(3):
    ring.push(b'[{"v":%d}]' % seq, 9, seq)
questions = []
for _ in range(60):
    link.turn(0)
    questions.append(link.question())
told = [uart.out.decode(), len(ring), ring.dropped, [q for q in questions if q is not None],
        len(link._heard)]
"""
    )
    lines = told[0].split("\r\n")

    assert [check_crc(x.encode()) for x in lines[:3]] == [b'[{"v":%d}]' % i for i in range(3)]
    assert lines[3:] == [""]
    assert told[1:] == [0, 0, [6], 40]  # noise without an end takes no more memory


def test_samples_that_find_no_room_are_counted_and_leave_a_gap_in_seq():
    """What interrupts could not write down shows in the pack count, like a pack that was lost."""
    told = run_script(
        """
import node
class Pin:
    level, handler = 1, None
    def value(self): return self.level
class Board:
    TICKS_PERIOD, now = 1 << 30, 0
    def __init__(self): self.pins, self.timers = {}, []
    def boot_mark(self): return "b"
    def ticks_us(self): return self.now
    def input_pin(self, number, pull_up=False): return self.pins.setdefault(number, Pin())
    def on_edges(self, pin, handler): pin.handler = handler
    def every(self, period_ms, handler): self.timers.append(handler)
    def open_uart(self, settings): return self
    out = b""
    def read(self): return None
    def write(self, data):
        self.out += bytes(data)
        return len(data)
class Config:
    ENCODERS, BRIDGES, CONTACTS = (), (), ({"name": "a", "pin": 1}, {"name": "b", "pin": 2})
    CLOSED_LEVEL, CONTACT_RATE_HZ, EDGE_LATE_US = 0, 100, 2000
    LINK, UART, PACK_MS, READINGS_IN_PACK = "uart", {}, 100, 30
    RING_BYTES, RING_PACKS, SAMPLES, EDGES = 3000, 20, 8, 4
board = Board()
subject = node.Node(board, Config)
def ticks(n):
    for _ in range(n):
        board.now += 10000
        board.timers[0](None)
ticks(3); subject.turn()
ticks(9); subject.turn()          # 18 samples, room for 8
board.pins[1].level = 0; board.now += 5000; board.pins[1].handler(board.pins[1])
subject.turn()
board.now += 11000; subject.turn()  # a contact in motion is told at once
ticks(11); subject.turn()
told = board.out.decode()
"""
    )
    packs = [decode_senml(check_crc(x.encode())) for x in told.splitlines()]

    assert [p.seq for p in packs][:2] == [0, 2]
    assert sum(len(p.names) for p in packs) >= 8
    edge = next(p for p in packs if 1.0 in p.value)
    closed = [(t, v) for n, t, v in zip(edge.names, edge.t_ns, edge.value, strict=True) if n == "a"]
    assert [v for _, v in closed][-2:] == [0.0, 1.0]
    assert closed[-1][0] - closed[-2][0] == 2_000_000  # EDGE_LATE_US


def test_interrupts_ask_for_no_memory():
    """With the heap locked every handler of a pin or a timer still does its work."""
    told = run_script(
        """
import micropython
from bridge import Bridge
from contacts import Contacts
from quadrature import Encoder
from sample_buffer import SampleBuffer
class Pin:
    def __init__(self): self.level = 1
    def value(self, level=None): return self.level
class Board:
    def __init__(self): self.pins, self.timers = [], []
    def ticks_us(self): return (1 << 30) - 1
    def input_pin(self, number, pull_up=False): return Pin()
    def output_pin(self, number): return Pin()
    def on_edges(self, pin, handler): self.pins.append((pin, handler))
    def every(self, period_ms, handler): self.timers.append(handler)
board, samples, edges = Board(), SampleBuffer(4), SampleBuffer(4)
encoder = {"a": 1, "b": 2, "zero": 3, "zero_level": 0, "wraps_at": 4096, "rate_hz": 50}
Encoder(board, encoder, 0, 1, samples)
Bridge(board, {"clock": 4, "data": 5, "extra_pulses": 1}, 2, 3)
Contacts(board, [{"pin": 6}, {"pin": 7}], first_channel=4, closed_level=0, rate_hz=50,
         edges=edges, samples=samples)
failed = []
for pin, handler in board.pins + [(None, handler) for handler in board.timers]:
    micropython.heap_lock()
    try:
        for _ in range(3):
            if pin: pin.level = 1 - pin.level
            handler(pin)
    except MemoryError:
        failed += [None]
    micropython.heap_unlock()
told = [len(failed), len(board.pins), len(samples), samples.lost, len(edges), edges.lost]
"""
    )

    assert told == [0, 6, 4, 5, 4, 2]


def test_the_firmware_runs_in_little_memory():
    """With its own configuration a node needs less than 120 kB of heap on a 64-bit machine.

    A board's words are half as long, so it needs less there.
    """
    used = run_script(
        f"""
import gc, sys
sys.modules.pop("config", None)
sys.path.insert(0, {str(FIRMWARE)!r})
class Board:
    TICKS_PERIOD = 1 << 30
    def __getattr__(self, name):
        if name == "boot_mark": return lambda: "01234567"
        if name == "ticks_us": return lambda: 0
        return lambda *a, **k: self
    def value(self, *level): return 1
gc.collect(); before = gc.mem_alloc()
import config_wheels, node
subject = node.Node(Board(), config_wheels)
gc.collect()
told = gc.mem_alloc() - before
"""
    )

    assert used < 120_000, used
