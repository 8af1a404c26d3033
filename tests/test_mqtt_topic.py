"""An MQTT topic at a real broker: acknowledged when safe, sent again when not, never lost."""

import json
import queue
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from logger.errors import SourceUnavailable
from logger.readings.continuity import ContinuityTracker
from logger.readings.rig_file import Source as SourceTable
from logger.readings.rig_file import read_rig
from logger.sources.arrival import Arrival, SourceNote
from logger.sources.broker_client import CONNECT_WITHIN_S
from logger.sources.mqtt_topic import MqttTopic
from logger.sources.opening import open_sources, start_sources, stop_sources
from tests.broker import free_port, running_broker
from tests.warm_process import PROGRAM, WarmProcess

TOPIC = "rig/bay-2/wheels"
CLIENT_ID = "slewtrace-bay-2-wheels"
CREW = {"user": "crew", "password_env": "CREW_PW"}


def table(url, **keys):
    """A source's table in a rig file."""
    return SourceTable(**{"id": "wheels", "kind": "mqtt", "url": url, "topic": TOPIC, **keys})


def topic_of(url, *, environment=None, **keys):
    """A source on the test topic."""
    return MqttTopic(table(url, **keys), client_id=CLIENT_ID, environment=environment or {})


def pack(seq, **labels):
    """A pack of one wheel, as JSON."""
    return json.dumps(
        [{"bn": "w:", "seq": seq, "boot": "b", "n": "rear_left", "vb": True, **labels}]
    )


class Sender:
    """A device that publishes."""

    def __init__(self, broker, client_id="device"):
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTv5)
        self._client.reconnect_delay_set(0.05, 0.2)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()

    def _connected(self):
        end = time.monotonic() + 10
        while not self._client.is_connected() and time.monotonic() < end:
            time.sleep(0.02)

    def send(self, payload, *, topic=TOPIC, qos=1, retain=False):
        """Publishes one message and waits for the broker to have it."""
        self._connected()
        self._client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(10)

    def send_many(self, payloads):
        """Publishes messages and waits for the broker to have them all."""
        self._connected()
        infos = [self._client.publish(TOPIC, p, qos=1) for p in payloads]
        for info in infos:
            info.wait_for_publish(30)

    def close(self):
        """Ends the connection."""
        self._client.disconnect()
        self._client.loop_stop()


class Run:
    """A started source and what came from it."""

    def __init__(self, source, *, size=0, safe=True):
        self.queue = queue.Queue(size)
        self.seen = []
        self.source = source
        self.safe = safe
        source.start(self.queue.put_nowait, time.monotonic_ns)

    def until(self, done, *, within_s=20):
        """Takes what comes, and reports it safe at once if so asked, until it is enough."""
        deadline = time.monotonic() + within_s
        while not done(self):
            left = deadline - time.monotonic()
            assert left > 0, f"in {within_s} s only came {self.notes} and {self.seqs}"
            try:
                self.take(self.queue.get(timeout=min(left, 0.1)))
            except queue.Empty:
                continue
        return self

    def take(self, item):
        """Takes one item, and reports it safe if so asked."""
        self.seen.append(item)
        if self.safe and isinstance(item, Arrival) and item.acknowledge:
            item.acknowledge()

    def settle(self, seconds=0.5):
        """Takes whatever else comes in a while."""
        deadline = time.monotonic() + seconds
        while (left := deadline - time.monotonic()) > 0:
            try:
                self.take(self.queue.get(timeout=left))
            except queue.Empty:
                return

    @property
    def arrivals(self):
        """The packs that came."""
        return [x for x in self.seen if isinstance(x, Arrival)]

    @property
    def notes(self):
        """The notes that came."""
        return [x for x in self.seen if isinstance(x, SourceNote)]

    @property
    def seqs(self):
        """The counts of the packs that came."""
        return [a.pack.seq for a in self.arrivals]

    def kinds(self):
        """The kinds of the notes that came."""
        return [n.kind for n in self.notes]


@pytest.fixture
def broker(tmp_path):
    """A running broker."""
    with running_broker(tmp_path) as broker:
        yield broker


@pytest.fixture
def sender(broker):
    """A device at the broker."""
    sender = Sender(broker)
    yield sender
    sender.close()


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
    assert not [t for t in threading.enumerate() if t.name.startswith("mqtt")]


def come(count):
    """Whether so many packs came."""
    return lambda run: len(run.arrivals) >= count


