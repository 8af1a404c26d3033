"""Registers polled by Modbus: worked examples, two independent servers, and lines that err.

The examples named *application protocol* are of "MODBUS Application Protocol Specification
V1.1b3", those named *serial line* of "MODBUS over Serial Line Specification and Implementation
Guide V1.02", both public at modbus.org; the values were compared with quotations of them in
public repositories.
"""

from __future__ import annotations

import queue
import socket
import struct
import threading
import time
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from dashboard.results import analyse
from logger.errors import FileInvalid, FrameInvalid, SourceUnavailable
from logger.live.check.checking import check
from logger.live.record import record, run_clock
from logger.readings.block import Block
from logger.readings.clock_alignment import ClockFit
from logger.readings.pack import ClockPair
from logger.readings.polled_clock import (
    PolledAlignment,
    exchange,
    fit_polled,
    is_polled,
    polled_clock,
    source_of_clock,
)
from logger.readings.register_table import Register, manual_number_hint
from logger.readings.rig_file import Source, read_rig
from logger.readings.test_file import read_test
from logger.recording.header import RunHeader
from logger.recording.journal import ClockedBlock
from logger.recording.run import open_run
from logger.recording.run_journal import RunJournal
from logger.recording.sealed import write_sealed
from logger.recording.sealing import seal_journal
from logger.sources.arrival import Arrival, SourceNote
from logger.sources.modbus_frames import DeviceRefused, NetworkFraming, SerialFraming
from logger.sources.modbus_link import open_link
from logger.sources.modbus_poller import ModbusPoller, _Exchange
from logger.sources.outlet import Outlet
from logger.sources.poll_pacing import PollPacing
from logger.sources.register_questions import MOST_WORDS, Question, questions_of
from logger.sources.silent_devices import ASK_AGAIN_AFTER_S, SILENCES_IN_A_ROW, SilentDevices
from tests.broker import free_port
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, reduced_sweep
from tests.modbus_peers import Relay, libmodbus_server, pymodbus_server
from tests.rig_of_a_bay import TEST, header

MS = 1_000_000
CHARACTERS = {"parity": "none", "stop_bits": 1}  # a pseudo-terminal takes no parity bit

REGISTERS = (
    {"name": "int16", "table": "holding", "address": 0, "type": "int16"},
    {"name": "uint32", "table": "holding", "address": 1, "type": "uint32"},
    {"name": "int32", "table": "holding", "address": 3, "type": "int32"},
    {
        "name": "float32",
        "table": "holding",
        "address": 5,
        "type": "float32",
        "word_order": "low_first",
    },
    {"name": "bit 2", "table": "holding", "address": 7, "type": "bool", "bit": 2},
    {"name": "bit 1", "table": "holding", "address": 7, "type": "bool", "bit": 1},
    {"name": "uint16", "table": "input", "address": 8, "type": "uint16"},
    {"name": "coil", "table": "coil", "address": 20},
    {"name": "discrete", "table": "discrete", "address": 21},
)
READ = {
    "int16": -2.0,
    "uint32": 100_000.0,
    "int32": -100_000.0,
    "float32": 1234.0,
    "bit 2": 1.0,
    "bit 1": 0.0,
    "uint16": 10.0,
    "coil": 1.0,
    "discrete": 0.0,
}
"""What the servers of ``modbus_peers`` hold."""


def table(*, registers=REGISTERS, **keys):
    """A source's table in a rig file."""
    return Source(**{"id": "bus", "kind": "modbus", "register": registers, "poll": "20 ms", **keys})


class Run:
    """A started source and what came from it."""

    def __init__(self, source):
        self.queue, self.seen, self.source = queue.Queue(), [], source
        begin_ns = time.monotonic_ns()
        source.start(self.queue.put_nowait, lambda: time.monotonic_ns() - begin_ns)

    def until(self, done, *, within_s=20):
        """Takes what comes until it is enough."""
        deadline = time.monotonic() + within_s
        while not done(self):
            assert time.monotonic() < deadline, f"{self.notes[-5:]} and {len(self.arrivals)}"
            try:
                self.seen.append(self.queue.get(timeout=0.1))
            except queue.Empty:
                continue
        return self

    @property
    def arrivals(self):
        """The packs that came."""
        return [x for x in self.seen if isinstance(x, Arrival)]

    @property
    def notes(self):
        """What the source said of itself, missed polls left out: the machine may be busy."""
        notes = (x for x in self.seen if isinstance(x, SourceNote))
        return [(n.kind, n.text) for n in notes if n.kind != "missed_polls"]

    def readings(self):
        """The latest value of each register."""
        return {
            name: value
            for a in self.arrivals
            for name, value in zip(a.pack.names, a.pack.value.tolist(), strict=True)
        }

    def says(self, kind, words=""):
        """Whether a note of that kind with those words came."""
        return any(k == kind and words in text for k, text in self.notes)


