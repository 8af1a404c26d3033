"""Outputs of the alarm, over a real broker, real pseudo-terminals and real programs."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import pty
import signal
import socket
import stat
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from logger.errors import SourceUnavailable
from logger.events.alarm import AlarmChange, AlarmState
from logger.live.alarm_outputs import open_alarm_outputs
from logger.live.announcing import Listener
from logger.readings.rig_file import read_rig
from logger.sources.senml import resolve_senml
from tests.broker import free_port, running_broker
from tests.campaigns.alarm_latency import RIG as LATENCY_RIG
from tests.campaigns.alarm_latency import TEST as LATENCY_TEST
from tests.campaigns.alarm_latency import Device, command
from tests.campaigns.alarm_latency import Listener as Listening
from tests.rig_of_a_bay import RIG
from tests.warm_process import WarmProcess, run_warm

WITHIN_S = 8.0


def alarm(state="confirmed", *, condition="wheel/rear_left", active=True, acknowledged=False):
    return AlarmChange(
        condition=condition,
        state=AlarmState(state),
        active=active,
        acknowledged=acknowledged,
        t_ns=1_500_000_000,
        text=f"{condition} {state}",
    ).as_event()


RECORDING = {"event": "recording", "run_id": "r", "path": "p"}
SEALED = {"event": "sealed", "path": "p", "samples": 1}
CLEARED = alarm("cleared", active=False, acknowledged=True)


def rig(**outputs):
    """A rig file with the given outputs."""
    return read_rig(
        RIG + "[alarm]\n" + "".join(f"{key} = {value}\n" for key, value in outputs.items())
    )


@contextlib.contextmanager
def outputs(**tables):
    """Opened outputs, each behind its thread; (tell, reports)."""
    settings = tables.pop("settings", {})
    reports = []
    opened = open_alarm_outputs(rig(**tables), report=reports.append, **settings)
    listeners = [Listener(output, name=name) for name, output in opened]
    try:
        yield (lambda event: [x.offer(event) for x in listeners]), reports
    finally:
        for listener in listeners:
            listener.close(within_s=5)


def until(true, *, within_s=WITHIN_S):
    """Waits until something is true, and gives it."""
    end = time.monotonic() + within_s
    while not (seen := true()):
        if time.monotonic() > end:
            raise AssertionError(f"not so within {within_s} s")
        time.sleep(0.01)
    return seen


class Lamp:
    """The far end of a serial line: keeps each byte and when it came."""

    def __init__(self, link):
        self.link = link
        self.bytes = []
        self.plug_in()

    def plug_in(self):
        """Plugs the cable in: a new device under the same name."""
        self._ours, theirs = pty.openpty()
        tty.setraw(theirs)
        with contextlib.suppress(FileNotFoundError):
            self.link.unlink()
        self.link.symlink_to(os.ttyname(theirs))
        os.close(theirs)
        self._reader = threading.Thread(target=self._read, args=(self._ours,), daemon=True)
        self._reader.start()

    def _read(self, end):
        while True:
            try:
                got = os.read(end, 100)
            except OSError:  # no one has the other end open, or ours is closed
                if end != self._ours:
                    return
                time.sleep(0.005)
                continue
            now = time.monotonic()
            self.bytes += [(now, bytes([b])) for b in got]

    def unplug(self):
        """Pulls the cable: the recorder's end fails as a real one does."""
        end, self._ours = self._ours, -1
        self.link.unlink()
        os.close(end)
        self._reader.join(5)

    @property
    def said(self):
        """All bytes so far."""
        return b"".join(b for _, b in self.bytes)


@pytest.fixture
def lamp(tmp_path):
    """A lamp on a pseudo-terminal."""
    lamp = Lamp(tmp_path / "lamp")
    yield lamp
    if lamp._ours != -1:
        lamp.unplug()


def table(lamp):
    return f'{{ port = "{lamp.link}" }}'


