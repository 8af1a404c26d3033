"""Brokers that are killed and links that die: what a device still holds is recorded once.

The device is a paho client that keeps what the broker has not acknowledged and sends it again.
Each pack carries the device's count, so that a loss that the broker did have is known exactly.
The long form is ``tests/campaigns/broker_outages.py``.
"""

import json
import queue
import subprocess
import threading
import time
from collections import deque

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from logger.readings.continuity import ContinuityTracker
from logger.readings.rig_file import Source as SourceTable
from logger.sources.arrival import Arrival
from logger.sources.broker_link import HALF_OPEN_SHOWS_WITHIN_S
from logger.sources.mqtt_topic import MqttTopic
from tests.broker import running_broker
from tests.tcp_proxy import TcpProxy
from tests.test_mqtt_topic import CLIENT_ID, TOPIC, in_flight, pack
from tests.warm_process import PROGRAM, WarmProcess

COMMIT_EVERY_S = 0.075


class Device:
    """Publishes with QoS 1 at a rate, and keeps what is not acknowledged.

    Attributes:
        sent: how many packs it has made; their counts are 0 and on.
    """

    def __init__(self, port, *, rate_hz=150.0):
        self.sent = 0
        self._every_s = 1 / rate_hz
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="device", clean_session=False)
        self._client.reconnect_delay_set(0.05, 0.2)
        self._client.max_queued_messages_set(0)
        self._unanswered = {}
        self._answered = deque()
        self._client.on_publish = lambda _client, _data, mid, *_rest: self._answered.append(mid)
        self._ended = threading.Event()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._send_on, daemon=True)
        self._thread.start()

    def holds(self):
        """The counts of the packs that have no acknowledgement yet."""
        for _ in range(len(self._answered)):
            mid = self._answered.popleft()
            if self._unanswered.pop(mid, None) is None:
                self._answered.append(mid)  # sent this moment, and not written down yet
        return set(self._unanswered.values())

    def wait_until_cut_off(self, *, within_s=10):
        """Waits until it knows that its broker is gone, and so has heard all that it answered."""
        end_s = time.monotonic() + within_s
        while self._client.is_connected() and time.monotonic() < end_s:
            time.sleep(0.002)

    def made(self, seq):
        """The pack of a count."""
        return pack(seq, up=time.monotonic())

    def _send_on(self):
        due_s = time.monotonic()
        while not self._ended.wait(max(0.0, due_s - time.monotonic())):
            self._send()
            due_s += self._every_s

    def _send(self):
        info = self._client.publish(TOPIC, self.made(self.sent), qos=1)
        self._unanswered[info.mid] = self.sent
        self.sent += 1

    def finish(self, *, within_s=60):
        """Sends one pack more and waits until the broker has them all."""
        self._ended.set()
        self._thread.join(10)
        self._send()
        end_s = time.monotonic() + within_s
        while self.holds() and time.monotonic() < end_s:
            time.sleep(0.02)
        self._client.disconnect()
        self._client.loop_stop()
        return not self.holds()


class Recorder:
    """Takes from a source, keeps what is new, and acknowledges with each commit.

    Attributes:
        kept: counts of the packs that were kept, in their order.
        missing: packs that were counted as missing and have not come since.
        noted: the notes of the source and when they came, by their kind.
    """

    def __init__(self, port, *, deduplicates=True):
        self.kept = []
        self.missing = self.repeated = 0
        self.noted = []
        self._deduplicates = deduplicates
        self._continuity = ContinuityTracker()
        self._queue = queue.Queue(20_000)
        self._to_acknowledge = []
        url = f"mqtt://127.0.0.1:{port}"
        table = SourceTable(id="wheels", kind="mqtt", url=url, topic=TOPIC)
        self._source = MqttTopic(table, client_id=CLIENT_ID, environment={})
        self._source.start(self._queue.put_nowait, time.monotonic_ns)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._take_on, daemon=True)
        self._thread.start()

    def _take_on(self):
        while not self._ended.is_set():
            end_s = time.monotonic() + COMMIT_EVERY_S
            while (left_s := end_s - time.monotonic()) > 0:
                try:
                    self._take(self._queue.get(timeout=left_s))
                except queue.Empty:
                    break
            for acknowledge in self._to_acknowledge:
                acknowledge()
            self._to_acknowledge.clear()

    def _take(self, item):
        if not isinstance(item, Arrival):
            self.noted.append((item.kind, item.arrival_ns * 1e-9))
            return
        self._to_acknowledge.append(item.acknowledge)
        said = self._continuity.check(item.pack.boot, item.pack.seq)
        self.missing += said.missing - said.late
        self.repeated += said.verdict == "duplicate"
        if said.verdict == "new" or not self._deduplicates:
            self.kept.append(item.pack.seq)

    def times_of(self, kind):
        """When notes of a kind came, s of ``time.monotonic``."""
        return [at_s for noted, at_s in list(self.noted) if noted == kind]

    def wait_for_note(self, kind, count, *, within_s=20):
        """Waits until so many notes of a kind came; when the last of them did."""
        end_s = time.monotonic() + within_s
        while len(self.times_of(kind)) < count:
            assert time.monotonic() < end_s, f"no {kind} in {within_s} s: {self.noted}"
            time.sleep(0.01)
        return self.times_of(kind)[count - 1]

    def wait_for_pack(self, seq, *, within_s=30):
        """Waits until a pack was kept, the last one."""
        end_s = time.monotonic() + within_s
        while not self.kept or max(self.kept) < seq:
            if time.monotonic() > end_s:
                return
            time.sleep(0.02)
        time.sleep(3 * COMMIT_EVERY_S)

    def stop(self):
        """Ends source and thread."""
        self._source.stop()
        self._ended.set()
        self._thread.join(10)


