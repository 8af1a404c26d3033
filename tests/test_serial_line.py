"""A serial line through real pseudo-terminals, sockets and device files."""

import os
import pty
import queue
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path

import pytest

from logger.errors import SourceUnavailable
from logger.readings.rig_file import Source as SourceTable
from logger.sources.arrival import Arrival, SourceNote
from logger.sources.frames import sign
from logger.sources.serial_line import SerialLine
from logger.sources.serial_port import adapter_latency_s


class Terminal:
    """A pseudo-terminal whose port is a link of a fixed name, so that it can be replugged."""

    def __init__(self, link):
        self.link = Path(link)
        self.master = None
        self.plug()

    def plug(self):
        """Gives the port to a new pseudo-terminal."""
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self._slave = slave  # held open, as a device holds its line while nobody listens
        name = os.ttyname(slave)
        new = self.link.with_suffix(".new")
        new.symlink_to(name)
        new.replace(self.link)

    def unplug(self):
        """Hangs up, as pulling the adapter does."""
        self.link.unlink()
        os.close(self._slave)
        os.close(self.master)
        self.master = None

    def send(self, data):
        """Writes all of the data as the device."""
        while data:
            data = data[os.write(self.master, data) :]

    def close(self):
        """Unplugs where that was not done."""
        if self.master is not None:
            self.unplug()


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
def test_packs_come_through_a_line(terminal, start, end):
    """Every pack on the line arrives once, in order, signed or not, with either line end."""
    run = start(SerialLine(table(terminal.link)))
    for seq in range(200):
        terminal.send((sign(pack(seq)) if seq % 2 else pack(seq)) + end)
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
    run.until(come(2))

    assert [a.pack.value[0] for a in run.arrivals] == [1402.5, 1403.0]
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
    master, slave = pty.openpty()
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