def test_a_beacon_is_told_each_state_at_once(lamp):
    """Unknown before the recording, then each change within a fifth of a second, 9 at the end."""
    with outputs(beacon=table(lamp)) as (tell, reports):
        until(lambda: lamp.said == b"3")
        for event, digit in (
            (RECORDING, b"0"),
            (alarm("suspect", acknowledged=True), b"1"),
            (alarm(), b"2"),
            (alarm(active=False), None),  # gone, not acknowledged: the lamp stays on
            (CLEARED, b"0"),
            (alarm("unknown"), b"3"),
            (CLEARED, b"0"),
        ):
            if digit is not None:
                count = len(lamp.bytes)
                at_s = time.monotonic()
            tell(event)
            if digit is not None:
                until(lambda count=count: len(lamp.bytes) > count)

                assert lamp.said[-1:] == digit
                assert lamp.bytes[-1][0] - at_s < 0.2
        tell(SEALED)
    until(lambda: lamp.said.endswith(b"9"))

    assert reports == []


def test_a_beacon_hears_every_second_that_the_recorder_lives(lamp):
    """No more than 1.5 s between two bytes; without a sealed run the last byte is unknown."""
    with outputs(beacon=table(lamp)) as (tell, _):
        tell(RECORDING)
        time.sleep(2.6)
    until(lambda: lamp.said.endswith(b"3"))
    times = [t for t, _ in lamp.bytes]

    assert 4 <= len(times) <= 7
    assert max(b - a for a, b in itertools.pairwise(times)) < 1.5


def test_a_beacon_says_unknown_where_the_recorder_stands_still(lamp):
    """An output's thread that still runs does not vouch for a recorder that does not."""
    alive = threading.Event()
    alive.set()
    with outputs(beacon=table(lamp), settings={"alive": alive.is_set}) as (tell, _):
        tell(RECORDING)
        until(lambda: lamp.said.endswith(b"0"))
        alive.clear()
        until(lambda: lamp.said.endswith(b"3"), within_s=1.0)
        alive.set()
        until(lambda: lamp.said.endswith(b"0"), within_s=1.0)


def test_missed_events_are_unknown(lamp):
    """Where events were lost on the way to the output, it does not go on saying all clear."""
    with outputs(beacon=table(lamp)) as (tell, _):
        tell(RECORDING)
        until(lambda: lamp.said.endswith(b"0"))
        tell({"event": "missed", "count": 3})
        until(lambda: lamp.said.endswith(b"3"))


def test_a_beacon_that_was_unplugged_is_found_again(lamp):
    """Lost and back are each reported once, and the state of now is said at once on return."""
    with outputs(beacon=table(lamp)) as (tell, reports):
        tell(RECORDING)
        until(lambda: lamp.said.endswith(b"0"))
        lamp.unplug()
        tell(alarm())
        until(lambda: reports)
        time.sleep(0.6)
        lamp.bytes.clear()
        lamp.plug_in()
        until(lambda: lamp.bytes, within_s=3)

        assert lamp.said[:1] == b"2"
        assert [(r["output"], r["state"]) for r in reports] == [
            ("beacon", "lost"),
            ("beacon", "back"),
        ]


def fill(end):
    """Writes to a terminal that nobody reads until not one byte more fits, and stays so."""
    os.set_blocking(end, False)
    full = 0
    while full < 5:
        full += 1
        time.sleep(0.01)  # the system moves bytes on for a while
        with contextlib.suppress(BlockingIOError):
            while os.write(end, b"x"):
                full = 0