@pytest.fixture
def start():
    """Starts sources and stops them after the test."""
    runs = []

    def started(source):
        runs.append(Run(ModbusPoller(source)))
        return runs[-1]

    yield started
    for run in runs:
        run.source.stop()


# Worked examples of the public specifications

APPLICATION_PROTOCOL = [
    ("6.1 read coils", "coil", 0x13, 19, "01 00 13 00 13", "01 03 CD 6B 05"),
    ("6.2 read discrete inputs", "discrete", 0xC4, 22, "02 00 C4 00 16", "02 03 AC DB 35"),
    ("6.3 read holding registers", "holding", 0x6B, 3, "03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    ("6.4 read input registers", "input", 0x08, 1, "04 00 08 00 01", "04 02 00 0A"),
]
MEANS = {
    "6.1 read coils": [int(b) for b in "1011001111010110101"],  # CD 6B 05, low bit first
    "6.2 read discrete inputs": [int(b) for b in "0011010111011011101011"],  # AC DB 35
    "6.3 read holding registers": [555, 0, 100],
    "6.4 read input registers": [10],
}


@pytest.mark.parametrize("example", APPLICATION_PROTOCOL, ids=lambda e: e[0])
@pytest.mark.parametrize("serial", [True, False], ids=["serial", "network"])
def test_the_application_protocols_examples(example, serial):
    """Question and answer of each example, byte by byte, in both kinds of frame."""
    name, space, address, count, asks, answers = example
    question = Question(device=17, table=space, address=address, count=count, registers=())
    framing = SerialFraming() if serial else NetworkFraming()
    asked, answer = bytes.fromhex(asks), bytes.fromhex(answers)
    number = 0 if serial else 0x1501
    if serial:
        frames = [_with_crc(b"\x11" + message) for message in (asked, answer)]
    else:
        frames = [
            struct.pack(">HHHB", number, 0, len(message) + 1, 17) + message
            for message in (asked, answer)
        ]

    assert framing.question(question, number) == frames[0]
    assert framing.answer(frames[1], question, number) == MEANS[name]
    for cut in range(len(frames[1])):
        assert framing.answer(frames[1][:cut], question, number) is None


def _with_crc(frame):
    """A frame with its checksum, reckoned bit by bit as the serial line's guide says (6.2.2)."""
    crc = 0xFFFF
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return frame + struct.pack("<H", crc)


def test_the_serial_lines_checksum_examples():
    """Serial line 6.2.2: frame 02 07 has CRC 1241 hex, sent 41 12; and a whole question."""
    question = Question(device=17, table="holding", address=0x6B, count=3, registers=())

    assert _with_crc(bytes.fromhex("0207")) == bytes.fromhex("02074112")
    assert FramerRTU.compute_CRC(bytes.fromhex("0207")) == 0x4112
    assert SerialFraming().question(question, 0) == bytes.fromhex("1103006B00037687")


def test_an_exception_names_its_cause_and_where_addresses_begin():
    """Application protocol 7: function with its high bit, code 02, which often is 40001 for 0."""
    question = Question(device=1, table="holding", address=40001, count=1, registers=())

    with pytest.raises(DeviceRefused) as caught:
        SerialFraming().answer(_with_crc(bytes.fromhex("018302")), question, 0)
    assert "device 1, holding 40001: exception 2, it has no such address" in str(caught.value)
    assert 'table = "holding", address = 0' in str(caught.value)
    with pytest.raises(DeviceRefused, match="exception 99, which nobody has named"):
        SerialFraming().answer(_with_crc(bytes.fromhex("018363")), question, 0)


WRONG = [
    ("0103020001", "wrong CRC", False),
    ("0203020001", "device 2 answers", True),
    ("0104020001", "function 4", True),
    ("01030400010002", "4 bytes", True),
]


@pytest.mark.parametrize(("frame", "words", "signed"), WRONG)
def test_what_is_no_answer_to_this_question_is_refused(frame, words, signed):
    """Another device, function or length, or a wrong checksum: never numbers."""
    question = Question(device=1, table="holding", address=0, count=1, registers=())
    data = bytes.fromhex(frame)

    with pytest.raises(FrameInvalid, match=words):
        SerialFraming().answer(_with_crc(data) if signed else data + b"\0\0", question, 0)


def test_an_answer_to_an_earlier_question_is_passed_over_on_a_network():
    """Two answers stand one after the other; the one with this question's number is taken."""
    question = Question(device=1, table="holding", address=0, count=1, registers=())
    old, new = (struct.pack(">HHHBBBH", n, 0, 5, 1, 3, 2, 100 + n) for n in (7, 8))

    assert NetworkFraming().answer(old + new, question, 8) == [108]
    assert NetworkFraming().answer(old, question, 8) is None
    with pytest.raises(FrameInvalid, match="no Modbus"):
        NetworkFraming().answer(b"HTTP/1.1 400", question, 8)


@settings(max_examples=50)
@given(st.sets(st.integers(0, 9 * 8 - 1), min_size=1, max_size=3))
def test_up_to_three_wrong_bits_never_give_a_number(places):
    """The checksum sees one to three flipped bits wherever they are; nothing altered comes."""
    question = Question(device=17, table="holding", address=0x6B, count=2, registers=())
    good = _with_crc(bytes.fromhex("110304022B0064"))
    spoilt = bytearray(good)
    for place in places:
        spoilt[place // 8] ^= 1 << place % 8

    assert SerialFraming().answer(good, question, 0) == [555, 100]
    try:
        found = SerialFraming().answer(bytes(spoilt), question, 0)
    except FrameInvalid:
        found = None
    assert found is None


# Questions, times, pace

IMAGE = np.random.default_rng(7).integers(0, 2**16, 4_000).tolist()


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 300),
            st.sampled_from(["int16", "uint16", "int32", "uint32", "float32"]),
            st.sampled_from([1, 2]),
        ),
        min_size=1,
        max_size=80,
    )
)
def test_what_is_read_together_is_what_would_be_read_alone(wanted):
    """Any registers: no question is too long or reads what nobody named, and values are equal."""
    registers = [
        Register(name=str(i), table="holding", address=a, type=t, device=d)
        for i, (a, t, d) in enumerate(wanted)
    ]
    questions = questions_of(registers)
    together = [p for q in questions for p in q.values(IMAGE[q.address : q.address + q.count])]
    alone = [
        p
        for r in registers
        for q in questions_of([r])
        for p in q.values(IMAGE[q.address : q.address + q.count])
    ]
    named = {(r.device, r.address + i) for r in registers for i in range(r.words)}
    asked = [(q.device, q.address + i) for q in questions for i in range(q.count)]

    np.testing.assert_equal(dict(together), dict(alone))
    assert len(together) == len(registers)
    assert set(asked) == named
    assert all(q.count <= MOST_WORDS for q in questions)


