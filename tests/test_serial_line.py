"""A serial line through real pseudo-terminals, sockets and device files."""

import os
import queue
import re
import select
import subprocess
import sys
import threading
import time
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

import pytest

from logger.errors import SourceUnavailable
from logger.readings.rig_file import Source as SourceTable
from logger.readings.rig_file import read_rig
from logger.sources.arrival import Arrival, SourceNote
from logger.sources.frames import sign
from logger.sources.quiet_port import LONGEST_QUIET_S, QuietPort, quiet_limit_s
from logger.sources.serial_line import LONGEST_RETRY_S, SerialLine
from logger.sources.serial_port import READS_PER_S, ReadPacing, Wire, adapter_latency_s, open_port
from logger.sources.uptime_questions import REMEMBERED_QUESTIONS, UptimeQuestions
from tests.campaigns.replugs import campaign as replug
from tests.campaigns.serial_noise import campaign as send_noise
from tests.rig_of_a_bay import RIG
from tests.terminal import Terminal


@pytest.fixture
def terminal(tmp_path):
    """A plugged pseudo-terminal."""
    terminal = Terminal(tmp_path / "port")
    yield terminal
    terminal.close()


def table(port, **keys):
    """A source's table in a rig file."""
    return SourceTable(**{"id": "mast", "kind": "serial", "port": str(port), **keys})


class Run:
    """A started source and what came from it."""

    def __init__(self, source, *, size=0):
        self.queue = queue.Queue(size)
        self.seen = []
        self.source = source
        self._begin_ns = time.monotonic_ns()
        source.start(self.queue.put_nowait, self.clock)

    def clock(self):
        """Time since the start, ns."""
        return time.monotonic_ns() - self._begin_ns

    def until(self, done, *, within_s=10):
        """Takes what comes until it is enough."""
        deadline = time.monotonic() + within_s
        while not done(self):
            left = deadline - time.monotonic()
            assert left > 0, f"in {within_s} s only came {self.notes} and {len(self.arrivals)}"
            try:
                self.seen.append(self.queue.get(timeout=min(left, 0.1)))
            except queue.Empty:
                continue
        return self

    def drain(self):
        """Takes all that is there."""
        while not self.queue.empty():
            self.seen.append(self.queue.get_nowait())

    @property
    def arrivals(self):
        """The packs that came."""
        return [x for x in self.seen if isinstance(x, Arrival)]

    @property
    def notes(self):
        """The notes that came."""
        return [x for x in self.seen if isinstance(x, SourceNote)]

    def values(self):
        """The readings that came, in their order."""
        return [v for a in self.arrivals for v in a.pack.value.tolist()]

    def kinds(self):
        """The kinds of the notes that came."""
        return [n.kind for n in self.notes]


@pytest.fixture
def start():
    """Starts sources and stops them after the test."""
    runs = []

    def started(source, **options):
        runs.append(Run(source, **options))
        return runs[-1]

    yield started
    for run in runs:
        run.source.stop()
    assert not [t for t in threading.enumerate() if t.name.startswith("serial")]


def pack(seq):
    """A pack with a count."""
    return b'[{"bn":"rig:","seq":%d,"n":"enc","v":%d}]' % (seq, seq * 2)


def come(count):
    """Whether so many packs came."""
    return lambda run: len(run.arrivals) >= count


def noted(kind, count=1):
    """Whether so many notes of a kind came."""
    return lambda run: run.kinds().count(kind) >= count


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@pytest.mark.parametrize("frame", [pack, lambda seq: sign(pack(seq))], ids=["bare", "signed"])
def test_packs_come_through_a_line(terminal, start, end, frame):
    """Every pack on the line arrives once, in order, signed or not, with either line end."""
    run = start(SerialLine(table(terminal.link)))
    for seq in range(200):
        terminal.send(frame(seq) + end)
    run.until(come(200))

    assert [a.pack.seq for a in run.arrivals] == list(range(200))
    assert [a.pack.value[0] for a in run.arrivals] == [2 * i for i in range(200)]
    assert run.notes == []