@pytest.fixture
def at_work():
    """Starts devices and recorders, and stops the recorders after the test."""
    started = []

    def begin(device_port, recorder_port, *, rate_hz=150.0, **options):
        recorder = Recorder(recorder_port, **options)
        started.append(recorder)
        return recorder, Device(device_port, rate_hz=rate_hz)

    yield begin
    for recorder in started:
        recorder.stop()


def finished(recorder, device, *, in_order=True):
    """Waits until everything came; the counts of what was lost.

    Nothing may have come twice, and what was lost must be counted as missing.
    """
    assert device.finish(), "the broker took not all"
    recorder.wait_for_pack(device.sent - 1)
    assert not in_order or recorder.kept == sorted(recorder.kept), "order"
    assert len(recorder.kept) == len(set(recorder.kept)), "twice"
    lost = set(range(device.sent)) - set(recorder.kept)
    assert recorder.missing == len(lost), f"{len(lost)} lost, {recorder.missing} counted"
    return lost


def kill_while_running(broker, recorder, device, *, kills, apart_s=0.4):
    """Kills a broker again and again while packs flow; what the device held at a kill."""
    held = set()
    for number in range(kills):
        time.sleep(apart_s)
        broker.kill()
        recorder.wait_for_note("lost", number + 1)
        device.wait_until_cut_off()  # till then an answer may still be on its way to it
        held |= device.holds()
        broker.start()
        recorder.wait_for_note("back", number + 1)
    return held


def test_nothing_is_lost_when_the_broker_is_killed(tmp_path, at_work):
    """Three kills: every pack that the device held is kept, and once; other losses are counted.

    A broker that is killed may lose the one pack that it had acknowledged and not yet written.
    Paho sends new packs before those it sends again, so here only the device's clock gives the
    order back, in the sealed run.
    """
    with running_broker(tmp_path) as broker:
        recorder, device = at_work(broker.port, broker.port)
        held = kill_while_running(broker, recorder, device, kills=3)
        lost = finished(recorder, device, in_order=False)

    assert held
    assert not lost & held
    assert len(lost) <= 3
    assert device.sent > 150


def test_without_deduplication_a_kill_gives_packs_twice(tmp_path, at_work):
    """The test above can see a duplicate: without the count's check, packs stand twice."""
    with running_broker(tmp_path) as broker:
        recorder, device = at_work(broker.port, broker.port, deduplicates=False)
        for _ in range(8):
            kill_while_running(broker, recorder, device, kills=3)
            if recorder.repeated:
                break
        assert device.finish()
        recorder.wait_for_pack(device.sent - 1)

    assert recorder.repeated > 0
    assert len(recorder.kept) > len(set(recorder.kept))


def test_a_half_open_link_is_noticed_and_nothing_is_lost(tmp_path, at_work):
    """A link that stays open and carries nothing is given up within seconds, then made up for."""
    with running_broker(tmp_path) as broker, TcpProxy(broker.port) as proxy:
        recorder, device = at_work(broker.port, proxy.port, rate_hz=100)
        time.sleep(0.5)
        stalled_s = time.monotonic()
        proxy.stall()
        noticed_s = recorder.wait_for_note("lost", 1)
        proxy.resume()
        recorder.wait_for_note("back", 1)
        lost = finished(recorder, device)

    assert noticed_s - stalled_s < HALF_OPEN_SHOWS_WITHIN_S + 1
    assert not lost


