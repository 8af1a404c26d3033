"""Two recorders of one rig: the second does no harm to the first, and each is told why."""

from __future__ import annotations

import os
import queue
import select
import socket
import subprocess
import threading
import time

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from logger.errors import SourceUnavailable
from logger.live.alarm_outputs import alarm_sessions
from logger.live.claims import claimed
from logger.live.live_recordings import runtime_folder
from logger.readings.rig_file import Source as SourceTable
from logger.readings.rig_file import read_rig
from logger.sources.arrival import Arrival
from logger.sources.broker_client import BrokerSession, broker_at
from logger.sources.broker_link import BrokerLink
from logger.sources.broker_retries import (
    FIRST_AFTER_TAKEN_S,
    FIRST_RETRY_S,
    LONGEST_AFTER_TAKEN_S,
    LONGEST_RETRY_S,
    SHORT_S,
    BrokerRetries,
)
from logger.sources.opening import (
    open_sources,
    recorder_sessions,
    start_sources,
    stop_sources,
)
from tests.broker import running_broker
from tests.made_run import TEST_TOML
from tests.test_mqtt_topic import CLIENT_ID, TOPIC, Run, noted, topic_of
from tests.test_record import WHEELS, Recording, named, publisher, wheel_pack
from tests.warm_process import COMMAND, PROGRAM, WarmProcess, run_warm

RIG = """
[rig]
id = "bench-1"
[alarm]
mqtt = {{ url = "{url}", topic = "rig/bench-1/alarm" }}
[[source]]
id = "wheels"
kind = "mqtt"
url = "{url}"
topic = "rig/bench-1/wheels"
""" + "".join(
    f'[[channel]]\nid = "wheel/{w}"\nsource = "wheels"\nname = "{w}"\nclosed_when = true\n'
    for w in WHEELS
)
SESSION = "slewtrace-bench-1-wheels"


@pytest.fixture(autouse=True)
def runtime(tmp_path, monkeypatch):
    """A runtime folder of the test's own, also for the programs that it starts."""
    folder = tmp_path / "runtime"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    return folder


@pytest.fixture
def broker(tmp_path):
    """A running broker."""
    with running_broker(tmp_path, lines=("log_type all",)) as broker:
        yield broker


@pytest.fixture
def bench(tmp_path, broker):
    """The words of a recording whose sensors are all at the broker."""
    rig, test = tmp_path / "rig.toml", tmp_path / "test.toml"
    rig.write_text(RIG.format(url=broker.url))
    test.write_text(TEST_TOML)
    return ("--rig", rig, "--test", test)


@pytest.fixture
def taker(broker):
    """Comes for the session of the tests' source again and again, as from another computer."""
    clients = []

    def take():
        client = Client(CallbackAPIVersion.VERSION2, client_id=CLIENT_ID, protocol=MQTTv5)
        client.reconnect_delay_set(0.05, 0.2)
        client.connect("127.0.0.1", broker.port, clean_start=True)
        client.loop_start()
        clients.append(client)

    yield take
    for client in clients:
        client.disconnect()
        client.loop_stop()


def session(url="mqtt://127.0.0.1:1883", client_id=SESSION):
    """A session of the source ``wheels``."""
    return BrokerSession(where="source 'wheels'", broker=broker_at(url), client_id=client_id)


def comings(broker):
    """Who came to a broker, in order, those who only looked whether it listens left out."""
    lines = [x for x in broker.log.splitlines() if "New client connected" in x]
    return [line.partition(" as ")[2].split()[0] for line in lines]