def test_arrival_is_stamped_when_the_bytes_are_there(terminal, start):
    """The stamp lies between sending and taking, and a frame's wire time is bytes × 10 / baud."""
    run = start(SerialLine(table(terminal.link, baud=9600)))
    line = pack(1) + b"\n"
    begin_ns = run.clock()
    terminal.send(line)
    run.until(come(1))
    [arrival] = run.arrivals

    assert begin_ns <= arrival.arrival_ns <= run.clock()
    assert arrival.wire_ns == len(line) * 10 * 1_000_000_000 // 9600
    assert (arrival.source, arrival.retained, arrival.acknowledge) == ("mast", False, None)


def test_text_lines_come_through_a_line(terminal, start):
    """An instrument's own lines are read by the rig file's expression."""
    source = table(terminal.link, decode="text", pattern=r"(?P<load>[-+]?\d+\.\d+) kg")
    run = start(SerialLine(source))
    terminal.send(b"...half of one\r\nST +1402.5 kg\r\nST 1403.0 kg\r\n")
    run.until(lambda r: len(r.values()) >= 2)

    assert run.values() == [1402.5, 1403.0]
    assert run.notes == []


def test_bad_frames_are_counted_and_the_next_good_one_is_taken(terminal, start):
    """Noise, a wrong checksum and a line without end are counted, told, and cost no good pack."""
    run = start(SerialLine(table(terminal.link)))
    terminal.send(
        pack(0) + b"\n" + b"\x00\xff noise\n" + pack(1) + b"\n" + pack(2) + b" 00000000\n"
    )
    terminal.send(b"x" * 100_000 + b"\n" + pack(3) + b"\n")
    run.until(lambda r: sum(n.count for n in r.notes) >= 3 and len(r.arrivals) >= 3)

    assert [a.pack.seq for a in run.arrivals] == [0, 1, 3]
    assert set(run.kinds()) == {"bad_frame"}
    assert sum(n.count for n in run.notes) == 3


def test_a_noisy_line_is_told_at_most_once_a_second(terminal, start):
    """A flood of bad frames gives few notes, and their counts add up to all of them."""
    run = start(SerialLine(table(terminal.link)))
    terminal.send(pack(0) + b"\n")
    begin = time.monotonic()
    for _ in range(300):
        terminal.send(b"noise\n" * 10)
    run.until(lambda r: sum(n.count for n in r.notes) == 3000)

    assert len(run.notes) <= time.monotonic() - begin + 2


def test_bad_frames_of_the_last_second_are_told_at_the_stop(terminal, start):
    """Stopping leaves no bad frame untold."""
    run = start(SerialLine(table(terminal.link)))
    terminal.send(pack(0) + b"\nnoise\n" + pack(1) + b"\n")
    run.until(come(2))
    terminal.send(b"noise\n" * 5 + pack(2) + b"\n")
    run.until(come(3))
    run.source.stop()
    run.drain()

    assert sum(n.count for n in run.notes) == 6


def test_the_rest_of_a_line_that_began_before_is_no_bad_frame(terminal, start):
    """Joining in the middle of a line is no fault of the line; a whole bad line still is."""
    run = start(SerialLine(table(terminal.link)))
    terminal.send(b'"v":1}]\n' + pack(0) + b"\n")
    run.until(come(1))
    run.source.stop()
    other = start(SerialLine(table(terminal.link)))
    terminal.send(b'[{"n":"a"}]\n' + pack(1) + b"\n")
    other.until(come(1))

    assert run.notes == []
    assert [(n.kind, n.count) for n in other.notes] == [("bad_frame", 1)]