def test_neighbours_are_one_question_and_strangers_are_not():
    """Touching registers go together, also overlapping ones; a gap of one address splits."""
    questions = questions_of([Register(**keys) for keys in REGISTERS])

    assert [str(q) for q in questions] == [
        "device 1, coil 20",
        "device 1, discrete 21",
        "device 1, holding 0 to 7",
        "device 1, input 8",
    ]


def test_steps_that_are_missed_are_counted_and_never_made_up_for():
    """After a stall the step that is due is asked at once, those before it are gone."""
    pacing = PollPacing(0.1, 5.0)

    assert pacing.wait_s(5.0) == 0.0
    assert pacing.asked(5.02) == 0
    assert pacing.wait_s(5.02) == pytest.approx(0.08)
    assert pacing.asked(5.55) == 3
    assert pacing.wait_s(5.55) == 0.0
    assert pacing.asked(5.56) == 0
    assert pacing.wait_s(5.56) == pytest.approx(0.04)


def test_a_silent_device_is_told_once_and_asked_less_often():
    """The third silence in a row counts it as dead; then it is asked now and then."""
    silent = SilentDevices()
    told = [silent.silent(4, float(n)) for n in range(SILENCES_IN_A_ROW + 2)]

    assert told == [n == SILENCES_IN_A_ROW - 1 for n in range(SILENCES_IN_A_ROW + 2)]
    assert silent.away == (4,)
    assert not silent.is_due(4, SILENCES_IN_A_ROW + 1.5)
    assert silent.is_due(4, SILENCES_IN_A_ROW + 1 + 8 * ASK_AGAIN_AFTER_S)
    assert silent.is_due(5, 0.0)
    assert silent.answered(4)
    assert not silent.answered(4)
    assert silent.away == ()