def acknowledged(broker, *, packs):
    """Waits until the recorder has said of so many packs that they are on its disk."""
    deadline = time.monotonic() + 30
    while broker.log.count(f"Received PUBACK from {SESSION}") < packs:
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_a_second_recorder_is_refused_and_the_first_loses_nothing(broker, bench, tmp_path):
    """One line with the run that has the session, exit code 2, and no word to the broker."""
    recording = Recording(*bench, "-o", tmp_path / "runs")
    try:
        run_id = recording.wait_for(named("recording"))["run_id"]
        with publisher(broker) as publish:
            for seq in range(20):
                publish(wheel_pack(seq, up=seq * 0.05))
            before = comings(broker)
            words = [*COMMAND, "record", *bench, "-o", tmp_path / "other"]
            refused = run_warm(words, capture_output=True, text=True, timeout=30)
            after = comings(broker)
            for seq in range(20, 40):
                publish(wheel_pack(seq, up=seq * 0.05))
        acknowledged(broker, packs=40)
        sealed = recording.end()
    finally:
        recording.close()
    again = run_warm([*words, "--for", "0.5 s"], capture_output=True, text=True, timeout=30)

    assert refused.returncode == 2
    (line,) = refused.stderr.strip().splitlines()
    assert line.endswith("end it, or give one of the two rig files another [rig] id")
    for said in ("source 'wheels'", repr(run_id), repr(SESSION), f"127.0.0.1:{broker.port}"):
        assert said in line
    assert before == after
    assert SESSION in before
    assert sealed["samples"] == 40 * 16
    assert not [e for e in recording.events if e["event"] == "gap"]
    assert again.returncode == 0, again.stderr


def test_an_alarm_s_session_is_claimed_too():
    """Also where no sensor is at a broker, a second recorder is kept from the alarm's topic."""
    rig = read_rig(RIG.format(url="mqtt://127.0.0.1:1883"))
    with (
        claimed(alarm_sessions(rig)),
        pytest.raises(SourceUnavailable, match=r"\[alarm\] mqtt: another recorder .*-alarm"),
        claimed(alarm_sessions(rig)),
    ):
        pass


def test_a_check_neither_locks_a_recorder_out_nor_disturbs_it(broker):
    """It comes under another name: both hear the same pack, and the recorder notes nothing."""
    rig = read_rig(RIG.format(url=broker.url))
    recorded, checked = queue.Queue(), queue.Queue()
    recorder, check = open_sources(rig), open_sources(rig, purpose="check")
    with claimed(recorder_sessions(rig)), publisher(broker) as publish:
        start_sources(recorder, recorded.put_nowait, time.monotonic_ns)
        start_sources(check, checked.put_nowait, time.monotonic_ns)
        publish(wheel_pack(7, up=1.0))
        came = [taken.get(timeout=10) for taken in (recorded, checked)]
        stop_sources(check)
        stop_sources(recorder)

    assert [item.pack.seq for item in came if isinstance(item, Arrival)] == [7, 7]
    assert recorded.empty()


def test_ports_are_opened_before_any_broker_is_joined(broker):
    """A recorder that its port refuses has not come for a session, whatever the file's order."""
    text = RIG.format(url=broker.url)
    text += '[[source]]\nid = "mast"\nkind = "serial"\nport = "/dev/no-such-port"\n'
    sources = open_sources(read_rig(text))
    with pytest.raises(SourceUnavailable, match="source 'mast'"):
        start_sources(sources, queue.Queue().put_nowait, time.monotonic_ns)

    assert comings(broker) == []


def test_a_session_is_claimed_once_and_free_again():
    """Refused while another has it, whatever name the loopback has; nothing is left behind."""
    with claimed([session()]):
        for url in ("mqtt://127.0.0.1", "mqtt://LOCALHOST:1883", "mqtt://[::1]:1883"):
            with pytest.raises(SourceUnavailable, match=f"process {os.getpid()}"):
                claimed([session(url)]).__enter__()
        with claimed([session("mqtt://127.0.0.1:1884"), session(client_id="slewtrace-b-wheels")]):
            pass
    with claimed([session()]):
        pass

    assert list(runtime_folder().iterdir()) == []


def test_where_one_session_is_refused_none_is_kept():
    """The sessions claimed before the one that another has are free again."""
    with (
        claimed([session(client_id="b")]),
        pytest.raises(SourceUnavailable, match="'b'"),
        claimed([session(client_id="a"), session(client_id="b")]),
    ):
        pass
    with claimed([session(client_id="a")]):
        assert len(list(runtime_folder().iterdir())) == 1


DYING = """
import sys, time
from logger.live.claims import claimed
from tests.test_one_recorder import session
with claimed([session()]):
    print("claimed", flush=True)
    time.sleep(60)
"""