@pytest.mark.parametrize("replugs", [3])
def test_an_unplugged_port_is_told_and_opened_again(terminal, start, replugs):
    """When the adapter is pulled and put back the line goes on, with both noted, in 2 s."""
    run = start(SerialLine(table(terminal.link)))
    for i in range(replugs):
        terminal.send(pack(i) + b"\n")
        run.until(come(i + 1))
        terminal.unplug()
        run.until(noted("lost", i + 1))
        time.sleep(0.3)
        terminal.plug()
        back = time.monotonic()
        run.until(noted("back", i + 1))
        assert time.monotonic() - back < 2.5
    terminal.send(pack(replugs) + b"\n")
    run.until(come(replugs + 1))

    assert run.kinds() == ["lost", "back"] * replugs
    assert [a.pack.seq for a in run.arrivals] == list(range(replugs + 1))


def test_a_full_queue_is_owned_up_to(terminal, start):
    """What finds the queue full is counted and told once there is room; the rest goes on."""
    run = start(SerialLine(table(terminal.link)), size=5)
    for seq in range(40):
        terminal.send(pack(seq) + b"\n")
    deadline = time.monotonic() + 10
    while not run.queue.full() and time.monotonic() < deadline:
        time.sleep(0.01)
    time.sleep(0.3)
    run.until(noted("overflow"))
    terminal.send(pack(40) + b"\n")
    run.until(lambda r: r.arrivals[-1].pack.seq == 40)

    [note] = run.notes
    assert note.count == 35
    assert [a.pack.seq for a in run.arrivals] == [0, 1, 2, 3, 4, 40]


def test_a_socket_is_a_port_too(start):
    """A pyserial URL reads from a terminal server, at more than a byte a turn."""
    import socket

    with socket.create_server(("127.0.0.1", 0)) as server:
        run = start(SerialLine(table(f"socket://127.0.0.1:{server.getsockname()[1]}")))
        connection, _ = server.accept()
        with connection:
            connection.sendall(b"".join(pack(i) + b"\n" for i in range(5000)))
            run.until(come(5000))
            run.source.stop()

    assert [a.pack.seq for a in run.arrivals] == list(range(5000))


def test_other_urls_are_read_and_written_too():
    """A port of pyserial's own, without a file descriptor, sends and gives what came."""
    wire = Wire(open_port("loop://", 115_200, where="test"))
    sent = wire.send(b"up? 1\n")
    heard = wire.read()
    wire.close()

    assert sent == len(heard) == 6
    assert heard == b"up? 1\n"


def test_a_socket_is_asked_for_uptime(start):
    """A question goes out through a terminal server too, and its answer has its moment."""
    import socket

    with socket.create_server(("127.0.0.1", 0)) as server:
        port = f"socket://127.0.0.1:{server.getsockname()[1]}"
        run = start(SerialLine(table(port, time_exchange=True)))
        connection, _ = server.accept()
        with connection:
            number = int(connection.recv(100).split()[1])
            connection.sendall(b'[{"up":1,"reply":%d}]\n' % number)
            run.until(come(1))
            run.source.stop()

    assert run.arrivals[0].asked_ns <= run.arrivals[0].arrival_ns


def refusal(source):
    """The one line with which a source refuses to start."""
    with pytest.raises(SourceUnavailable) as caught:
        SerialLine(source).start(queue.Queue().put_nowait, time.monotonic_ns)
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith("source 'mast': ")
    return text


def test_a_missing_port_is_told_with_those_that_are_there(tmp_path):
    """A port that is not there gives one line that names it and what could be meant."""
    text = refusal(table(tmp_path / "ttyNone"))

    assert "no port" in text
    assert "there are: " in text or "shows no serial port" in text


def test_a_busy_port_is_told(terminal, start):
    """A port that another program holds gives one line that says so."""
    start(SerialLine(table(terminal.link)))

    assert "is busy: another program holds it" in refusal(table(terminal.link))


def test_a_file_is_no_port(tmp_path):
    """A plain file is no serial port."""
    (tmp_path / "file").write_text("")

    assert "is no serial port" in refusal(table(tmp_path / "file"))


def test_a_server_that_is_not_there_is_told():
    """A terminal server that does not listen, and an unknown kind of URL, give one line each."""
    assert "can't be opened" in refusal(table("socket://127.0.0.1:1"))
    assert "can't be opened" in refusal(table("nothing://here"))