def test_a_slow_link_is_not_given_up(tmp_path, at_work):
    """A link that takes its time is no outage."""
    with running_broker(tmp_path) as broker, TcpProxy(broker.port) as proxy:
        proxy.delay_s = 0.3
        recorder, device = at_work(broker.port, proxy.port, rate_hz=100)
        time.sleep(2)
        proxy.delay_s = 0.0
        lost = finished(recorder, device)
        noted = list(recorder.noted)

    assert noted == []
    assert not lost


def test_what_came_in_an_outage_of_the_link_comes_after_it(tmp_path, at_work):
    """The broker keeps what comes at 300 a second while our link is cut; then it is recorded."""
    with (
        running_broker(tmp_path, saves_each_change=False) as broker,
        TcpProxy(broker.port) as proxy,
    ):
        recorder, device = at_work(broker.port, proxy.port, rate_hz=300)
        time.sleep(0.5)
        proxy.stall()
        proxy.cut()
        time.sleep(3)
        proxy.resume()
        recorder.wait_for_note("back", 1)
        lost = finished(recorder, device)

    assert not lost
    assert device.sent > 900


def test_a_silent_topic_is_subscribed_anew(tmp_path, at_work, monkeypatch):
    """A broker that is there but has forgotten the subscription is asked for it again."""
    monkeypatch.setattr("logger.sources.broker_link.SUBSCRIBE_ANEW_AFTER_S", 1.0)
    name = TOPIC.encode()
    body = b"\x00\x77\x00" + len(name).to_bytes(2, "big") + name
    with running_broker(tmp_path) as broker, TcpProxy(broker.port) as proxy:
        recorder, device = at_work(broker.port, proxy.port, rate_hz=20)
        time.sleep(0.5)
        proxy.inject(b"\xa2" + bytes([len(body)]) + body)  # UNSUBSCRIBE, MQTT 5 section 3.10
        before = len(recorder.kept)
        time.sleep(3)
        lost = finished(recorder, device)
        noted = list(recorder.noted)

    assert len(recorder.kept) > before + 10
    assert len(lost) > 5, "the subscription was never gone"
    assert noted == []


DYING_RECORDER = """
import json, os, queue, sys, time
from logger.readings.rig_file import Source
from logger.sources.mqtt_topic import MqttTopic
url, topic, client_id, guard = sys.argv[1:]
taken = queue.Queue()
source = Source(id="wheels", kind="mqtt", url=url, topic=topic)
MqttTopic(source, client_id=client_id).start(taken.put_nowait, time.monotonic_ns)
print("ready", flush=True)
for turn in range(5):
    arrivals = [taken.get(timeout=20) for _ in range(20)]
    if guard == "acknowledge-first":
        for arrival in arrivals:
            arrival.acknowledge()
        time.sleep(0.2)
    if turn == 3:
        os.kill(os.getpid(), 9)
    print(json.dumps([a.pack.seq for a in arrivals]), flush=True)
    for arrival in arrivals:
        arrival.acknowledge()
    time.sleep(0.2)
"""


def kept_or_held(broker, *, guard):
    """Counts that a killed recorder had committed, and those that its broker still holds."""
    words = [*PROGRAM, DYING_RECORDER, broker.url, TOPIC, CLIENT_ID, guard]
    with WarmProcess(words, stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"ready\n"
        client = Client(CallbackAPIVersion.VERSION2, client_id="device", protocol=MQTTv5)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        for info in [client.publish(TOPIC, pack(seq), qos=1) for seq in range(100)]:
            info.wait_for_publish(10)
        client.disconnect()
        client.loop_stop()
        committed = [seq for line in process.stdout for seq in json.loads(line)]
    return set(committed), {json.loads(p)[0]["seq"] for p in in_flight(broker)}


def test_a_killed_recorder_s_unacknowledged_packs_are_still_with_the_broker(tmp_path):
    """Acknowledged after the commit: what was not committed comes again in the same session.

    A new run of ours begins its session anew by design, so the packs are asked for by a client
    that does not.
    """
    with running_broker(tmp_path) as broker:
        committed, held = kept_or_held(broker, guard="commit-first")

    assert committed == set(range(60))
    assert committed | held == set(range(100))


def test_acknowledging_before_the_commit_loses_packs(tmp_path):
    """The test above can see a loss: acknowledged first, a killed recorder's packs are gone."""
    with running_broker(tmp_path) as broker:
        committed, held = kept_or_held(broker, guard="acknowledge-first")

    assert set(range(100)) - committed - held