def test_the_time_of_a_reading_is_the_middle_of_its_exchange():
    """Half the longest exchange bounds it, as a rectangle; live the last seconds' longest."""
    pairs = [
        exchange(asked_ns=n * 100 * MS, arrival_ns=n * 100 * MS + d * MS)
        for n, d in enumerate((4, 4, 20, 4, 4))
    ]
    fit, live = fit_polled(pairs), PolledAlignment(window_ns=250 * MS)
    u_ns = []
    for pair in pairs:
        live.add(pair)
        u_ns.append(live.u_ns)

    assert pairs[2] == ClockPair(device_ns=210 * MS, arrival_ns=220 * MS, asked_ns=200 * MS)
    assert (fit.offset_ns, fit.rate, fit.pairs, fit.pairs_two_way) == (0, 1.0, 5, 5)
    assert fit.u_s == pytest.approx(0.010 / 3**0.5)
    assert fit.residual_s == pytest.approx(0.008)
    assert u_ns == pytest.approx([2e6 / 3**0.5] * 2 + [10e6 / 3**0.5] * 3, rel=1e-5)
    with pytest.raises(ValueError, match="no exchange"):
        fit_polled([])


def test_the_longest_exchange_of_many_is_never_thinned_out(tmp_path, monkeypatch):
    """Of more pairs than are kept, the one that says how bad times can be reaches the seal."""
    monkeypatch.setattr("logger.recording.clock_pairs.MOST_PAIRS", 200)
    pairs = [
        exchange(asked_ns=n * 10 * MS, arrival_ns=n * 10 * MS + (50 if n == 1234 else 2) * MS)
        for n in range(9 * 200)
    ]
    t_ns = np.array([pair.device_ns for pair in pairs[:5]])
    clock = polled_clock("mast")
    path = tmp_path / "a.journal"
    with RunJournal.create(path, header()) as journal:
        journal.append([ClockedBlock(channel="load", clock=clock, t_ns=t_ns, value=t_ns * 1.0)])
        journal.add_pairs(clock, pairs)
        journal.commit()
    run = open_run(seal_journal(path))
    fit = run.header.clock_fits[clock]

    assert fit.pairs <= 2 * 200
    assert fit.u_s == pytest.approx(0.025 / 3**0.5)
    assert run.raw("load").t_ns.tolist() == t_ns.tolist()
    assert run.header.dated_by == {"mast": ("exchange",)}


def test_a_clocks_name_tells_its_source_and_whether_it_is_polled():
    """A device can't take the name of polled times, whatever it calls its start."""
    assert source_of_clock(polled_clock("bus-1")) == "bus-1"
    assert source_of_clock("mast#b@polled") == "mast"
    assert is_polled(polled_clock("bus-1"))
    assert not is_polled("mast#b@polled")


# The rig file

RIG = """
[rig]
id = "bay-2"

[[source]]
id = "bus"
kind = "modbus"
url = "modbus://127.0.0.1:502"
poll = "20 ms"

[[source.register]]
name = "gross"
table = "holding"
address = 1
type = "uint32"

[[source.register]]
name = "rear left"
table = "discrete"
address = 21

[[channel]]
id = "load"
source = "bus"
name = "gross"
unit = "kg"
scale = 0.01
stale_after = "2 s"

[[channel]]
id = "wheel/rear_left"
source = "bus"
name = "rear left"
closed_when = false

[[channel]]
id = "wheel/rear_right"
source = "bus"
name = "rear left"
closed_when = false
"""

