"""Recording for real: the console command, a pseudo-terminal, a broker, a sealed run."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import queue
import signal
import sqlite3
import subprocess
import threading
import time
import tty
import zlib

import numpy as np
import paho.mqtt.client as mqtt
import pytest

from logger.recording.run import open_run
from tests.broker import running_broker
from tests.made_run import RIG_TOML, TEST_TOML
from tests.warm_process import COMMAND, WarmProcess, run_warm


class Recording:
    """The record command as a child process, its events as they come."""

    def __init__(self, *args, start=WarmProcess):
        self.process = start(
            [*COMMAND, "record", *map(str, args), "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._lines = queue.Queue()
        self.events = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self):
        for line in self.process.stdout:
            self._lines.put(json.loads(line))
        self._lines.put(None)

    def wait_for(self, wanted, *, seconds=20):
        """The next event for which ``wanted`` is true."""
        end = time.monotonic() + seconds
        while True:
            event = self._lines.get(timeout=max(0.01, end - time.monotonic()))
            if event is None:
                raise AssertionError(f"ended; {self.events} {self.process.stderr.read()}")
            self.events.append(event)
            if wanted(event):
                return event

    def end(self, how=signal.SIGINT):
        """Ends the run as a person would, and gives its sealed event."""
        self.process.send_signal(how)
        sealed = self.wait_for(lambda e: e["event"] == "sealed")
        assert self.process.wait(timeout=20) == 0
        return sealed

    def close(self):
        """Ends the process, whatever it does, and closes its pipes."""
        self.process.kill()
        self.process.wait(10)
        self._reader.join(10)
        self.process.stdout.close()
        self.process.stderr.close()


@pytest.fixture
def record():
    """Starts recordings that end with the test."""
    started = []

    def begin(*args, **how):
        started.append(Recording(*args, **how))
        return started[-1]

    yield begin
    for recording in started:
        recording.close()


def named(name, **fields):
    return lambda e: e["event"] == name and all(e.get(k) == v for k, v in fields.items())


@contextlib.contextmanager
def serial_line():
    """A pseudo-terminal: (write, name of the end that the recorder opens)."""
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    try:
        yield (lambda data: os.write(ours, data)), os.ttyname(theirs)
    finally:
        for end in (ours, theirs):
            with contextlib.suppress(OSError):
                os.close(end)


def pack_of(records, *, seq, up, boot="b1", base="", crc=True):
    records[0] = {"bn": base, "seq": seq, "boot": boot, "up": up, **records[0]}
    pack = json.dumps(records).encode()
    return pack + (b" %08x" % zlib.crc32(pack) if crc else b"")


@pytest.fixture
def bench(tmp_path):
    """A broker, a serial line, and the two files that describe them."""
    with running_broker(tmp_path) as broker, serial_line() as (write, port):
        rig, test = tmp_path / "rig.toml", tmp_path / "test.toml"
        rig.write_text(
            RIG_TOML.replace("/dev/ttyUSB0", port).replace(
                "mqtt://127.0.0.1:1883", f"mqtt://127.0.0.1:{broker.port}"
            )
        )
        test.write_text(TEST_TOML)
        yield broker, write, ("--rig", rig, "--test", test, "-o", tmp_path / "runs"), tmp_path


@contextlib.contextmanager
def publisher(broker):
    """Publishes wheel packs, QoS 1."""
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        yield lambda payload: client.publish("rig/bench-1/wheels", payload, qos=1).wait_for_publish(
            10
        )
    finally:
        client.disconnect()
        client.loop_stop()


WHEELS = ("front_left", "front_right", "rear_left", "rear_right")


def wheel_pack(seq, *, up, open_wheel=None):
    records = [
        {"n": w, "t": -0.01 * k, "vb": w != open_wheel} for w in WHEELS for k in (3, 2, 1, 0)
    ]
    return pack_of(records, seq=seq, up=up, crc=False)


def test_readings_of_both_sources_are_in_one_sealed_run(bench, record):
    """Serial packs and broker packs, a lift on the way: told at once, sealed whole, re-readable."""
    broker, write, options, folder = bench
    recording = record(*options, start=subprocess.Popen)  # as a shell starts it
    started = recording.wait_for(named("recording"))
    with publisher(broker) as publish:
        for seq in range(40):
            slew = 1024 + 10 * seq
            records = [
                {"n": "enc", "v": slew},
                {"n": "cell", "v": 2740},
                {"n": "reach", "v": 3920},
            ]
            write(pack_of(records, seq=seq, up=seq * 0.05) + b"\n")
            publish(
                wheel_pack(seq, up=100 + seq * 0.05, open_wheel="rear_left" if seq > 19 else "")
            )
            time.sleep(0.02)
        lift = recording.wait_for(named("wheel_lift", state="confirmed"))
    sealed = recording.end()
    run = open_run(sealed["path"])
    run.verify()

    assert lift["wheel"] == "rear_left"
    assert isinstance(lift["slew_deg"], float)
    assert run.header.run_id == started["run_id"]
    assert sealed["samples"] == sum(run.header.samples.values()) == 40 * (3 + 16)
    assert run.raw("slew").value.tolist() == [1024 + 10 * s for s in range(40)]
    assert run.raw("wheel/rear_left").value.sum() == 20 * 4
    steps_s = np.diff(run.raw("slew").t_ns) * 1e-9
    assert steps_s == pytest.approx(np.full(39, 0.05), abs=0.002)
    assert not list((folder / "runs").glob("*.journal*"))


def test_each_opening_is_told_also_while_an_earlier_one_is_remembered(bench, record):
    """Two openings of one wheel give suspect, confirmed, cleared twice."""
    broker, _, options, _ = bench
    recording = record(*options)
    recording.wait_for(named("recording"))
    with publisher(broker) as publish:
        for seq in range(60):
            wheel = "front_right" if seq in range(10, 20) or seq in range(35, 45) else ""
            publish(wheel_pack(seq, up=seq * 0.04, open_wheel=wheel))
            time.sleep(0.01)
        for _ in range(2):
            for state in ("suspect", "confirmed", "cleared"):
                recording.wait_for(named("wheel_lift", wheel="front_right", state=state))
    recording.end(signal.SIGTERM)

    lifts = [e["state"] for e in recording.events if e["event"] == "wheel_lift"]
    assert lifts == ["suspect", "confirmed", "cleared"] * 2


def test_lost_and_repeated_packs_are_counted_and_left_out(bench, record):
    """Three packs missing, one twice, one with a wrong CRC: a gap of each kind, no sample twice."""
    _, write, options, _ = bench
    recording = record(*options)
    recording.wait_for(named("recording"))

    def reading(seq, *, spoil=False):
        line = pack_of([{"n": "enc", "v": seq}], seq=seq, up=seq * 0.1)
        write((line.replace(b'"v": ', b'"v":  ') if spoil else line) + b"\n")

    for seq in (0, 1, 2, 6, 6, 7):
        reading(seq)
    gap = recording.wait_for(named("gap", kind="missing_packs"))
    reading(8, spoil=True)
    bad = recording.wait_for(named("gap", kind="bad_frames"))
    reading(9)
    time.sleep(0.3)
    run = open_run(recording.end()["path"])

    assert (gap["source"], gap["missing"]) == ("mast", 3)
    assert (bad["source"], bad["missing"]) == ("mast", 1)
    assert run.raw("slew").value.tolist() == [0, 1, 2, 6, 7, 9]
    assert {g.kind for g in run.gaps if g.source == "mast"} >= {"missing_packs", "bad_frames"}


def test_a_channel_that_falls_silent_is_told(bench, record):
    """A slew encoder that stops sending is stale after its limit."""
    _, write, options, folder = bench
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace("wraps_at", 'stale_after = "0.3 s"\nwraps_at'))
    recording = record(*options)
    recording.wait_for(named("recording"))
    write(pack_of([{"n": "enc", "v": 5}], seq=0, up=1.0) + b"\n")
    recording.wait_for(named("stale", channel="slew"))
    write(pack_of([{"n": "enc", "v": 5}], seq=1, up=3.0) + b"\n")
    recording.wait_for(named("fresh", channel="slew"))
    recording.end()


def uptimes_in(journal):
    """Device uptimes of the packs in a journal, in hundredths of a second."""
    with contextlib.closing(sqlite3.connect(journal)) as database:
        return {round(row[0] / 1e7) for row in database.execute("SELECT device_ns FROM pairs")}


def handed_over_again(broker):
    """What the broker still holds for the recorder's session: uptimes likewise."""
    held = set()
    client = mqtt.Client(
        mqtt.CallbackAPIVersion.VERSION2,
        client_id="slewtrace-bench-1-wheels",
        protocol=mqtt.MQTTv5,
    )
    client.on_message = lambda _c, _u, m: held.add(round(json.loads(m.payload)[0]["up"] * 100))
    client.connect("127.0.0.1", broker.port, clean_start=False)
    client.loop_start()
    time.sleep(1.0)
    client.disconnect()
    client.loop_stop()
    return held