OPEN_AS_NOBODY = """
import grp, os, pwd, sys
from logger.errors import SourceUnavailable
from logger.sources.serial_port import open_port
if os.geteuid() == 0:
    nobody = pwd.getpwnam("nobody")
    os.setgroups([])
    os.setresgid(*[nobody.pw_gid] * 3)
    os.setresuid(*[nobody.pw_uid] * 3)
try:
    open_port(sys.argv[1], 9600, where="source 'mast'")
except SourceUnavailable as exc:
    print(exc)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="device files and groups are of Unix")
@pytest.mark.parametrize("mode", [0o660, 0o600])
def test_a_port_without_permission_names_its_group_and_the_way_in(mode):
    """Without permission one line names the device file's group and the command that helps."""
    master, slave = os.openpty()
    name = os.ttyname(slave)
    group = Path(name).group()
    root = os.geteuid() == 0
    Path(name).chmod(mode if root else mode & 0o077)
    found = subprocess.run(
        [sys.executable, "-c", OPEN_AS_NOBODY, name],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parent.parent,
        check=True,
    ).stdout
    readable = Path(name).stat().st_mode & 0o060 == 0o060 and group != "root"
    os.close(master)
    os.close(slave)

    assert f"no permission to open '{name}'" in found
    assert f"the group '{group}'" in found
    assert (f"sudo usermod -a -G {group} $USER" in found) == readable
    assert ("sudo chmod" in found) != readable


def test_latency_of_what_is_no_adapter_is_unknown(terminal):
    """Where the system keeps no latency timer nothing is guessed."""
    assert adapter_latency_s(str(terminal.link)) is None


NOISE_BYTES = 1_500_000


def test_noise_and_hurt_frames_cost_no_good_frame_and_give_no_false_one():
    """Among noise and cut frames each good frame is taken, no altered one, and nothing grows."""
    found = send_noise(total_bytes=NOISE_BYTES)

    assert found.good > 300
    assert found.passed, found


@pytest.mark.parametrize("guard", ["unchecked", "unsigned-taken"])
def test_without_its_guard_the_noise_gives_altered_frames(guard):
    """Without the checksum, or without "once signed, always signed", altered frames come in."""
    assert send_noise(total_bytes=300_000, guard=guard).false > 0


def test_a_line_that_lost_its_checksum_is_refused(terminal, start):
    """After a signed pack one without a checksum is bad; a new connection begins anew."""
    run = start(SerialLine(table(terminal.link)))
    terminal.send(sign(pack(0)) + b"\n" + pack(1) + b"\n" + sign(pack(2)) + b"\n")
    run.until(come(2))
    terminal.unplug()
    run.until(noted("lost"))
    terminal.plug()
    run.until(noted("back"))
    terminal.send(pack(3) + b"\n")
    run.until(come(3))

    assert [a.pack.seq for a in run.arrivals] == [0, 2, 3]
    assert [(n.count, n.text) for n in run.notes if n.kind == "bad_frame"] == [
        (1, "a line without a CRC where lines carry one")
    ]


def test_a_checksum_can_be_demanded_of_a_source(terminal, start):
    """Where a source must sign, its first pack without a checksum is bad already."""
    run = start(SerialLine(table(terminal.link), crc_demanded=True))
    terminal.send(pack(0) + b"\n" + sign(pack(1)) + b"\n")
    run.until(come(1))

    assert [a.pack.seq for a in run.arrivals] == [1]
    assert run.kinds() == ["bad_frame"]