def test_a_killed_recorder_s_claim_goes_with_it():
    """What it leaves is no claim."""
    with WarmProcess([*PROGRAM, DYING], stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"claimed\n"
        with pytest.raises(SourceUnavailable, match=f"process {process.pid}"):
            claimed([session()]).__enter__()
        process.kill()
        process.wait(10)
    left = list(runtime_folder().iterdir())
    with claimed([session()]):
        assert list(runtime_folder().iterdir()) == left


def test_a_claim_is_on_the_file_that_others_find(monkeypatch):
    """A recorder that ends removes its file: a lock on what has no name keeps nobody out."""
    from logger.live import claims

    lock, removed = claims.lock_file, []

    def lock_as_another_ends(descriptor):
        if not removed:
            removed.extend(runtime_folder().iterdir())
            removed[0].unlink()
        lock(descriptor)

    monkeypatch.setattr(claims, "lock_file", lock_as_another_ends)
    with (
        claimed([session()]),
        pytest.raises(SourceUnavailable, match="another recorder"),
        claimed([session()]),
    ):
        pass

    assert removed


def test_without_a_folder_or_locks_it_is_recorded_all_the_same(tmp_path, monkeypatch):
    """A folder that another could have laid, or a system without locks: nothing is claimed."""
    (tmp_path / "elsewhere").mkdir()
    runtime_folder().symlink_to(tmp_path / "elsewhere")
    with claimed([session()]), claimed([session()]):
        assert list((tmp_path / "elsewhere").iterdir()) == []
    runtime_folder().unlink()
    monkeypatch.setattr("logger.live.claims.HAS_FILE_LOCKS", False)
    with claimed([session()]), claimed([session()]):
        assert not runtime_folder().exists()


CONNACK, SUBACK = b"\x20\x03\x00\x00\x00", b"\x90\x04\x00\x01\x00\x01"
TAKEN_OVER = b"\xe0\x02\x8e\x00"


class TellingBroker:
    """Enough of a broker of MQTT 5 to be joined, and to say then that the session was taken.

    mosquitto 2.0.11 closes the connection without a word.

    Attributes:
        url: for a rig file.
        taken: set it, and the broker says so.
        connections: how many came.
    """

    def __init__(self):
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.2)
        self.url = f"mqtt://127.0.0.1:{self._server.getsockname()[1]}"
        self.taken, self._ended = threading.Event(), threading.Event()
        self.connections = 0
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        while not self._ended.is_set():
            try:
                connection, _ = self._server.accept()
            except TimeoutError:
                continue
            self.connections += 1
            with connection:
                connection.settimeout(10)
                self._answer(connection)

    def _answer(self, connection):
        connection.recv(1024)
        connection.sendall(CONNACK)
        if connection.recv(1024)[:1] != b"\x82":  # SUBSCRIBE; else it leaves
            return
        connection.sendall(SUBACK)
        self.taken.wait(10)
        connection.sendall(TAKEN_OVER)

    def close(self):
        """Ends it."""
        self.taken.set()
        self._ended.set()
        self._thread.join(12)
        self._server.close()


@pytest.fixture
def telling_broker():
    """A broker that says who has our session."""
    broker = TellingBroker()
    yield broker
    broker.close()


def test_a_session_that_another_takes_is_told_and_not_snatched_back(telling_broker):
    """The note names session and broker; some seconds pass before we come for it again."""
    run = Run(topic_of(telling_broker.url))
    telling_broker.taken.set()
    run.until(noted("lost"))
    run.settle(1.5)
    connections, kinds = telling_broker.connections, run.kinds()
    began_s = time.monotonic()
    run.source.stop()
    took_s = time.monotonic() - began_s

    address = telling_broker.url.removeprefix("mqtt://")
    assert run.notes[0].text == f"another client has taken our session {CLIENT_ID!r} at {address}"
    assert kinds == ["lost"]
    assert connections == 2  # the clean one of a start, and the session's
    assert took_s < FIRST_AFTER_TAKEN_S - 2  # the stop does not wait for the next try


def test_a_session_that_was_taken_is_ours_again_later(telling_broker, monkeypatch):
    """After the wait we come for it once more."""
    monkeypatch.setattr("logger.sources.broker_retries.FIRST_AFTER_TAKEN_S", 0.3)
    run = Run(topic_of(telling_broker.url))
    telling_broker.taken.set()
    run.until(noted("lost"))
    telling_broker.taken.clear()
    run.until(noted("back"))
    run.source.stop()

    assert telling_broker.connections == 3


