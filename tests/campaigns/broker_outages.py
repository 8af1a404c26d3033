"""Kills a broker, stalls and cuts links, and counts what is lost, doubled or out of order.

Not part of the suite, which makes a few of these in ``tests/test_broker_outages.py``::

    python -m tests.campaigns.broker_outages --kills 200 --outage-s 60

A device publishes 300 packs a second (over kills 100) with QoS 1 and keeps what the broker has
not acknowledged. Five legs: the broker killed (kill -9) again and again; the link to it
half-open; the broker away for a minute, so that the device holds all; our link cut for a minute,
so that the broker holds all; and the real ``slewtrace record`` over kills, whose sealed run is
read for losses, doubles and order. A killed broker may lose a pack that it had acknowledged and
not yet written: that must be counted as missing; what the device still held must be there. No
failure in N kills supports a rate under 3/N at 95 % (the "rule of three").
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from logger.recording.run import open_run
from logger.sources.broker_link import HALF_OPEN_SHOWS_WITHIN_S
from tests.broker import running_broker
from tests.tcp_proxy import TcpProxy
from tests.test_broker_outages import TOPIC, Device, Recorder
from tests.test_record import Recording

RATE_HZ = 300.0
RATE_OVER_KILLS_HZ = 100.0
"""A broker that writes all it holds with each message takes no more on a busy machine."""
FEW = 20
"""Packs that a device may hold when the broker is killed again."""

RIG = """
[rig]
id = "bay-2"
[[source]]
id = "mast"
kind = "mqtt"
url = "{url}"
topic = "{topic}"
[[channel]]
id = "load"
source = "mast"
name = "w:cell"
unit = "kg"
[[channel]]
id = "wheel/rear_left"
source = "mast"
name = "w:rear_left"
closed_when = true
[[channel]]
id = "wheel/rear_right"
source = "mast"
name = "w:rear_right"
closed_when = true
"""
TEST = """
[test]
id = "demo-a-1"
[truck]
id = "invented"
wheels = ["rear_left", "rear_right"]
[crane]
rated_moment = "45 kN·m"
[load]
parts = [{ name = "block", mass = "1360 kg" }]
"""


def counts(recorder, device, held=frozenset()):
    """What a leg found, once everything came; ``held`` is what the device held at kills."""
    took_all = device.finish(within_s=300)
    recorder.wait_for_pack(device.sent - 1, within_s=300 if took_all else 1)
    still_held = device.holds()
    lost = set(range(device.sent)) - set(recorder.kept) - still_held
    found = {
        "sent": device.sent,
        "broker_took_all": took_all,
        "held_by_device_at_kills": len(held),
        "still_held_at_the_end": len(still_held),
        "lost_of_what_the_device_held": len(lost & held),
        "lost_by_the_broker": len(lost - held),
        "counted_missing": recorder.missing,
        "doubles_left_out": recorder.repeated,
        "doubles_kept": len(recorder.kept) - len(set(recorder.kept)),
        "in_order_as_they_came": recorder.kept == sorted(recorder.kept),
    }
    recorder.stop()
    return found


def killed_brokers(folder, *, kills):
    """The broker killed while packs flow."""
    back_s = []
    with running_broker(folder) as broker:
        recorder = Recorder(broker.port)
        device = Device(broker.port, rate_hz=RATE_OVER_KILLS_HZ)
        held = set()
        for number in range(kills):
            caught_up(device)
            time.sleep(0.2 + 0.4 * (number % 7) / 7)
            held |= killed(broker, recorder, device, number + 1)
            broker.start()
            started_s = time.monotonic()
            back_s.append(recorder.wait_for_note("back", number + 1) - started_s)
        slowest = {"kills": kills, "slowest_back_s": round(max(back_s), 2)}
        return slowest | counts(recorder, device, held)


def caught_up(device, *, within_s=30):
    """Waits until the broker has taken most of what came while it was away.

    Else what the device holds grows from kill to kill, and all is sent again each time.
    """
    end_s = time.monotonic() + within_s
    while len(device.holds()) > FEW and time.monotonic() < end_s:
        time.sleep(0.02)


def killed(broker, recorder, device, number):
    """Kills the broker; what the device holds then."""
    broker.kill()
    recorder.wait_for_note("lost", number)
    device.wait_until_cut_off()  # till then an answer may still be on its way to it
    return device.holds()


def half_open_links(folder, *, times):
    """The link stays open and carries nothing, then does again."""
    noticed_s = []
    with running_broker(folder, saves_each_change=False) as broker, TcpProxy(broker.port) as proxy:
        recorder, device = Recorder(proxy.port), Device(broker.port, rate_hz=RATE_HZ)
        for number in range(times):
            time.sleep(1)
            stalled_s = time.monotonic()
            proxy.stall()
            noticed_s.append(recorder.wait_for_note("lost", number + 1) - stalled_s)
            proxy.resume()
            recorder.wait_for_note("back", number + 1)
        return {"times": times, "slowest_noticed_s": round(max(noticed_s), 2)} | counts(
            recorder, device
        )


def broker_away(folder, *, outage_s):
    """The broker is killed and comes back much later; the device holds what it makes."""
    with running_broker(folder, saves_each_change=False) as broker:
        recorder, device = Recorder(broker.port), Device(broker.port, rate_hz=RATE_HZ)
        time.sleep(1)
        broker.save()
        killed(broker, recorder, device, 1)
        time.sleep(outage_s)
        held = device.holds()
        broker.start()
        return {"outage_s": outage_s} | counts(recorder, device, held)


def link_away(folder, *, outage_s):
    """Our link is cut and comes back much later; the broker holds what the device sends."""
    with running_broker(folder, saves_each_change=False) as broker, TcpProxy(broker.port) as proxy:
        recorder, device = Recorder(proxy.port), Device(broker.port, rate_hz=RATE_HZ)
        time.sleep(1)
        before = device.sent
        proxy.stall()
        proxy.cut()
        time.sleep(outage_s)
        held = device.sent - before
        proxy.resume()
        return {"outage_s": outage_s, "broker_held": held} | counts(recorder, device)


class CountingDevice(Device):
    """A device whose reading is its count, so that the sealed run tells which came."""

    def made(self, seq):
        """The pack of a count."""
        records = [{"bn": "w:", "seq": seq, "boot": "b", "up": time.monotonic()}]
        return json.dumps([*records, {"n": "cell", "v": seq}])


def recorded_over_kills(folder, *, kills):
    """The real command over kills; its sealed run read."""
    with running_broker(folder) as broker:
        rig, test = folder / "rig.toml", folder / "test.toml"
        rig.write_text(RIG.format(url=broker.url, topic=TOPIC))
        test.write_text(TEST)
        recording = Recording("--rig", rig, "--test", test, "-o", folder)
        try:
            recording.wait_for(lambda e: e["event"] == "recording", seconds=60)
            device = CountingDevice(broker.port, rate_hz=RATE_OVER_KILLS_HZ)
            held = set()
            for _ in range(kills):
                time.sleep(0.5)
                broker.kill()
                recording.wait_for(lambda e: e["event"] == "gap" and e["kind"] == "lost")
                device.wait_until_cut_off()
                held |= device.holds()
                broker.start()
                recording.wait_for(lambda e: e["event"] == "back")
            took_all = device.finish(within_s=120)
            time.sleep(2)
            sealed = recording.end()
        finally:
            recording.close()
    run = open_run(Path(sealed["path"]))
    value = run.raw("load").value
    missing = [g.missing for g in run.gaps if g.kind == "missing_packs"]
    return {
        "kills": kills,
        "sent": device.sent,
        "broker_took_all": took_all,
        "held_by_device_at_kills": len(held),
        "lost_of_what_the_device_held": len(held - set(value.astype(int).tolist())),
        "lost_by_the_broker": device.sent - len(held | set(value.astype(int).tolist())),
        "counted_missing": sum(missing),
        "doubles_kept": int(value.size - np.unique(value).size),
        "in_order_by_time": bool((np.diff(value) > 0).all()),
    }


def passes(leg):
    """Whether a leg lost and doubled nothing, and its order can be told."""
    kept_all = leg["broker_took_all"] and not leg["lost_of_what_the_device_held"]
    counted = leg["counted_missing"] >= leg["lost_by_the_broker"]
    return kept_all and counted and not leg["doubles_kept"]


def main() -> int:
    """Prints each leg as a line of JSON; 1 where a pass line is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--half-open", type=int, default=5)
    parser.add_argument("--outage-s", type=float, default=60.0)
    parser.add_argument("--recorded-kills", type=int, default=10)
    parser.add_argument("--only", help="one leg: killed_brokers, half_open_links, …")
    wanted = parser.parse_args()
    legs = {
        "killed_brokers": lambda f: killed_brokers(f, kills=wanted.kills),
        "half_open_links": lambda f: half_open_links(f, times=wanted.half_open),
        "broker_away": lambda f: broker_away(f, outage_s=wanted.outage_s),
        "link_away": lambda f: link_away(f, outage_s=wanted.outage_s),
        "recorded_over_kills": lambda f: recorded_over_kills(f, kills=wanted.recorded_kills),
    }
    good = True
    for name, leg in legs.items():
        if wanted.only not in (None, name):
            continue
        with tempfile.TemporaryDirectory() as folder:
            found = leg(Path(folder))
        good &= bool(passes(found)) and found.get("in_order_by_time", True)
        good &= found.get("slowest_noticed_s", 0) <= HALF_OPEN_SHOWS_WITHIN_S + 1
        sys.stdout.write(json.dumps({"leg": name} | found) + "\n")
        sys.stdout.flush()
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