def test_a_beacon_that_reads_nothing_is_given_up_in_time():
    """A full line at the start is refused; later each try ends within its time limit."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    table = f'{{ port = "{os.ttyname(theirs)}" }}'
    try:
        fill(theirs)
        with pytest.raises(SourceUnavailable, match="can't be written"):
            open_alarm_outputs(rig(beacon=table))
        os.read(ours, 100_000)
        reports = []
        ((_, beacon),) = open_alarm_outputs(rig(beacon=table), report=reports.append)
        fill(theirs)
        took_s = []
        for event in (RECORDING, alarm(), CLEARED, alarm("unknown")):
            start_s = time.monotonic()
            beacon.take(event)
            took_s.append(time.monotonic() - start_s)
        start_s = time.monotonic()
        beacon.close()

        assert max(took_s) < 1.0
        assert time.monotonic() - start_s < 1.0
        assert [r["state"] for r in reports] == ["lost"]
    finally:
        os.close(ours)
        os.close(theirs)


class Reader:
    """Somebody who reads the alarm's topic."""

    def __init__(self, port):
        self.packs = []
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self._client.on_message = self._message
        self._client.on_connect = lambda c, *_: c.subscribe("rig/alarm", qos=1)
        self._client.reconnect_delay_set(0.1, 0.2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _message(self, _client, _data, message):
        self.packs.append((message.retain, message.payload))

    def close(self):
        """Leaves."""
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def states(self):
        """What ``alarm`` said, pack by pack, repetitions left out."""
        states = [resolve_senml(p)[0].value for _, p in self.packs]
        return [s for i, s in enumerate(states) if i == 0 or states[i - 1] != s]


@pytest.fixture
def broker(tmp_path):
    """A broker of the test's own."""
    with running_broker(tmp_path) as broker:
        yield broker


@contextlib.contextmanager
def reading(port):
    reader = Reader(port)
    try:
        yield reader
    finally:
        reader.close()


def topic(url, more=""):
    return f'{{ url = "{url}", topic = "rig/alarm"{more} }}'


def retained(port):
    """What the broker keeps of the topic: the loudest state."""
    with reading(port) as reader:
        until(lambda: reader.packs)

        assert reader.packs[0][0]
        return reader.states[0]


def test_the_topic_tells_each_state_and_keeps_the_last(broker):
    """Each change is published as valid SenML with each condition that stands; then ended."""
    with (
        reading(broker.port) as reader,
        outputs(mqtt=topic(broker.url)) as (tell, reports),
    ):
        tell(RECORDING)
        until(lambda: reader.states[-1:] == ["cleared"])
        tell(alarm("suspect", acknowledged=True))
        tell(alarm())
        until(lambda: reader.states[-1:] == ["confirmed"])
        records = {r.name: r for r in resolve_senml(reader.packs[-1][1])}

        assert records["alarm/wheel/rear_left"].value == "confirmed"
        assert records["alarm/wheel/rear_left/active"].value is True
        assert records["alarm/wheel/rear_left/acknowledged"].value is False
        assert records["alarm/wheel/rear_left/text"].value == "wheel/rear_left confirmed"
        assert abs(records["alarm"].t_ns * 1e-9 - time.time()) < 5
        assert records["alarm"].update_time_s == 2

        tell(CLEARED)
        until(lambda: reader.states[-1:] == ["cleared"])
        tell(SEALED)
        until(lambda: reader.states[-1:] == ["ended"])

        # Whoever is slow to come in is told the newest state, not the one before it.
        assert reader.states[-5:] == ["cleared", "suspect", "confirmed", "cleared", "ended"]
        assert reader.states[:-5] in ([], ["unknown"])
        assert reports == []
    assert retained(broker.port) == "ended"


def test_the_topic_shows_its_age_every_second(broker):
    """Packs come at least every 1.6 s, each with a later time."""
    with reading(broker.port) as reader, outputs(mqtt=topic(broker.url)) as (tell, _):
        tell(RECORDING)
        until(lambda: reader.states[-1:] == ["cleared"])
        reader.packs.clear()
        time.sleep(2.6)
        times = [resolve_senml(p)[0].t_ns * 1e-9 for _, p in reader.packs]

        assert len(times) >= 2
        assert all(0.5 < b - a < 1.6 for a, b in itertools.pairwise(times))


def test_a_recorder_that_is_killed_leaves_unknown_behind(broker, tmp_path):
    """The last will replaces the retained all clear."""
    program = (
        "import sys, time; from logger.live.alarm_outputs import open_alarm_outputs; "
        "from logger.readings.rig_file import read_rig; "
        "((_, out),) = open_alarm_outputs(read_rig(open(sys.argv[1]).read())); "
        "out.take({'event': 'recording'}); out.beat(); print('there', flush=True); time.sleep(60)"
    )
    file = tmp_path / "rig.toml"
    file.write_text(RIG + f"[alarm]\nmqtt = {topic(broker.url)}\n")
    with subprocess.Popen(
        [sys.executable, "-c", program, str(file)], stdout=subprocess.PIPE
    ) as child:
        child.stdout.readline()
        until(lambda: retained(broker.port) == "cleared")
        child.kill()
        child.wait(5)
    until(lambda: retained(broker.port) == "unknown")


def test_an_error_that_ends_the_recorder_leaves_unknown_behind(broker):
    """Closed without a sealed run, the topic is left at unknown."""
    with outputs(mqtt=topic(broker.url)) as (tell, _):
        tell(RECORDING)
        until(lambda: retained(broker.port) == "cleared")
    assert retained(broker.port) == "unknown"


def test_the_state_of_now_is_published_when_the_broker_is_back(broker):
    """A broker that is killed for some seconds: lost, back, and no older state after a newer."""
    with outputs(mqtt=topic(broker.url)) as (tell, reports):
        tell(RECORDING)
        tell(alarm())
        until(lambda: retained(broker.port) == "confirmed")
        broker.kill()
        until(lambda: reports)
        tell(CLEARED)
        time.sleep(0.5)
        broker.start()
        with reading(broker.port) as reader:
            until(lambda: len(reports) == 2)
            until(lambda: reader.states[-1:] == ["cleared"])
            time.sleep(1.2)

            assert reader.states[-1] == "cleared"
        assert [(r["output"], r["state"]) for r in reports] == [("mqtt", "lost"), ("mqtt", "back")]


def test_a_broker_that_says_nothing_more_counts_as_lost(broker, monkeypatch):
    """A half-open connection: nothing is refused, nothing is acknowledged, and it is told."""
    monkeypatch.setattr("logger.live.alarm_topic.ACKNOWLEDGED_WITHIN_S", 1.0)  # for a short test
    with Relay(broker.port) as relay:
        with outputs(mqtt=topic(f"mqtt://127.0.0.1:{relay.port}")) as (tell, reports):
            tell(RECORDING)
            until(lambda: retained(broker.port) == "cleared")
            relay.stalled.set()
            until(lambda: reports)
            relay.stalled.clear()
            until(lambda: len(reports) == 2)
            tell(alarm())
            until(lambda: retained(broker.port) == "confirmed")

        assert [r["state"] for r in reports] == ["lost", "back"]


class Relay:
    """A TCP proxy that can stall: it keeps the connections and passes nothing on."""

    def __init__(self, to):
        self._to = to
        self.stalled = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._sockets = []

    def __enter__(self):
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *_):
        self._listener.close()
        for sock in self._sockets:
            sock.close()

    def _accept(self):
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            far = socket.create_connection(("127.0.0.1", self._to))
            self._sockets += [near, far]
            for a, b in ((near, far), (far, near)):
                threading.Thread(target=self._pass, args=(a, b), daemon=True).start()

    def _pass(self, a, b):
        with contextlib.suppress(OSError):
            while data := a.recv(4096):
                if not self.stalled.is_set():
                    b.sendall(data)
        with contextlib.suppress(OSError):
            b.shutdown(socket.SHUT_WR)