def new_of(run):
    """The counts of what came, repetitions left out as the recorder leaves them out."""
    tracker = ContinuityTracker()
    return [s for s in run.seqs if tracker.check("b", s).verdict == "new"]


def all_of(count):
    """Whether so many different packs came."""
    return lambda run: len(set(run.seqs)) >= count


def noted(kind, count=1):
    """Whether so many notes of a kind came."""
    return lambda run: run.kinds().count(kind) >= count


def test_packs_come_from_a_topic(broker, sender, start):
    """Every message on the topic arrives once, in order, stamped after it was sent."""
    begin_ns = time.monotonic_ns()
    run = start(topic_of(broker.url))
    sender.send_many([pack(i) for i in range(500)])
    run.until(come(500)).settle()

    assert run.seqs == list(range(500))
    assert run.notes == []
    assert all(begin_ns < a.arrival_ns < time.monotonic_ns() for a in run.arrivals)
    assert not any(a.retained for a in run.arrivals)


def test_a_topic_with_wildcards(broker, sender, start):
    """One source may take several topics."""
    run = start(topic_of(broker.url, topic="rig/+/wheels/#"))
    sender.send(pack(1), topic="rig/bay-1/wheels/rear")
    sender.send(pack(2), topic="rig/bay-2/wheels")
    sender.send(pack(3), topic="rig/bay-2/mast")
    run.until(come(2)).settle()

    assert run.seqs == [1, 2]


def test_text_messages_by_expression(broker, sender, start):
    """A message of another instrument is read by the rig file's expression."""
    run = start(topic_of(broker.url, decode="text", pattern=r"(?P<load>\d+\.\d+) kg"))
    sender.send("1402.5 kg\r\n")
    run.until(come(1))

    assert run.arrivals[0].pack.value.tolist() == [1402.5]


def test_retained_messages_are_marked(broker, sender, start):
    """What the broker kept from earlier is marked, what comes now is not."""
    sender.send(pack(1), retain=True)
    run = start(topic_of(broker.url))
    sender.send(pack(2), retain=True)
    run.until(come(2))

    assert [(a.pack.seq, a.retained) for a in run.arrivals] == [(1, True), (2, False)]


def test_bad_messages_are_counted_and_not_sent_again(broker, sender, start):
    """A message that can't be decoded is counted and done with; the next is taken."""
    run = start(topic_of(broker.url))
    sender.send(b"\x00\xff")
    sender.send(b"x" * (2 << 20))
    sender.send(pack(1))
    run.until(lambda r: sum(n.count for n in r.notes) == 2 and r.seqs == [1])
    broker.stop()
    broker.start()
    run.until(noted("back")).settle()

    assert sum(n.count for n in run.notes if n.kind == "bad_frame") == 2
    assert run.seqs == [1]


def test_unacknowledged_messages_come_again_to_a_later_connection(broker, sender, start):
    """What was not safe when the broker restarted is acknowledged later, and comes once."""
    run = start(topic_of(broker.url), safe=False)
    sender.send_many([pack(i) for i in range(50)])
    run.until(come(50))
    for arrival in run.arrivals[:20]:
        arrival.acknowledge()
    time.sleep(0.5)
    broker.stop()
    broker.start()
    run.until(noted("back")).settle()
    for arrival in run.arrivals[20:]:
        arrival.acknowledge()
    sender.send(pack(50))
    run.until(come(51)).settle()

    assert run.seqs == list(range(51))
    assert run.kinds() == ["lost", "back"]


def in_flight(broker):
    """The messages that a broker, started again, still holds for our session."""
    broker.stop()
    broker.start()
    seen = []
    client = Client(CallbackAPIVersion.VERSION2, client_id=CLIENT_ID, protocol=MQTTv5)
    client.on_message = lambda _client, _data, m: seen.append(m.payload)
    client.connect("127.0.0.1", broker.port, clean_start=False)
    end = time.monotonic() + 1
    while time.monotonic() < end:
        client.loop(0.1)
    client.disconnect()
    return seen


DYING_RUN = """
import os, queue, sys, time
from logger.readings.rig_file import Source
from logger.sources.mqtt_topic import MqttTopic
url, topic, client_id = sys.argv[1:]
taken = queue.Queue()
source = Source(id="wheels", kind="mqtt", url=url, topic=topic)
MqttTopic(source, client_id=client_id).start(taken.put_nowait, time.monotonic_ns)
print("ready", flush=True)
for arrival in [taken.get(timeout=20) for _ in range(10)]:
    if arrival.pack.seq in (0, 1, 2, 7):
        arrival.acknowledge()
time.sleep(0.5)
os.kill(os.getpid(), 9)
"""