@pytest.mark.parametrize("after_packs", [3, 40])
def test_a_killed_recorder_loses_nothing(bench, record, after_packs):
    """Kill -9 in a stream: every pack is in the journal, or the broker still holds it.

    The broker forgets a message when the recorder acknowledges it, so an acknowledgement before
    the commit would leave packs that neither has. Recover then seals the journal, twice over.
    """
    broker, _, options, folder = bench
    recording = record(*options)
    recording.wait_for(named("recording"))
    with publisher(broker) as publish:
        for seq in range(50):
            publish(wheel_pack(seq, up=seq * 0.04))
            if seq == after_packs:
                recording.process.kill()
        recording.process.wait()
    (journal,) = (folder / "runs").glob("*.journal")
    kept, held = uptimes_in(journal), handed_over_again(broker)

    assert kept | held == {4 * seq for seq in range(50)}
    samples = 16 * len(kept)
    for expected in (f"sealed, {samples} samples", f"was sealed already, {samples} samples"):
        done = run_warm([*COMMAND, "recover", journal], capture_output=True, text=True, check=True)
        assert expected in done.stdout
    assert sum(open_run(journal.with_suffix(".parquet")).header.samples.values()) == samples


def test_for_ends_the_run_by_itself(bench, record):
    """--for "1 s" seals after a second, exit 0, without a signal."""
    _, _, options, _ = bench
    recording = record(*options, "--for", "1 s")
    recording.wait_for(named("sealed"))

    assert recording.process.wait(timeout=10) == 0