def script(folder, text):
    """A program, as a user would name one."""
    path = folder / "on_alarm"
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def test_a_command_is_run_for_each_alarm_that_becomes_active(tmp_path):
    """It is told condition, state and text; suspect, gone and acknowledged start nothing."""
    log = tmp_path / "log"
    program = script(
        tmp_path,
        f'echo "$1 $SLEWTRACE_CONDITION $SLEWTRACE_STATE $SLEWTRACE_T_S $SLEWTRACE_TEXT" >> {log}',
    )
    with outputs(command=json.dumps([str(program), "; echo x"])) as (tell, reports):
        tell(RECORDING)
        tell(alarm("suspect", acknowledged=True))
        tell(alarm())
        tell(alarm(active=False))
        tell(CLEARED)
        tell(alarm("unknown", condition="data/slew"))
        tell(alarm("unknown", condition="data/slew", acknowledged=True))
        until(lambda: log.exists() and log.read_text().count("\n") == 2)
        time.sleep(0.3)

    assert log.read_text().splitlines() == [
        "; echo x wheel/rear_left confirmed 1.500 wheel/rear_left confirmed",
        "; echo x data/slew unknown 1.500 data/slew unknown",
    ]
    assert reports == []


def test_commands_run_one_at_a_time(tmp_path):
    """Alarms that come while one runs wait; of one condition the latest is kept."""
    log = tmp_path / "log"
    program = script(
        tmp_path,
        f"echo begin $SLEWTRACE_CONDITION >> {log}; sleep 0.3; echo end >> {log}",
    )
    with outputs(command=json.dumps([str(program)])) as (tell, _):
        for condition in ("a", "b", "b", "c"):
            tell(alarm(condition=condition))
        until(lambda: log.exists() and log.read_text().count("end") == 3)

    assert log.read_text().split() == [
        "begin",
        "a",
        "end",
        "begin",
        "b",
        "end",
        "begin",
        "c",
        "end",
    ]