def run_that_dies(broker):
    """Ten messages come to a run that reports 0, 1, 2 and 7 safe and is then killed."""
    words = [*PROGRAM, DYING_RUN, broker.url, TOPIC, CLIENT_ID]
    with WarmProcess(words, stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"ready\n"
        sender = Sender(broker)
        sender.send_many([pack(i) for i in range(10)])
        sender.close()
        process.wait(20)


def test_a_message_is_acknowledged_only_when_it_is_safe(broker):
    """When the program dies, the broker still holds exactly what was not reported safe."""
    run_that_dies(broker)
    kept = in_flight(broker)

    assert [json.loads(p)[0]["seq"] for p in kept] == [3, 4, 5, 6, 8, 9]


def test_a_run_after_a_killed_one_does_not_take_its_messages(broker, sender, start):
    """What the broker kept for a run that was killed is not taken as a new run's readings."""
    run_that_dies(broker)
    sender.send(pack(20))
    run = start(topic_of(broker.url))
    sender.send(pack(30))
    run.until(come(1)).settle()

    assert run.seqs == [30]


def test_more_than_the_broker_s_usual_window_goes_ahead(broker, sender, start):
    """The broker sends on without waiting for acknowledgements: 2,000 messages ahead."""
    run = start(topic_of(broker.url), safe=False)
    sender.send_many([pack(i) for i in range(2000)])
    run.until(come(2000))

    assert run.seqs == list(range(2000))


def test_messages_during_an_outage_come_after_it(broker, sender, start):
    """What a device sends while our connection is down comes once it is back, in order.

    What was acknowledged in the last moment may come twice, and its count tells.
    """
    run = start(topic_of(broker.url))
    sender.send_many([pack(i) for i in range(20)])
    run.until(all_of(20))
    for begin in (20, 40, 60):
        broker.kill() if begin == 40 else broker.stop()
        run.until(noted("lost", begin // 20))
        broker.start()
        sender.send_many([pack(i) for i in range(begin, begin + 20)])
        run.until(all_of(begin + 20))
    run.settle()

    assert new_of(run) == list(range(80))
    assert run.kinds().count("back") == 3


def test_a_later_run_does_not_take_an_earlier_run_s_queue(broker, sender, start):
    """A session begins anew with a run: what was sent between two runs is in neither."""
    first = start(topic_of(broker.url), safe=False)
    sender.send(pack(1))
    first.until(come(1))
    first.source.stop()
    sender.send(pack(2))
    second = start(topic_of(broker.url))
    sender.send(pack(3))
    second.until(come(1)).settle()

    assert first.seqs == [1]
    assert second.seqs == [3]


def test_a_full_queue_makes_the_broker_wait(broker, sender, start):
    """A queue that is full for a moment loses nothing and needs no second sending."""
    run = start(topic_of(broker.url), size=5)
    sender.send_many([pack(i) for i in range(40)])
    time.sleep(0.3)
    run.until(come(40)).settle()

    assert run.seqs == list(range(40))
    assert run.notes == []


def test_what_a_full_queue_put_off_is_sent_again_in_order(broker, sender, start):
    """A queue that stays full is owned up to, and then everything comes in order.

    What was acknowledged in the last moment may come twice, and its count tells.
    """
    run = start(topic_of(broker.url), size=5)
    sender.send_many([pack(i) for i in range(60)])
    time.sleep(2.5)
    run.until(all_of(60)).settle()

    assert new_of(run) == list(range(60))
    assert "overflow" in run.kinds()


def test_acknowledging_after_the_stop_does_no_harm(broker, sender, start):
    """The recorder may empty its queue after the source has stopped."""
    run = start(topic_of(broker.url), safe=False)
    sender.send(pack(1))
    run.until(come(1))
    run.source.stop()
    run.source.stop()

    assert run.arrivals[0].acknowledge() is None


@pytest.fixture
def older_broker(tmp_path):
    """The URL of a broker that speaks only MQTT 3.1.1 (amqtt, in a process of its own)."""
    port = free_port()
    config = tmp_path / "older.yaml"
    config.write_text(
        f"listeners:\n  default:\n    type: tcp\n    bind: 127.0.0.1:{port}\n"
        "plugins:\n  amqtt.plugins.authentication.AnonymousAuthPlugin:\n"
        "    allow_anonymous: true\n"
    )
    program = Path(sys.executable).with_name("amqtt")
    with subprocess.Popen(
        [program, "-c", config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        end = time.monotonic() + 20
        while time.monotonic() < end:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        yield f"mqtt://127.0.0.1:{port}"
        process.terminate()


def test_a_broker_that_speaks_only_the_older_protocol(older_broker, start):
    """With a broker of MQTT 3.1.1 packs come, are acknowledged, and a run begins anew."""
    port = int(older_broker.rpartition(":")[2])
    first = start(topic_of(older_broker), safe=False)
    device = Client(CallbackAPIVersion.VERSION2, client_id="device")
    device.connect("127.0.0.1", port)
    device.loop_start()
    device.publish(TOPIC, pack(1), qos=1).wait_for_publish(10)
    first.until(come(1))
    first.source.stop()
    device.publish(TOPIC, pack(2), qos=1).wait_for_publish(10)
    second = start(topic_of(older_broker))
    for seq in range(3, 100):
        device.publish(TOPIC, pack(seq), qos=1).wait_for_publish(10)
    second.until(come(97)).settle()
    device.disconnect()
    device.loop_stop()

    assert first.seqs == [1]
    assert second.seqs == list(range(3, 100))


def test_messages_without_guarantee_need_no_acknowledgement(broker, sender, start):
    """A device that publishes with QoS 0 is taken as it is."""
    run = start(topic_of(broker.url))
    sender.send(pack(1), qos=0)
    run.until(come(1))

    assert run.arrivals[0].acknowledge is None


def refusal(source, *, within_s=CONNECT_WITHIN_S + 2):
    """The one line with which a source refuses to start."""
    begin = time.monotonic()
    with pytest.raises(SourceUnavailable) as caught:
        source.start(queue.Queue().put_nowait, time.monotonic_ns)
    assert time.monotonic() - begin < within_s
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith("source 'wheels'")
    return text


def test_a_broker_that_is_off_is_told():
    """One line says that no broker listens there."""
    url = f"mqtt://127.0.0.1:{free_port()}"

    assert "no broker listens at 127.0.0.1:" in refusal(topic_of(url))


def test_an_unknown_host_is_told():
    """One line says that the host is not known."""
    text = refusal(topic_of("mqtt://no-such-host.invalid"))

    assert "no host 'no-such-host.invalid' is known" in text or "within" in text


def test_something_that_never_answers_is_told():
    """A listener that says nothing is given up within seconds."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"mqtt://127.0.0.1:{server.getsockname()[1]}"

        assert "does not answer within 5 s" in refusal(topic_of(url))


def test_something_that_hangs_up_is_told():
    """A listener that speaks no MQTT and hangs up gives one line."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def hang_up():
            for _ in range(2):
                connection, _ = server.accept()
                connection.close()

        thread = threading.Thread(target=hang_up)
        thread.start()
        text = refusal(topic_of(f"mqtt://127.0.0.1:{server.getsockname()[1]}"))
        thread.join()

    assert "closed the connection" in text or "no connection" in text


@pytest.fixture
def guarded(tmp_path):
    """A broker with a password and an access list."""
    passwords, access = tmp_path / "passwords", tmp_path / "access"
    passwords.touch()
    subprocess.run(["mosquitto_passwd", "-b", passwords, "crew", "s3cret"], check=True)
    access.write_text(f"user crew\ntopic readwrite {TOPIC}\n")
    access.chmod(0o600)
    passwords.chmod(0o600)
    lines = (f"password_file {passwords}", f"acl_file {access}")
    with running_broker(tmp_path, lines=lines, anonymous=False) as broker:
        yield broker


def test_a_password_comes_from_the_environment(guarded, start):
    """User and password are sent; the password is nowhere in the rig file."""
    source = topic_of(guarded.url, **CREW, environment={"CREW_PW": "s3cret"})

    assert start(source).notes == []


def test_a_wrong_password_and_none_are_told(guarded):
    """One line says that the broker refused us and what to look at."""
    wrong = topic_of(guarded.url, **CREW, environment={"CREW_PW": "x"})

    assert "refused us: Not authorized; see 'user'" in refusal(wrong)
    assert "refused us: Not authorized" in refusal(topic_of(guarded.url))


def test_a_missing_password_variable_is_named():
    """One line names the variable that is not set."""
    text = refusal(topic_of("mqtt://127.0.0.1", **CREW))

    assert "no variable 'CREW_PW'" in text


def test_an_impossible_topic_is_told(broker):
    """A topic that no broker takes gives one line with the rule."""
    assert "is no topic to subscribe to" in refusal(topic_of(broker.url, topic="a/#/b"))


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    """A certificate authority, and a certificate of 127.0.0.1 signed by it."""
    folder = tmp_path_factory.mktemp("certificates")

    def openssl(*words):
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    new = ("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
    usage = "keyUsage=critical,keyCertSign"
    openssl(*new, "-keyout", "ca.key", "-out", "ca.pem", "-subj", "/CN=Test CA", "-addext", usage)
    openssl(
        *new, "-CA", "ca.pem", "-CAkey", "ca.key", "-keyout", "broker.key", "-out", "broker.pem",
        "-subj", "/CN=broker", "-addext", "subjectAltName=IP:127.0.0.1",
    )  # fmt: skip
    return folder


@pytest.fixture
def encrypted(tmp_path, certificates):
    """A broker with TLS."""
    lines = (
        f"cafile {certificates / 'ca.pem'}",
        f"certfile {certificates / 'broker.pem'}",
        f"keyfile {certificates / 'broker.key'}",
    )
    with running_broker(tmp_path, lines=lines, scheme="mqtts") as broker:
        yield broker


def test_an_encrypted_broker(encrypted, certificates, start):
    """Over TLS, with the authority of the rig file, packs come and are acknowledged."""
    ca = str(certificates / "ca.pem")
    run = start(topic_of(encrypted.url, ca=ca))
    device = Client(CallbackAPIVersion.VERSION2, client_id="device")
    device.tls_set(ca)
    device.connect("127.0.0.1", encrypted.port)
    device.loop_start()
    for info in [device.publish(TOPIC, pack(i), qos=1) for i in range(300)]:
        info.wait_for_publish(10)
    device.disconnect()
    device.loop_stop()
    run.until(come(300))

    assert run.seqs == list(range(300))


def test_a_certificate_of_an_unknown_authority_is_told(encrypted):
    """Without the authority the broker is not trusted, and one line says so."""
    assert "is not trusted" in refusal(topic_of(encrypted.url))


def test_a_missing_or_broken_authority_file_is_told(encrypted, tmp_path):
    """A 'ca' that is not there or no certificate gives one line that names it."""
    (tmp_path / "junk.pem").write_text("junk")

    assert "is no CA certificate" in refusal(topic_of(encrypted.url, ca="/nowhere.pem"))
    assert "is no CA certificate" in refusal(topic_of(encrypted.url, ca=str(tmp_path / "junk.pem")))


def test_tls_with_a_plain_broker_and_the_other_way_round_are_told(broker, encrypted):
    """Mixing up mqtt and mqtts gives one line that says which to write."""
    mixed = broker.url.replace("mqtt:", "mqtts:")

    assert "'mqtt://'" in refusal(topic_of(mixed))
    assert "'mqtts://'" in refusal(topic_of(encrypted.url.replace("mqtts:", "mqtt:")))


RIG = """
[rig]
id = "bay-2"
[[source]]
id = "wheels"
kind = "mqtt"
url = "{url}"
topic = "rig/wheels"
[[source]]
id = "mast"
kind = "mqtt"
url = "{url}"
topic = "rig/mast"
[[channel]]
id = "wheel/rear_left"
source = "wheels"
name = "rear_left"
closed_when = true
"""


def test_several_sources_go_into_one_queue(broker, sender):
    """All sources of a rig file hand over to one queue, each under its own id."""
    sources = open_sources(read_rig(RIG.format(url=broker.url)))
    taken = queue.Queue()
    start_sources(sources, taken.put_nowait, time.monotonic_ns)
    sender.send(pack(1), topic="rig/mast")
    sender.send(pack(2), topic="rig/wheels")
    found = {(a.source, a.pack.seq) for a in (taken.get(timeout=10) for _ in range(2))}
    stop_sources(sources)

    assert found == {("mast", 1), ("wheels", 2)}


def test_all_sources_start_or_none(broker):
    """When one source can't start, those before it are stopped again."""
    text = RIG.format(url=broker.url)
    text = (
        text[: text.rindex(broker.url)]
        + f"mqtt://127.0.0.1:{free_port()}"
        + text[text.rindex(broker.url) + len(broker.url) :]
    )
    sources = open_sources(read_rig(text))
    with pytest.raises(SourceUnavailable, match="source 'mast'"):
        start_sources(sources, queue.Queue().put_nowait, time.monotonic_ns)

    assert not [t for t in threading.enumerate() if t.name.startswith("mqtt")]