MISTAKES = [
    (
        "address = 1\n",
        "address = 400001\n",
        ['register "gross"', "400001", 'table = "holding", address = 0'],
    ),
    ("address = 1\n", "address = -1\n", ["address", "-1"]),
    ("address = 1\n", "address = 65535\n", ["second word", "65535"]),
    ('type = "uint32"', "", ["gross", "needs 'type'", "float32"]),
    ('type = "uint32"', 'type = "uint64"', ["type", "'uint64'", "'uint32'"]),
    ('type = "uint32"', 'type = "bool"', ["'bit'"]),
    ('type = "uint32"', 'type = "int16"\nword_order = "low_first"', ["word_order", "int32"]),
    ('type = "uint32"', 'type = "uint32"\nscale = 0.01', ["'scale' belongs to the [[channel]]"]),
    ("address = 21", 'address = 21\ntype = "int16"', ["rear left", "one bit"]),
    ('name = "rear left"\ntable', 'name = "gross"\ntable', ["'gross' is there twice"]),
    ('name = "gross"\nunit', 'name = "gros"\nunit', ["'gros'", "no register", "gross, rear left"]),
    ('poll = "20 ms"', 'poll = "20"', ["poll", "'20'", "no unit"]),
    ('poll = "20 ms"', 'poll = "0 s"', ["poll", "0.001"]),
    ('poll = "20 ms"', 'polls = "20 ms"', ["polls", "'poll'"]),
    ('url = "modbus://127.0.0.1:502"', "", ["'port' or 'url'"]),
    ('url = "modbus://', 'port = "COM3"\nurl = "modbus://', ["'port' or 'url'", "only one"]),
    (
        "modbus://127.0.0.1:502",
        "tcp://127.0.0.1",
        ["no Modbus device", "modbus://192.168.1.50:502"],
    ),
    (
        'url = "modbus://127.0.0.1:502"',
        'port = "COM3"\nparity = "mark"',
        ["parity", "'mark'", "'even'"],
    ),
    (
        'poll = "20 ms"',
        'poll = "20 ms"\ndecode = "text"\npattern = "x"',
        ["'decode' does not go with"],
    ),
    ('kind = "modbus"', 'kind = "serial"\nport = "x"', ['goes with kind = "modbus"']),
    ("address = 21", "address = 21\ndevice = 256", ["device", "255"]),
]


@pytest.mark.parametrize(("good", "bad", "says"), MISTAKES)
def test_a_mistake_about_registers_is_one_line_that_helps(good, bad, says):
    """The line names the key, what stands there and what would do."""
    assert good in RIG
    with pytest.raises(FileInvalid) as caught:
        read_rig(RIG.replace(good, bad, 1))
    line = str(caught.value)
    assert "\n" not in line
    for word in says:
        assert word in line, line


def test_devices_of_a_serial_line_and_its_usual_characters():
    """Even parity, one stop bit and 19 200 Bd stand by themselves; 0 and 248 are no devices."""
    source = table(port="COM3")

    assert (source.baud, source.parity, source.stop_bits) == (19_200, None, None)
    assert table(port="COM3", baud=9600).baud == 9600
    for device in (0, 248):
        with pytest.raises(ValueError, match="from 1 to 247"):
            table(port="COM3", registers=[REGISTERS[0] | {"device": device}])
    assert table(url="modbus://[::1]", registers=[REGISTERS[0] | {"device": 255}])


@pytest.mark.parametrize(
    ("number", "means"),
    [(40001, "holding 0"), (400108, "holding 107"), (30009, "input 8"), (10197, "discrete 196")],
)
def test_numbers_of_manuals_are_explained(number, means):
    """Five and six digits; the application protocol's own examples are 108, 9 and 197."""
    space, address = means.split()

    assert f'table = "{space}", address = {address}' in manual_number_hint(number)
    assert manual_number_hint(107) == manual_number_hint(50001) == ""


def test_a_port_that_cannot_do_its_characters_is_told_in_one_line():
    """A pseudo-terminal has no parity bit, and says so; the line names the way out."""
    with Relay() as relay, pytest.raises(SourceUnavailable) as caught:
        open_link(table(port=relay.near))
    assert "does not do even parity" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_ports_characters_are_those_of_the_rig_file():
    """Eleven bits each: with parity one stop bit, without it two, or as the file says."""
    for keys, wanted in (
        ({}, ("E", 1)),
        ({"parity": "odd"}, ("O", 1)),
        ({"parity": "none"}, ("N", 2)),
        ({"parity": "none", "stop_bits": 1}, ("N", 1)),
    ):
        link = open_link(table(port="loop://", **keys))
        found = (link._line.parity, link._line.stopbits)
        link.close()

        assert found == wanted
        assert link._line.bytesize == 8


# Two servers that share no code

PEERS = [
    pytest.param(server, is_serial, id=f"{name}-{'serial' if is_serial else 'network'}")
    for name, server in (("pymodbus", pymodbus_server), ("libmodbus", libmodbus_server))
    for is_serial in (True, False)
]