def test_why_a_connection_ended_is_heard_where_the_next_send_fails(telling_broker, monkeypatch):
    """An acknowledgement that finds the connection reset does not hide the broker's last word."""

    def reset(_socket):
        raise ConnectionResetError

    link = BrokerLink(
        SourceTable(id="wheels", kind="mqtt", url=telling_broker.url, topic=TOPIC),
        client_id=CLIENT_ID,
        password=None,
        on_connected=lambda _resumed: None,
        on_messages=lambda _publications: None,
    )
    link.join()
    sock = link._client.socket()
    telling_broker.taken.set()
    readable, _, _ = select.select([sock], [], [], 10)
    monkeypatch.setattr("logger.sources.broker_socket.BrokerSocket.flush", reset)
    alive = link.turn(0.0)
    link.leave()

    assert readable
    assert not alive
    assert link.is_taken


def test_two_that_fight_for_a_session_stop_where_the_broker_says_nothing(broker, taker):
    """Thrown out again and again by a broker that is there: told so, and then we wait."""
    run = Run(topic_of(broker.url))
    taker()
    run.until(lambda r: any("seems to have taken" in n.text for n in r.notes))
    told = len(run.notes)
    run.settle(2.0)
    run.source.stop()

    assert CLIENT_ID in run.notes[-1].text
    assert f"127.0.0.1:{broker.port}" in run.notes[-1].text
    assert len(run.notes) == told
    assert run.notes[0].text == f"the broker at 127.0.0.1:{broker.port} is gone"


def test_a_broker_that_ends_is_gone_and_no_one_took_the_session(broker):
    """Only a session that was taken over is told as taken."""
    run = Run(topic_of(broker.url))
    broker.stop()
    run.until(noted("lost"))
    broker.start()
    run.until(noted("back"))
    run.source.stop()

    assert run.notes[0].text == f"the broker at 127.0.0.1:{broker.port} is gone"


def test_the_waits_for_a_taken_session_grow_and_begin_anew():
    """Seconds, twice as many each time; a session that was ours for long begins anew."""
    retries, waits = BrokerRetries(), []
    for _ in range(6):
        retries.joined(0.0)
        retries.ended(10.0, taken=True)
        waits.append(retries.wait_s())
    retries.joined(0.0)
    retries.ended(LONGEST_AFTER_TAKEN_S + 1, taken=True)
    after_long = retries.wait_s()
    retries.ended(10 * LONGEST_AFTER_TAKEN_S, taken=True)  # a try that did not get so far

    assert waits == [5, 10, 20, 40, 60, 60]
    assert after_long == FIRST_AFTER_TAKEN_S
    assert retries.wait_s() == 2 * FIRST_AFTER_TAKEN_S


def test_a_broker_that_is_gone_is_tried_soon_and_steadily():
    """Tenths of a second, up to a second, until it lets us in."""
    retries, waits = BrokerRetries(), []
    retries.joined(0.0)
    for _ in range(6):
        retries.ended(1.0, taken=False)
        waits.append(retries.wait_s())
    retries.joined(5.0)
    retries.ended(5.1, taken=False)

    assert waits == [FIRST_RETRY_S, 0.2, 0.4, 0.8, LONGEST_RETRY_S, LONGEST_RETRY_S]
    assert retries.wait_s() == FIRST_RETRY_S


def seen(*connections):
    """Whether a session counts as disputed after connections: (tries it took, s held)."""
    retries, disputed = BrokerRetries(), []
    for tries, held_s in connections:
        for _ in range(tries):
            retries.wait_s()
        retries.joined(0.0)
        retries.ended(held_s, taken=False)
        disputed.append(retries.is_disputed)
    return disputed


def test_only_a_broker_that_was_never_away_and_throws_us_out_twice_is_suspected():
    """One short connection, one that lasted, or a broker that had to be waited for: no dispute."""
    assert seen((0, 0.1), (1, 0.1), (1, 0.1), (1, 0.1)) == [False, False, True, True]
    assert seen((1, 0.1), (1, SHORT_S + 1), (1, 0.1)) == [False] * 3
    assert seen((1, 0.1), (2, 0.1), (1, 0.1)) == [False] * 3