def test_lines_of_one_chunk_are_dated_by_what_came_after_them(terminal, start):
    """A line further up in a chunk is older by the time that what follows was on the wire."""
    source = table(terminal.link, decode="text", pattern=r"(?P<load>\d+) kg")
    run = start(SerialLine(source))
    terminal.send(b"rest\n")
    time.sleep(0.3)
    lines = [b"%d kg\r\n" % (1000 + i) for i in range(5)]
    terminal.send(b"".join(lines) + b"1")
    run.until(lambda r: len(r.values()) >= 5)
    [arrival] = run.arrivals
    # 8 N 1: ten bits a byte; a line end is counted as one byte.
    after = [8 * (4 - i) + 1 for i in range(5)]

    assert run.values() == [1000, 1001, 1002, 1003, 1004]
    assert arrival.pack.t_ns.tolist() == [-(n * 10 * 1_000_000_000 // 115_200) for n in after]
    assert arrival.wire_ns == 8 * 10 * 1_000_000_000 // 115_200


def test_lines_are_never_dated_before_the_last_read(terminal, start):
    """Where bytes come faster than the declared speed, no line is dated before the last read."""
    source = table(terminal.link, baud=300, decode="text", pattern=r"(?P<load>\d+) kg")
    run = start(SerialLine(source))
    terminal.send(b"rest\n")
    time.sleep(0.05)
    begin_ns = run.clock()
    terminal.send(b"1000 kg\n" * 100)
    run.until(lambda r: len(r.values()) >= 100)

    # A read may have ended at most a read's timeout before; 100 lines at 300 baud take 27 s.
    first = run.arrivals[0]
    assert first.arrival_ns + first.pack.t_ns[0] >= begin_ns - 300_000_000
    times = [t for a in run.arrivals for t in (a.arrival_ns + a.pack.t_ns).tolist()]
    assert times == sorted(times)


def test_packs_without_uptime_are_dated_like_lines_and_others_keep_their_times(terminal, start):
    """Of two packs in one chunk the first is older, but only where its device tells no uptime."""
    run = start(SerialLine(table(terminal.link)))
    time.sleep(0.3)
    with_uptime = b'[{"n":"enc","v":1,"up":5}]'
    terminal.send(pack(1) + b"\n" + with_uptime + b"\n" + pack(2) + b"\n")
    run.until(come(3))
    after = len(with_uptime) + len(pack(2)) + 2

    assert [a.pack.t_ns.tolist() for a in run.arrivals] == [
        [-(after * 10 * 1_000_000_000 // 115_200)],
        [0],
        [0],
    ]


def test_a_busy_line_is_read_a_bounded_number_of_times():
    """What comes more often waits for no longer than one turn; what comes seldom never waits."""
    busy, seldom = ReadPacing(), ReadPacing()
    begin_s = now_s = 1000.0  # a quiet quarter of an hour earns no more reads in a row
    for _ in range(1000):
        pause_s = busy.pause_s(now_s, 20)
        assert pause_s <= 1 / READS_PER_S + 1e-9
        now_s += pause_s + 1e-6

    assert now_s - begin_s == pytest.approx(1000 / READS_PER_S, rel=0.1)
    assert all(seldom.pause_s(i * 1.01 / READS_PER_S, 20) == 0 for i in range(1000))
    assert ReadPacing().pause_s(0.0, 4095) == 0
    assert busy.pause_s(now_s, 4095) == 0


def test_a_silent_port_is_opened_again_and_the_new_one_is_read(terminal, start):
    """An adapter that died without an error is told after its limit; its successor is read."""
    run = start(SerialLine(table(terminal.link), quiet_s=0.5))
    terminal.send(pack(0) + b"\n")
    run.until(come(1))
    dead = Terminal(terminal.link)  # the link now leads to another, the first stays open
    try:
        begin = time.monotonic()
        run.until(noted("lost"), within_s=3)
        assert 0.2 < time.monotonic() - begin < 1.5
        time.sleep(0.3)
        dead.send(pack(1) + b"\n")
        run.until(come(2))
    finally:
        run.source.stop()
        os.close(dead.master)
        os.close(dead._slave)

    assert [a.pack.seq for a in run.arrivals] == [0, 1]
    assert run.kinds() == ["lost", "back"]
    assert re.search(r"silent for \d+ s, opened again$", run.notes[0].text)
    assert "speaks after" in run.notes[1].text


def test_a_port_that_is_merely_slow_is_left_alone(terminal, start):
    """A device that speaks within its limit is never disturbed, one that may be silent neither."""
    slow = start(SerialLine(table(terminal.link), quiet_s=0.6))
    for seq in range(8):
        terminal.send(pack(seq) + b"\n")
        time.sleep(0.25)
    slow.until(come(8))

    assert slow.notes == []
    assert not QuietPort(None, 0.0).is_overdue(1e9)


def test_what_a_silent_port_says_after_all_is_taken_whole(terminal, start):
    """A device slower than the limit loses no line, not even one that began before a try."""
    source = table(terminal.link, decode="text", pattern=r"^(?P<load>\d+) kg$")
    run = start(SerialLine(source, quiet_s=0.3))
    terminal.send(b"rest\n")
    for text in (b"1000 kg\n", b"1001 kg\n1002", b" kg\n"):
        tries = run.kinds().count("lost")
        run.until(noted("lost", tries + 1), within_s=3)
        terminal.send(text)
        run.until(noted("back", tries + 1))
    run.until(lambda r: len(r.values()) >= 3)

    assert run.values() == [1000, 1001, 1002]
    assert set(run.kinds()) == {"lost", "back"}


def test_tries_at_a_silent_port_come_ever_more_seldom():
    """Each try waits twice as long as the one before, up to a minute, until a byte comes."""
    quiet = QuietPort(5.0, 0.0)
    tries, now_s = [], 0.0
    while len(tries) < 7:
        if quiet.is_overdue(now_s):
            quiet.opened_again(now_s)
            tries.append(now_s)
        now_s += 0.5
    quiet.begin(now_s)

    assert tries == [5, 15, 35, 75, 135, 195, 255]
    assert tries[-1] - tries[-2] == LONGEST_QUIET_S
    assert (quiet.tries, quiet.is_overdue(now_s + 4.9)) == (0, False)
    assert quiet.is_overdue(now_s + 5)


@pytest.mark.parametrize(
    ("stale_after", "limit_s"), [("", 5.0), ("0.5 s", 2.5), ("0.1 s", 2.0), ("20 s", 100.0)]
)
def test_the_limit_of_silence_follows_the_channels(stale_after, limit_s):
    """A port may be silent several times as long as the channel that speaks most often."""
    key = f'stale_after = "{stale_after}"\n' if stale_after else ""
    rig = read_rig(RIG + key)
    other = read_rig(
        RIG.replace(
            'id = "mast"', 'id = "spare"\nkind = "serial"\nport = "x"\n[[source]]\nid = "mast"'
        )
    )

    assert quiet_limit_s(rig, "mast") == limit_s
    assert quiet_limit_s(other, "spare") is None


class AnsweringDevice(threading.Thread):
    """Answers questions for its uptime on a clock that is years ahead of the recorder's."""

    OFFSET_NS = 123_456_789_012_345_678

    def __init__(self, terminal, clock, *, answers=True):
        super().__init__(name="device", daemon=True)
        self._terminal, self._clock, self._answers = terminal, clock, answers
        self.done = threading.Event()
        self.asked = []
        self.start()

    def run(self):
        """Answers until done."""
        heard = b""
        while not self.done.is_set():
            ready, _, _ = select.select([self._terminal.master], [], [], 0.05)
            if ready:
                heard += os.read(self._terminal.master, 1000)
            while b"\n" in heard:
                question, _, heard = heard.partition(b"\n")
                up_ns = self._clock() + self.OFFSET_NS
                number = int(re.fullmatch(rb"up\? (\d+)", question)[1])
                self.asked.append(number)
                if self._answers:
                    up = b"%d.%09d" % divmod(up_ns, 1_000_000_000)
                    answer = b'[{"up":%b,"boot":"d","reply":%d}]' % (up, number)
                    self._terminal.send(sign(answer) + b"\n")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.done.set()
        self.join(5)


def test_an_answer_lies_between_its_question_and_its_arrival(terminal, start):
    """The device took its uptime after the moment noted and before the answer's arrival."""
    run = start(SerialLine(table(terminal.link, time_exchange=True)))
    with AnsweringDevice(terminal, run.clock) as device:
        run.until(come(4), within_s=10)
        for arrival in run.arrivals:
            up_ns = arrival.pack.up_ns - device.OFFSET_NS

            assert arrival.pack.reply in device.asked
            assert arrival.asked_ns <= up_ns <= arrival.arrival_ns
            assert arrival.arrival_ns - arrival.asked_ns < 500_000_000
    asked = [a.asked_ns for a in run.arrivals]
    assert all(0.8e9 < b - a < 1.6e9 for a, b in pairwise(asked))
    assert run.notes == []


def test_readings_come_from_a_device_that_never_answers(terminal, start):
    """A device that does not know the question is asked on, and its packs come as before."""
    run = start(SerialLine(table(terminal.link, time_exchange=True)))
    with AnsweringDevice(terminal, run.clock, answers=False) as device:
        deadline = time.monotonic() + 10
        seq = 0
        while len(device.asked) < 3 and time.monotonic() < deadline:
            terminal.send(pack(seq) + b"\n")
            seq += 1
            time.sleep(0.1)
        run.until(come(seq))

    assert device.asked == list(range(device.asked[0], device.asked[0] + 3))
    assert [a.pack.seq for a in run.arrivals] == list(range(seq))
    assert {a.asked_ns for a in run.arrivals} == {None}


def test_an_answer_to_a_question_nobody_asked_has_no_moment(terminal, start):
    """A number that was never asked, or is answered twice, ties the clocks at no moment."""
    run = start(SerialLine(table(terminal.link, time_exchange=True)))
    ready, _, _ = select.select([terminal.master], [], [], 5)
    number = int(os.read(terminal.master, 100).split()[1]) if ready else 0
    for reply in (number + 1_000_000, number, number):
        terminal.send(b'[{"up":1,"reply":%d}]\n' % reply)
    run.until(come(3))

    assert [a.asked_ns is None for a in run.arrivals] == [True, False, True]


def test_a_device_that_takes_no_byte_holds_nothing_up(terminal, start):
    """Questions that can't leave are not waited for: the packs come in time meanwhile."""
    run = start(SerialLine(table(terminal.link, time_exchange=True)))
    os.set_blocking(terminal._slave, False)
    for _ in range(10):  # until the way to the device is full, also where it was moved on
        with suppress(BlockingIOError):
            while True:
                os.write(terminal._slave, b"x")
        time.sleep(0.01)
    begin = time.monotonic()
    for seq in range(15):
        terminal.send(pack(seq) + b"\n")
        time.sleep(0.1)
    run.until(come(15))

    assert time.monotonic() - begin < 3
    assert run.notes == []


def test_questions_are_remembered_in_bounds_and_torn_ones_ended(terminal):
    """Unanswered questions fill no memory; after half a question the next begins on a new line."""
    sent = []

    class Narrow(Wire):
        def send(self, data):
            sent.append(data)
            return len(data) if len(sent) != 3 else 4

    wire = Narrow(open_port(str(terminal.link), 9600, where="test"))
    questions = UptimeQuestions(baud=9600, clock=time.monotonic_ns)
    for i in range(100):
        questions.ask(wire, float(i))
        questions.ask(wire, i + 0.5)
    wire.close()
    numbers = [int(data.split()[1]) for data in sent]

    assert len(sent) == 100
    assert sent[3].startswith(b"\nup? ")
    assert sum(data.startswith(b"\n") for data in sent) == 1
    known = [n for n in numbers if questions.asked_ns(n) is not None]
    assert known == numbers[-REMEMBERED_QUESTIONS:]


def test_only_a_port_with_a_true_speed_counts_as_a_wire(terminal):
    """A pseudo-terminal's bytes take no time on a wire, so none is added to a question's."""
    wire = Wire(open_port(str(terminal.link), 9600, where="test"))
    wire.close()

    assert not wire.has_uart


def test_replugs_are_short_and_each_gap_is_counted(tmp_path):
    """After each replug the line is back within 2 s, and the packs lost are counted exactly."""
    found = replug(tmp_path / "port", replugs=5)

    assert found.passed, found
    assert LONGEST_RETRY_S < 2