def test_a_command_is_given_no_password(tmp_path):
    """The variables that the rig file names as passwords stay with the recorder."""
    log = tmp_path / "log"
    program = script(tmp_path, f'echo "pw=$THE_PASSWORD home=$THE_HOME" > {log}')
    text = RIG + (
        f"[alarm]\ncommand = {json.dumps([str(program)])}\n[republish]\n"
        'url = "mqtt://127.0.0.1:1"\ntopic = "x"\nuser = "u"\npassword_env = "THE_PASSWORD"\n'
    )
    environment = os.environ | {"THE_PASSWORD": "secret", "THE_HOME": "here"}
    ((_, command),) = open_alarm_outputs(read_rig(text), environment=environment)
    command.take(alarm())
    command.close()

    assert log.read_text() == "pw= home=here\n"


def test_a_command_that_hangs_is_killed_and_reported_once(tmp_path):
    """With all that it started; the next alarm still runs it."""
    log, pids = tmp_path / "log", tmp_path / "pids"
    program = script(tmp_path, f"echo begin >> {log}; sleep 60 & echo $! >> {pids}; wait")
    rig_file, reports = rig(command=json.dumps([str(program)])), []
    ((_, command),) = open_alarm_outputs(rig_file, report=reports.append)
    command._within_s = 0.3
    for condition in ("a", "b", "c"):
        command.take(alarm(condition=condition))
    log.touch()
    until(lambda: command.beat() or log.read_text().count("begin") == 3)
    until(lambda: command.beat() or command._running is None)
    command.close()

    assert [r["state"] for r in reports] == ["lost"]
    assert "killed" in reports[0]["text"]
    assert len(pids.read_text().split()) == 3

    until(lambda: not any(sleeps(pid) for pid in pids.read_text().split()))


def sleeps(pid):
    """Whether a process is still there and sleeps (what died may wait to be buried)."""
    with contextlib.suppress(OSError):
        return (Path("/proc") / pid / "cmdline").read_bytes().startswith(b"sleep")
    return False