@pytest.mark.parametrize(("server", "is_serial"), PEERS)
def test_registers_of_every_type_are_read(server, is_serial, start):
    """Both servers, both kinds of line: values, one exchange for neighbours, times inside it."""
    with Relay() as relay:
        port = free_port()
        place = {"port": relay.far} if is_serial else {"tcp": port}
        with server(**place):
            keys = {"port": relay.near} | CHARACTERS if is_serial else {"url": _url(port)}
            run = start(table(**keys)).until(lambda r: len(r.arrivals) >= 12)
            run.source.stop()

    assert run.readings() == READ
    assert run.notes == []
    assert {a.pack.names for a in run.arrivals} == {
        ("coil",),
        ("discrete",),
        ("int16", "uint32", "int32", "float32", "bit 2", "bit 1"),
        ("uint16",),
    }
    for earlier, later in pairwise(run.arrivals):
        assert earlier.arrival_ns <= later.asked_ns < later.arrival_ns
        middle_ns = later.arrival_ns + later.pack.t_ns
        assert (abs(middle_ns - (later.asked_ns + later.arrival_ns) / 2) <= 1).all()


def _url(port):
    return f"modbus://127.0.0.1:{port}"


# Lines that err

ONE = ({"name": "gross", "table": "holding", "address": 1, "type": "uint32"},)


def test_a_serial_line_that_spoils_drops_delays_and_echoes(start):
    """Each is counted with its reason, no wrong number comes, and what goes is told once."""
    with Relay() as relay, pymodbus_server(port=relay.far):
        run = start(table(port=relay.near, registers=ONE, timeout="100 ms", **CHARACTERS))
        run.until(lambda r: len(r.arrivals) >= 3)
        relay.change = lambda data: data[:3] + bytes([data[3] ^ 1]) + data[4:]
        run.until(lambda r: r.says("bad_frame", "wrong CRC"))
        relay.change = lambda _: b""
        run.until(lambda r: r.says("lost", "device 1 does not answer"))
        spoilt = len(run.arrivals)
        relay.change = None
        run.until(lambda r: r.says("back", "answers again") and len(r.arrivals) > spoilt)
        relay.echo = True
        echoed = len(run.arrivals)
        run.until(lambda r: len(r.arrivals) >= echoed + 3)

    assert set(run.readings().values()) == {100_000.0}
    assert run.says("bad_frame", "no answer within 100 ms from device 1, holding 1 to 2")
    assert [k for k, _ in run.notes].count("lost") == 1


def test_a_late_answer_never_passes_for_the_next_ones(start):
    """Two registers in turn, answers later than allowed: nothing is taken, and nothing mixed up."""
    registers = (*ONE, {"name": "far", "table": "holding", "address": 107, "type": "uint32"})
    with Relay() as relay, libmodbus_server(port=relay.far):
        relay.delay_s = 0.25  # after the first's limit, in the second's wait if that began then
        run = start(table(port=relay.near, registers=registers, timeout="200 ms", **CHARACTERS))
        run.until(lambda r: len([k for k, _ in r.notes if k == "lost"]) >= 1)
        late = run.readings()
        relay.delay_s = 0.0
        run.until(lambda r: len(r.readings()) == 2)

    if relay.slowest_s > 2 * 0.2:  # longer than the recorder waits for it: see the README
        pytest.skip(f"this machine held an answer back for {relay.slowest_s:.2f} s")
    assert late == {}
    assert run.readings() == {"gross": 100_000.0, "far": float(555 << 16)}


def test_a_device_that_dies_leaves_the_others_their_pace(start):
    """Two devices on one line, one of them not there: the other goes on being read."""
    registers = (*ONE, {**ONE[0], "name": "dead", "device": 9})
    with Relay() as relay, libmodbus_server(port=relay.far):
        run = start(table(port=relay.near, registers=registers, timeout="50 ms", **CHARACTERS))
        run.until(lambda r: r.says("lost", "device 9"))
        before = len(run.arrivals)
        run.until(lambda r: len(r.arrivals) >= before + 6)

    assert set(run.readings()) == {"gross"}