@pytest.mark.parametrize(
    ("key", "broken", "named_in_line"),
    [
        ("port", 'port = "/dev/no-such-port"', "/dev/no-such-port"),
        ("url", 'url = "mqtt://127.0.0.1:1"', "127.0.0.1:1"),
    ],
)
def test_a_source_that_is_not_there_is_one_line_and_leaves_nothing(
    bench, key, broken, named_in_line
):
    """A missing port or a broker that is down: one line, exit code 2, no journal."""
    _, _, options, folder = bench
    rig = folder / "rig.toml"
    lines = [broken if x.startswith(f"{key} =") else x for x in rig.read_text().splitlines()]
    rig.write_text("\n".join(lines))
    done = run_warm([*COMMAND, "record", *options], capture_output=True, text=True, timeout=30)

    assert done.returncode == 2
    assert done.stdout == ""
    (line,) = done.stderr.strip().splitlines()
    assert named_in_line in line
    assert not list((folder / "runs").glob("*"))


def test_a_pack_that_comes_late_is_no_longer_missing(bench, record):
    """Counted as missing, then there after all: both are told, and its readings are kept."""
    _, write, options, _ = bench
    recording = record(*options)
    recording.wait_for(named("recording"))
    for seq in (0, 1, 4, 2, 5):
        write(pack_of([{"n": "enc", "v": seq}], seq=seq, up=seq * 0.1) + b"\n")
    missing = recording.wait_for(named("gap", kind="missing_packs"))
    late = recording.wait_for(named("gap", kind="late_packs"))
    run = open_run(recording.end()["path"])

    assert (missing["missing"], late["missing"]) == (2, 1)
    assert run.raw("slew").value.tolist() == [0, 1, 2, 4, 5]
    assert {g.kind: g.missing for g in run.gaps if g.kind.endswith("packs")} == {
        "missing_packs": 2,
        "late_packs": 1,
    }


