"""What is recorded from a serial line goes on to a broker, whole, in order, also past an outage."""

import json
import signal
import time
from collections import defaultdict
from contextlib import contextmanager
from itertools import pairwise

import numpy as np
import paho.mqtt.client as mqtt
import pytest

from tests.broker import running_broker
from tests.made_run import RIG_TOML, TEST_TOML
from tests.test_record import Recording, named, pack_of, serial_line

TOPIC = "rig/bench-1/readings"


@contextmanager
def reader_of(broker):
    """A subscriber whose session outlives the broker: packs as they come."""
    packs = []
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="tablet", clean_session=False)
    client.on_connect = lambda c, *_: c.subscribe(TOPIC, qos=1)
    client.on_message = lambda _c, _u, m: packs.append(json.loads(m.payload))
    client.reconnect_delay_set(0.1, 0.3)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        yield packs
    finally:
        client.disconnect()
        client.loop_stop()


def resolved(packs):
    """By name, (UTC, value) of each record, packs that came twice left out."""
    found, seen = defaultdict(list), set()
    for pack in packs:
        first = pack[0]
        if first["seq"] in seen:
            continue
        seen.add(first["seq"])
        for record in pack:
            value = record["v"] if "v" in record else record["vb"]
            found[first["bn"] + record["n"]].append((first["bt"] + record["t"], value))
    return found, seen


@pytest.fixture
def bench(tmp_path):
    """A rig whose sensors are all on one serial line, and that republishes to a broker."""
    with running_broker(tmp_path) as broker, serial_line() as (write, port):
        rig, test = tmp_path / "rig.toml", tmp_path / "test.toml"
        rig.write_text(
            RIG_TOML.replace("/dev/ttyUSB0", port).replace(
                "mqtt://127.0.0.1:1883", f"mqtt://127.0.0.1:{broker.port}"
            )
            + f'\n[republish]\nurl = "mqtt://127.0.0.1:{broker.port}"\ntopic = "{TOPIC}"\n'
        )
        test.write_text(TEST_TOML)
        yield broker, write, ("--rig", rig, "--test", test, "-o", tmp_path / "runs")


def test_an_outage_of_the_broker_leaves_nothing_out(bench):
    """Killed in the middle and started again, the broker's reader has every reading, calibrated."""
    broker, write, options = bench
    recording = Recording(*options)
    try:
        recording.wait_for(named("recording"))
        with reader_of(broker) as packs:
            began_s = time.time()
            for seq in range(120):
                records = [{"n": "enc", "v": 1024 + seq}, {"n": "cell", "v": 2740}]
                write(pack_of(records, seq=seq, up=seq * 0.02) + b"\n")
                time.sleep(0.02)
                if seq == 40:
                    broker.kill()
                if seq == 80:
                    broker.start()
            recording.wait_for(named("republish", state="lost"))
            time.sleep(2.0)
            recording.end(signal.SIGINT)
            time.sleep(0.5)
    finally:
        recording.close()
    found, seqs = resolved(packs)
    slew = found["bench-1/slew"]

    assert [round(np.degrees(v) / 0.087890625) for _, v in slew] == list(range(120))
    assert len(found["bench-1/load"]) == 120
    assert sorted(seqs) == list(range(1, max(seqs) + 1))
    assert all(b[0] >= a[0] for a, b in pairwise(slew))
    assert began_s - 0.5 < slew[0][0] < began_s + 1.0
    assert not [e for e in recording.events if e.get("state") == "behind"]


def test_what_the_broker_has_not_got_at_the_end_is_owned_up_to(bench):
    """A broker that never comes back keeps no run from being sealed, and the rest is counted."""
    broker, write, options = bench
    recording = Recording(*options)
    try:
        recording.wait_for(named("republish", state="connected"))
        broker.kill()
        for seq in range(20):
            write(pack_of([{"n": "enc", "v": seq}], seq=seq, up=seq * 0.02) + b"\n")
            time.sleep(0.02)
        recording.end(signal.SIGINT)
    finally:
        recording.close()
    (behind,) = [e for e in recording.events if e.get("state") == "behind"]

    assert behind["blocks"] >= 1