def test_a_network_device_that_goes_comes_back(start):
    """The connection's end is told with its cause, and it is made again by itself."""
    port = free_port()
    with pymodbus_server(tcp=port):
        run = start(table(url=_url(port), registers=ONE)).until(lambda r: len(r.arrivals) >= 2)
    run.until(lambda r: r.says("lost", "closed the connection"))
    with pymodbus_server(tcp=port):
        before = len(run.arrivals)
        run.until(lambda r: r.says("back") and len(r.arrivals) > before)
        run.source.stop()


def test_serial_frames_go_through_a_gateway_too(start):
    """A port may be a gateway that hands bytes on, as for other serial lines."""
    port = free_port()
    with pymodbus_server(tcp=port, serial_frames=True):
        run = start(table(port=f"socket://127.0.0.1:{port}", registers=ONE, **CHARACTERS))
        run.until(lambda r: len(r.arrivals) >= 3)
        run.source.stop()

    assert run.readings() == {"gross": 100_000.0}


def test_a_connection_on_which_nobody_answers_is_made_anew(start):
    """A device behind a dead network looks open: it is connected to again, and told once."""
    with socket.create_server(("127.0.0.1", 0)) as mute:
        source = table(url=_url(mute.getsockname()[1]), registers=ONE, timeout="20 ms")
        run = Run(ModbusPoller(source, quiet_s=0.2))
        connections = []
        try:
            mute.settimeout(10)
            connections += [mute.accept()[0] for _ in range(2)]
        finally:
            run.source.stop()
            for connection in connections:
                connection.close()
        run.until(lambda r: r.says("lost", "does not answer"))

    assert [k for k, _ in run.notes].count("lost") == 1
    assert run.readings() == {}


class SlowLink:
    """A port whose reads wait longer than they were asked to, as on some systems."""

    numbered = False

    def clear(self):
        """Nothing is there."""

    def send(self, data):
        """Nobody hears it."""

    def receive(self, within_s):
        """A good answer, later than allowed."""
        time.sleep(within_s + 0.02)
        return _with_crc(bytes.fromhex("010304000186A0"))


def test_an_answer_that_took_longer_than_allowed_is_no_reading():
    """It could be off by any time, so it is refused with how long it took."""
    asked = _Exchange(
        SlowLink(), SerialFraming(), Outlet("bus", print, lambda: 0), threading.Event()
    )
    (question,) = questions_of([Register(**ONE[0])])

    with pytest.raises(FrameInvalid, match=r"an answer after \d+ ms from device 1, holding 1 to 2"):
        asked.ask(question, 1, within_s=0.02)
    assert asked.ask(question, 1, within_s=0.0) is None


def test_nobody_at_the_address_is_one_line(start):
    """Before anything runs the person who wired it is told where nobody listens."""
    port = free_port()

    with pytest.raises(SourceUnavailable) as caught:
        start(table(url=_url(port)))
    assert f"source 'bus': no Modbus device at 127.0.0.1:{port} (Connection refused)" in str(
        caught.value
    )


def test_an_address_that_the_device_lacks_is_told_with_the_likely_one(start):
    """An exception is counted with its words; the device counts as there."""
    port = free_port()
    registers = (*ONE, {**ONE[0], "name": "manual", "address": 40001})
    with pymodbus_server(tcp=port):
        run = start(table(url=_url(port), registers=registers))
        run.until(lambda r: r.says("bad_frame") and len(r.arrivals) >= 5)
        run.source.stop()

    assert run.says("bad_frame", "exception 2, it has no such address; addresses count from 0")
    assert not run.says("lost")
    assert run.readings() == {"gross": 100_000.0}


def test_a_float_that_is_no_number_is_no_reading(start):
    """Devices say "broken" by NaN: it is counted with its name, its neighbours are kept."""
    port = free_port()

    def broken(sending, data):
        return data.replace(b"\x40\x00\x44\x9a", b"\x00\x00\x7f\xc0") if sending else data

    with pymodbus_server(tcp=port, trace=broken):
        run = start(table(url=_url(port), registers=REGISTERS[:4]))
        run.until(lambda r: r.says("bad_frame") and len(r.arrivals) >= 2)
        run.source.stop()

    assert run.says("bad_frame", "float32 is nan, no number")
    assert run.readings() == {k: READ[k] for k in ("int16", "uint32", "int32")}