def test_silent_wheels_are_told_while_another_source_speaks(bench, record):
    """The mast goes on and no wheel is heard: stale within its limit, and every reading is kept."""
    _, write, options, folder = bench
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace("closed_when", 'stale_after = "0.5 s"\nclosed_when'))
    recording = record(*options)
    recording.wait_for(named("recording"))
    began_s = time.monotonic()
    for seq in range(100):
        write(pack_of([{"n": "enc", "v": seq}], seq=seq, up=seq * 0.02) + b"\n")
        time.sleep(max(0.0, began_s + 0.02 * seq - time.monotonic()))
    stale = [recording.wait_for(named("stale", channel=f"wheel/{w}")) for w in WHEELS]
    run = open_run(recording.end()["path"])

    assert all(0.4 < e["t_s"] < 1.5 for e in stale)
    assert run.raw("slew").value.tolist() == list(range(100))


def test_a_wheel_that_is_heard_again_open_was_not_on_the_ground(bench, record):
    """Silent, then open at its first reading: no word of the ground in between."""
    broker, _, options, folder = bench
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace("closed_when", 'stale_after = "0.4 s"\nclosed_when'))
    recording = record(*options)
    recording.wait_for(named("recording"))
    with publisher(broker) as publish:
        publish(wheel_pack(0, up=100.0))
        recording.wait_for(named("alarm", condition="wheel/rear_left", state="unknown"))
        for seq in range(1, 10):
            publish(wheel_pack(seq, up=102.0 + seq * 0.04, open_wheel="rear_left"))
        recording.wait_for(named("alarm", condition="wheel/rear_left", state="confirmed"))
    recording.end()
    told = [
        e["text"]
        for e in recording.events
        if e["event"] == "alarm" and e["condition"] == "wheel/rear_left"
    ]

    assert not [text for text in told[: told.index(told[-1])] if "on the ground again" in text]


def test_a_device_that_starts_again_is_told_and_dated_anew(bench, record):
    """A new boot, and an uptime set back under the same boot: each told, no reading misdated."""
    _, write, options, _ = bench
    recording = record(*options)
    recording.wait_for(named("recording"))
    sent = [("b1", n, 50.0 + 0.05 * n) for n in range(10)]
    sent += [("b2", n, 2.0 + 0.05 * n) for n in range(10)]
    sent += [("b2", 10 + n, 0.5 + 0.05 * n) for n in range(10)]
    for boot, seq, up in sent:
        write(pack_of([{"n": "enc", "v": seq}], seq=seq, up=up, boot=boot) + b"\n")
        time.sleep(0.05)
    run = open_run(recording.end()["path"])
    t_s = run.raw("slew").t_ns * 1e-9

    assert [g.text for g in run.gaps if g.kind == "restarted"] == [
        "it counts anew",
        "its uptime was set back, its boot is the same",
    ]
    assert 0 < t_s[0] < t_s[-1] < 6
    assert np.diff(t_s).max() < 1.0


def test_an_uptime_that_falls_far_is_a_new_start(bench, record):
    """The same boot and an uptime that falls by seconds: told, and the readings go on in order."""
    _, write, options, _ = bench
    recording = record(*options)
    recording.wait_for(named("recording"))
    for seq in range(40):
        up = 500.0 + seq * 0.05 if seq < 20 else (seq - 20) * 0.05
        write(pack_of([{"n": "enc", "v": seq}], seq=seq, up=up) + b"\n")
        time.sleep(0.05)
    run = open_run(recording.end()["path"])
    slew = run.raw("slew")

    assert [g.kind for g in run.gaps if g.source == "mast"] == ["restarted"]
    assert slew.value.tolist() == list(range(40))
    assert np.diff(slew.t_ns).max() < 500_000_000
    assert not [e for e in recording.events if e["event"] == "stale" and e["channel"] == "slew"]


def test_a_terminal_that_is_closed_seals_the_run(bench, record):
    """SIGHUP, as from a closed window or a dropped line, ends the run in good order."""
    _, write, options, _ = bench
    recording = record(*options)
    recording.wait_for(named("recording"))
    write(pack_of([{"n": "enc", "v": 7}], seq=0, up=1.0) + b"\n")
    time.sleep(0.3)
    sealed = recording.end(signal.SIGHUP)

    assert sealed["samples"] == 1