def test_a_command_that_fails_is_reported_once(tmp_path):
    """Three failures are one report; a success after them is one more."""
    switch = tmp_path / "works"
    program = script(tmp_path, f"test -e {switch}")
    with outputs(command=json.dumps([str(program)])) as (tell, reports):
        for condition in ("a", "b", "c"):
            tell(alarm(condition=condition))
        until(lambda: reports)
        time.sleep(1.2)
        switch.touch()
        tell(alarm(condition="d"))
        until(lambda: len(reports) == 2)

    assert [r["state"] for r in reports] == ["lost", "back"]


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({"beacon": '{ port = "/dev/no-such-port" }'}, ("[alarm] beacon", "/dev/no-such-port")),
        ({"mqtt": topic("mqtt://127.0.0.1:{port}")}, ("[alarm] mqtt", "no broker listens")),
        ({"mqtt": topic("mqtt://a..b:{port}")}, ("[alarm] mqtt", "no host 'a..b'")),
        (
            {"mqtt": topic("mqtt://127.0.0.1:{port}", ', user = "u", password_env = "NOT_SET_X"')},
            ("[alarm] mqtt, password_env", "NOT_SET_X"),
        ),
        (
            {"mqtt": topic("mqtts://127.0.0.1:{port}", ', ca = "/no/such.pem"')},
            ("[alarm] mqtt, ca", "/no/such.pem"),
        ),
        ({"command": '["no-such-program-x"]'}, ("[alarm] command", "no-such-program-x")),
    ],
)
def test_an_output_that_cannot_be_opened_refuses_the_start(tables, words):
    """In one line; a lamp that nobody drives would be noticed too late."""
    port = str(free_port())
    tables = {k: v.replace("{port}", port) for k, v in tables.items()}
    with pytest.raises(SourceUnavailable) as error:
        open_alarm_outputs(rig(**tables), environment={"PATH": "/usr/bin:/bin"})

    assert "\n" not in str(error.value)
    for word in words:
        assert word in str(error.value)


def test_outputs_are_opened_all_or_none(lamp):
    """Where the broker is missing, the beacon's line is free again."""
    tables = {"beacon": table(lamp), "mqtt": topic(f"mqtt://127.0.0.1:{free_port()}")}
    for _ in range(2):  # the second would find the line busy
        with pytest.raises(SourceUnavailable, match="no broker listens"):
            open_alarm_outputs(rig(**tables))


def test_a_wrong_password_is_refused_in_one_line(tmp_path):
    """The password comes from the environment, and a broker that refuses it is told."""
    with running_broker(tmp_path, anonymous=False, lines=("password_file /dev/null",)) as broker:
        table = topic(broker.url, ', user = "u", password_env = "PW"')
        with pytest.raises(SourceUnavailable, match="refused us"):
            open_alarm_outputs(rig(mqtt=table), environment={"PW": "wrong"})


def test_the_recorder_drives_its_outputs(lamp, broker, tmp_path):
    """The real command: all clear while it records, suspect, confirmed, and ended once sealed."""
    with Device() as device, reading(broker.port) as reader:
        rig_file, test_file = tmp_path / "rig.toml", tmp_path / "test.toml"
        rig_file.write_text(
            LATENCY_RIG.format(port=device.port)
            + f"[alarm]\nbeacon = {table(lamp)}\nmqtt = {topic(broker.url)}\n"
        )
        test_file.write_text(LATENCY_TEST)
        line = command(rig_file, test_file, tmp_path / "runs", stall_s=0, every=0, log=None)
        with WarmProcess(line, stdout=subprocess.PIPE, text=True) as process:
            listener = Listening(process)
            try:
                assert listener.recording.wait(30)

                device.start()
                until(lambda: b"0" in lamp.said)
                until(lambda: b"2" in lamp.said)
                until(lambda: "confirmed" in reader.states)
                process.send_signal(signal.SIGINT)
                until(lambda: lamp.said.endswith(b"9"), within_s=20)
                until(lambda: reader.states[-1] == "ended")

                assert process.wait(20) == 0
            finally:
                process.kill()
                listener.join()
    assert lamp.said.index(b"3") < lamp.said.index(b"0") < lamp.said.index(b"2")


def test_a_recording_without_its_lamp_is_refused(tmp_path):
    """Exit code 2, one line that names the output, and no run begun."""
    rig_file, test_file = tmp_path / "rig.toml", tmp_path / "test.toml"
    rig_file.write_text(
        LATENCY_RIG.format(port="/dev/null") + '[alarm]\nbeacon = { port = "/dev/no-lamp" }\n'
    )
    test_file.write_text(LATENCY_TEST)
    line = command(rig_file, test_file, tmp_path / "runs", stall_s=0, every=0, log=None)
    done = run_warm(line, capture_output=True, text=True)

    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "[alarm] beacon" in done.stderr
    assert "/dev/no-lamp" in done.stderr
    assert not list((tmp_path / "runs").glob("*"))
