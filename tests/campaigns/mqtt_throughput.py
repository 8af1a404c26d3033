"""Floods a broker, and counts what the recorder journals beside what ``mosquitto_sub`` writes.

Not part of the suite::

    python -m tests.campaigns.mqtt_throughput --messages 100000

The same messages go, in the same run, to ``mosquitto_sub`` (which writes them to a file) and to
the real ``slewtrace record``; the ratio of their rates does not depend on how busy the machine
is with other work. Messages of one bare reading, of one reading with the device's count and
uptime, both QoS 0; and packs of 100 readings, for which the rate itself is given. At QoS 1 the
broker sends as many ahead as we allow it (20,000) under MQTT 5.
"""

from __future__ import annotations

import argparse
import json
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from tests.broker import running_broker
from tests.campaigns.broker_outages import RIG, TEST
from tests.test_mqtt_topic import TOPIC
from tests.test_record import Recording

PACK = 100
LEAST_RATIO = 0.6
LEAST_SAMPLES_HZ = 500_000


def bare(number):
    """One reading and nothing else."""
    return [{"n": "w:cell", "v": round(1400 + number * 0.001, 3)}]


def counted(number):
    """One reading with the device's count and uptime."""
    labels = {"bn": "w:", "seq": number, "boot": "b1", "up": round(number * 0.001, 3)}
    return [labels | {"n": "cell", "v": round(1400 + number * 0.001, 3)}]


def packed(number):
    """A hundred readings."""
    labels = {"bn": "w:", "seq": number, "boot": "b1", "up": round(number * 0.1, 3)}
    return [labels, *({"n": "cell", "v": 1400 + i, "t": -i / 1000} for i in range(PACK))]


def journalled(folder):
    """How many samples the journal holds, all parts together."""
    total = 0
    for path in folder.glob("*.journal"):
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=5)) as journal:
            total += journal.execute("SELECT coalesce(sum(count), 0) FROM blocks").fetchone()[0]
    return total


def flood(folder, make, *, messages, samples, qos):
    """One flood: rates of both takers."""
    lines = folder / "lines"
    with lines.open("w") as out:
        for number in range(messages):
            out.write(json.dumps(make(number), separators=(",", ":")) + "\n")
    with running_broker(folder, saves_each_change=False) as broker:
        rig, test = folder / "rig.toml", folder / "test.toml"
        rig.write_text(RIG.format(url=broker.url, topic=TOPIC))
        test.write_text(TEST)
        recording = Recording("--rig", rig, "--test", test, "-o", folder)
        try:
            recording.wait_for(lambda e: e["event"] == "recording", seconds=60)
            return _rates(folder, broker.port, recording, (messages, samples, qos))
        finally:
            recording.close()


def _rates(folder, port, recording, size):
    messages, samples, qos = size
    at_broker = ["-p", str(port), "-t", TOPIC, "-q", str(qos)]
    with (folder / "lines").open() as lines, (folder / "written").open("wb") as written:
        taker = subprocess.Popen(["mosquitto_sub", *at_broker, "-C", str(messages)], stdout=written)
        time.sleep(0.5)
        begin_s = time.monotonic()
        sender = subprocess.Popen(["mosquitto_pub", *at_broker, "-l"], stdin=lines)
        taker_s = recorder_s = None
        kept, grew_s = 0, begin_s
        while taker_s is None or recorder_s is None:
            now_s = time.monotonic()
            if taker_s is None and taker.poll() is not None:
                taker_s = now_s - begin_s
            have = journalled(folder)
            if have > kept:
                kept, grew_s = have, now_s
            if recorder_s is None and (kept >= samples or now_s - grew_s > 10):
                recorder_s = grew_s - begin_s
            if now_s - begin_s > 180:
                break
            time.sleep(0.05)
        taker.kill()
        taker.wait()
        sender.kill()
        sender.wait()
    sealed = recording.end()
    return {
        "messages": messages,
        "journalled_samples": sealed["samples"],
        "all_journalled": sealed["samples"] == samples,
        "mosquitto_sub_messages_hz": round(messages / taker_s) if taker_s else None,
        "recorder_messages_hz": round(messages * kept / samples / recorder_s),
        "recorder_samples_hz": round(kept / recorder_s),
        "ratio": round(kept / samples / recorder_s * taker_s, 2) if taker_s else None,
        "load_average": os.getloadavg()[0],
    }


def main() -> int:
    """Prints a line of JSON for each kind of message; 1 where a pass line is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--messages", type=int, default=100_000)
    parser.add_argument("--only", choices=("bare", "counted", "packed", "counted_qos_1"))
    wanted = parser.parse_args()
    many, packs = wanted.messages, wanted.messages // 10
    floods = {
        "bare": (bare, many, many, 0),
        "counted": (counted, many, many, 0),
        "packed": (packed, packs, packs * PACK, 0),
        "counted_qos_1": (counted, packs, packs, 1),
    }
    good = True
    for name, (make, messages, samples, qos) in floods.items():
        if wanted.only not in (None, name):
            continue
        with tempfile.TemporaryDirectory() as folder:
            found = flood(Path(folder), make, messages=messages, samples=samples, qos=qos)
        sys.stdout.write(json.dumps({"kind": name} | found) + "\n")
        sys.stdout.flush()
        if name in ("bare", "counted"):
            good &= found["all_journalled"] and (found["ratio"] or 0) >= LEAST_RATIO
        if name == "packed":
            good &= found["recorder_samples_hz"] >= LEAST_SAMPLES_HZ
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