def test_what_a_device_renews_seldom_is_dated_wider(start):
    """``refresh`` lets the exchange begin that much earlier, so middle and half move with it."""
    port = free_port()
    with pymodbus_server(tcp=port):
        run = start(table(url=_url(port), registers=ONE, refresh="0.1 s"))
        run.until(lambda r: len(r.arrivals) >= 2)
        run.source.stop()

    for arrival in run.arrivals:
        assert arrival.arrival_ns - arrival.asked_ns > 100 * MS
        assert arrival.pack.t_ns[0] < -50 * MS


# A whole recording, and the check before it


def test_a_recording_of_registers_says_how_its_times_were_made(tmp_path):
    """The sealed run holds raw values, exchanges as a clock with its uncertainty, and its way."""
    port = free_port()
    rig_toml = RIG.replace("127.0.0.1:502", f"127.0.0.1:{port}")
    stop, events = threading.Event(), []
    with pymodbus_server(tcp=port):
        threading.Timer(0.8, stop.set).start()
        path = record(
            read_rig(rig_toml),
            read_test(TEST),
            rig_toml,
            TEST,
            tmp_path,
            clock=run_clock(),
            stop=stop,
            on_event=events.append,
        )
    run = open_run(path)
    run.verify()
    fit = run.header.clock_fits["bus@polled"]

    assert run.header.dated_by == {"bus": ("exchange",)}
    assert set(run.raw("load").value.tolist()) == {100_000.0}
    assert run.calibrated("load").value[0] == pytest.approx(1000.0)
    assert (fit.offset_ns, fit.rate) == (0, 1.0)
    assert 0 < fit.u_s < 0.3 / 2 / 3**0.5 + 1e-6
    assert fit.pairs_two_way == fit.pairs >= run.header.samples["load"]
    opened = [e for e in events if e["event"] == "wheel_lift"]
    assert all(e["u_t_s"] is None or 0 < e["u_t_s"] < 0.1 for e in opened)


def test_the_uncertainty_of_exchanges_reaches_the_result(tmp_path):
    """The first lift's time and angle are as unsure as the wheels' exchanges were long."""
    slew_rate_dps, found = 1.2, []
    for u_s in (0.001, 0.2):
        made = reduced_sweep(
            MadeRun(), 1, lift_at=15.0, wheel="rear_left", radius_m=3.5, limit=25.0
        )
        blocks = [
            Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64), value=raw)
            for c, (t, raw) in sorted(made.signals(rates_hz=(50, 50, 20, 100)).items())
        ]
        fit = ClockFit(offset_ns=0, rate=1.0, u_s=u_s, residual_s=0.0, pairs=9, pairs_two_way=9)
        header = RunHeader(
            run_id="made",
            started_utc=None,
            software="test",
            rig_toml=RIG_TOML,
            test_toml=TEST_TOML,
            clock_fits={polled_clock("wheels"): fit},
            dated_by={"wheels": ("exchange",)},
        )
        path = tmp_path / f"{u_s}.parquet"
        write_sealed(path, header, blocks)
        found.append(analyse(open_run(path)))
    lifts = [result["sweeps"][0]["first_lift"] for result in found]
    rear_left = next(r for r in found[1]["readings"] if r["channel"] == "wheel/rear_left")

    assert [lift["u_t_s"] for lift in lifts] == [0.001, 0.2]
    assert lifts[1]["u_slew_deg"] == pytest.approx(
        np.hypot(lifts[0]["u_slew_deg"], 0.2 * slew_rate_dps), rel=0.1
    )
    assert (rear_left["dated_by"], rear_left["u_t_s"]) == ("exchange", 0.2)


def test_the_check_speaks_of_registers(tmp_path):
    """Dead devices, refused addresses and slow answers are told in the words of a Modbus line."""
    port = free_port()
    rig_toml = RIG.replace("127.0.0.1:502", f"127.0.0.1:{port}").replace(
        "address = 1\n", "address = 40001\n"
    )
    with pymodbus_server(tcp=port):
        report, findings = check(
            read_rig(rig_toml), None, rig_toml, listen_s=0.8, say=lambda _: None
        )
    (source,) = report["sources"]
    by_code = {f.code: f for f in findings}

    assert source["kind"] == "modbus"
    assert source["address"] == f"modbus://127.0.0.1:{port}"
    assert source["clock"]["u_s"] > 0
    assert source["tells_up"] is False
    assert "no_uptime" not in by_code
    assert "it has no such address" in by_code["bad_frames"].text
    assert "[[source.register]]" in by_code["bad_frames"].would_do
    assert by_code["channel_dead"].where == "channel 'load'"
