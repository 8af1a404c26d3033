"""Feeds a whole recorder with counted packs, and can tell afterwards which are missing.

``slewtrace record`` runs as a process. A serial line (a pseudo-terminal) brings slew, load and
two wheels; a broker brings the boom's length, through a tap that sees what the recorder
acknowledges. Every value is the counter of its pack, so a recorded run shows which are missing.
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import queue
import random
import select
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tty
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt

from logger.recording.run import open_run
from tests.ack_tap import AckTap
from tests.broker import running_broker
from tests.warm_process import WarmProcess

COMMAND = [sys.executable, "-m", "dashboard"]
READS_WITHIN_S = 1.0
TOPIC = "rig/feed/boom"
SERIAL = """
[[source]]
id = "mast"
kind = "serial"
port = "{port}"

[[channel]]
id = "slew"
source = "mast"
name = "enc"
unit = "deg"
scale = 0.0001

[[channel]]
id = "load"
source = "mast"
name = "cell"
unit = "kg"
scale = 0.0001

[[channel]]
id = "wheel/rear_left"
source = "mast"
name = "rl"
closed_when = true

[[channel]]
id = "wheel/rear_right"
source = "mast"
name = "rr"
closed_when = true
"""
BROKER = """
[[source]]
id = "boom"
kind = "mqtt"
url = "mqtt://127.0.0.1:{port}"
topic = "rig/feed/boom"

[[channel]]
id = "boom_length"
source = "boom"
name = "length"
unit = "m"
scale = 0.000001
"""
TEST = """
[test]
id = "fed-1"
[truck]
id = "invented"
wheels = ["rear_left", "rear_right"]
[crane]
rated_moment = "45 kN·m"
[load]
parts = [{ name = "block", mass = "1360 kg" }]
"""


def write_files(folder, *, port, broker_port=None):
    """Writes rig and test file; the options that ``record`` needs but for the run's folder."""
    rig, test = Path(folder) / "rig.toml", Path(folder) / "test.toml"
    boom = "" if broker_port is None else BROKER.format(port=broker_port)
    rig.write_text('[rig]\nid = "feed"\n' + SERIAL.format(port=port) + boom)
    test.write_text(TEST)
    return ["--rig", str(rig), "--test", str(test)]


class Fed:
    """A recorder's process, its events as they come.

    Attributes:
        process: the process.
        events: (monotonic ns of its coming, event) so far.

    Args:
        options: of ``record``.
        out: folder of the run.
        before: words before the command, such as strace's.
        read: False leaves the pipe unread until ``read_on``.
    """

    def __init__(self, options, out, *, before=(), read=True):
        start = subprocess.Popen if before else WarmProcess
        self.process = start(
            [*before, *COMMAND, "record", *options, "-o", str(out), "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        self.events = []
        self._come = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._held = threading.Event()
        if read:
            self.read_on()
        self._reader.start()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.kill()
        self.process.wait(10)
        self.read_on()
        self._reader.join(10)
        self.process.stdout.close()
        self.process.stderr.close()

    def read_on(self):
        """Reads the events from now on."""
        self._held.set()

    def hold(self):
        """Leaves the events unread from the next one on."""
        self._held.clear()

    def _read(self):
        self._held.wait()
        for line in self.process.stdout:
            with contextlib.suppress(ValueError):  # a line that the kill cut
                event = json.loads(line)
                self.events.append((time.monotonic_ns(), event))
                self._come.put(self.events[-1])
            self._held.wait()
        self._come.put((time.monotonic_ns(), None))

    def wait_for(self, name, *, seconds=30, **fields):
        """The next event of that name and fields, and when it came, monotonic ns.

        Raises:
            TimeoutError: where it does not come.
        """
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            with contextlib.suppress(queue.Empty):
                when_ns, event = self._come.get(timeout=left)
                if event is None:
                    said = self.process.stderr.read().decode(errors="replace")
                    raise TimeoutError(f"ended before {name}: {self.events[-3:]} {said}")
                if event["event"] == name and all(event.get(k) == v for k, v in fields.items()):
                    return when_ns, event
        raise TimeoutError(f"no {name} {fields} within {seconds} s: {self.events[-5:]}")

    def end(self, how=signal.SIGINT, *, seconds=30):
        """Ends the run as a person would, and gives its sealed event."""
        self.process.send_signal(how)
        _, sealed = self.wait_for("sealed", seconds=seconds)
        self.process.wait(seconds)
        return sealed


class Feed(threading.Thread):
    """Sends counted packs at a rate until it is ended; ``with`` starts and ends it.

    Attributes:
        sent_ns: monotonic time at which each pack was handed on, by its counter.

    Args:
        send: takes the counter of a pack and sends it; False where nobody takes it any more.
        rate_hz: packs a second.
    """

    def __init__(self, send: Callable[[int], bool | None], *, rate_hz: float = 100):
        super().__init__(daemon=True)
        self.sent_ns: list[int] = []
        self._send = send
        self._step_s = 1 / rate_hz
        self._ending = threading.Event()

    def __enter__(self):
        self.start()
        return self

    def __exit__(self, *_):
        self.end()

    def run(self):
        """Sends; a late pack is sent at once, none is left out."""
        start_s = time.monotonic()
        while not self._ending.is_set():
            if self._send(len(self.sent_ns)) is False:
                return
            self.sent_ns.append(time.monotonic_ns())
            due_s = start_s + len(self.sent_ns) * self._step_s
            self._ending.wait(max(0.0, due_s - time.monotonic()))

    def end(self):
        """Sends no more."""
        self._ending.set()
        self.join(10)


class SerialEnd:
    """A serial line whose other end the recorder opens; ``with`` opens and closes it.

    Attributes:
        name: the port to open.
        open_wheel: set it and the packs show the rear left wheel open.
        openings_ns: when the first open pack of each opening was made, ns; on a busy machine an
            opening may come and go between two packs.

    Args:
        readings: readings in a pack, in all of its four channels.
        span_s: how much time they span.
    """

    def __init__(self, *, readings=4, span_s=0.009):
        self._times_s = [round(-span_s * k * 4 / readings, 6) for k in range(readings // 4)][::-1]
        self.open_wheel = threading.Event()
        self.openings_ns = []
        self._closed = True
        self._start_s = time.monotonic()

    def __enter__(self):
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._ours)
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.name = os.ttyname(self._theirs)
        return self

    def __exit__(self, *_):
        for end in (self._ours, self._theirs):
            with contextlib.suppress(OSError):
                os.close(end)

    def send(self, seq):
        """Writes a pack; False where the recorder does not read any more."""
        up = round(time.monotonic() - self._start_s, 6)
        closed = not self.open_wheel.is_set()
        if self._closed and not closed:
            self.openings_ns.append(time.monotonic_ns())
        self._closed = closed
        values = (("enc", "v", seq), ("cell", "v", seq), ("rl", "vb", closed), ("rr", "vb", True))
        records = [{"n": n, key: v, "t": t} for n, key, v in values for t in self._times_s]
        records[0] = {"seq": seq, "boot": "b1", "up": up, **records[0]}
        pack = json.dumps(records).encode()
        left = pack + b" %08x\n" % zlib.crc32(pack)
        while left:
            if not select.select([], [self._ours], [], READS_WITHIN_S)[1]:
                return False
            left = left[os.write(self._ours, left) :]
        return True


class BoomPublisher:
    """Publishes packs of the boom's length, QoS 1; ``with`` connects and leaves.

    Args:
        broker_port: where the broker listens.
        readings: readings in a pack.
        span_s: how much time they span.
    """

    def __init__(self, broker_port, *, readings=3, span_s=0.009):
        self._times_s = [round(-span_s * k / readings, 6) for k in range(readings)][::-1]
        self._port = broker_port
        self._start_s = time.monotonic()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)

    def __enter__(self):
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        return self

    def __exit__(self, *_):
        self._client.disconnect()
        self._client.loop_stop()

    def send(self, seq):
        """Publishes a pack and waits until the broker has it."""
        up = round(time.monotonic() - self._start_s, 6)
        records = [{"n": "length", "v": seq, "t": t} for t in self._times_s]
        records[0] = {"seq": seq, "boot": "b1", "up": up, **records[0]}
        self._client.publish(TOPIC, json.dumps(records), qos=1).wait_for_publish(10)


def counters(run, channel):
    """Which counters a channel of a run holds, and whether one stands there more often than 0."""
    value, count = np.unique(run.raw(channel).value, return_counts=True)
    return set(value.astype(int).tolist()), bool((count > count[:1]).any())


@dataclass(frozen=True, slots=True, kw_only=True)
class Struck:
    """What is found of a whole recorder that was struck while it recorded.

    Attributes:
        acknowledged: packs that it had acknowledged to the broker before.
        lost: those of them that are not in the recovered run.
        loss_ms: how long before the strike the oldest pack was sent that is not there, ms.
        alarm_s: how long after the strike the recorder told of its disk, s; None where it
            did not, or was dead.
        again_s: how long until the next recorder recorded, s; 0 where none was started.
        trouble: in words, where anything else is wrong.
    """

    acknowledged: int
    lost: tuple[int, ...]
    loss_ms: float
    alarm_s: float | None = None
    again_s: float = 0.0
    trouble: str = ""


def strike(out, *, hit, then, seed, seconds=(0.3, 1.5)):
    """Strikes a whole recorder that is being fed.

    Args:
        out: folder for the run.
        hit: strikes, given the recorder; what was acknowledged before it counts.
        then: called after it with recorder and options; gives ``alarm_s`` and ``again_s``.
        seed: of the moment of the strike.
        seconds: how long it records before, from and to.
    """
    after_s = random.Random(seed).uniform(*seconds)
    with (
        tempfile.TemporaryDirectory() as place,
        running_broker(place) as broker,
        AckTap(broker.port) as tap,
        SerialEnd() as line,
        BoomPublisher(broker.port) as boom,
    ):
        options = write_files(place, port=line.name, broker_port=tap.port)
        with Fed(options, out) as fed:
            _, began = fed.wait_for("recording")
            with Feed(line.send) as mast, Feed(boom.send) as booms:
                time.sleep(after_s)
                at_ns = time.monotonic_ns()
                hit(fed)
                after = then(fed, options)
            fed.process.kill()
            fed.process.wait()
    return lambda: _what_is_left(
        Path(began["path"]), tap=tap, feeds=(mast, booms), at_ns=at_ns, after=after
    )


def _what_is_left(journal, *, tap, feeds, at_ns, after):
    done = subprocess.run(
        [*COMMAND, "recover", str(journal)], capture_output=True, text=True, check=False
    )
    acknowledged = tap.acknowledged_before(at_ns)
    if done.returncode:
        lost = tuple(sorted(acknowledged))
        return Struck(
            acknowledged=len(acknowledged), lost=lost, loss_ms=0.0, trouble=done.stderr, **after
        )
    run = open_run(journal.with_suffix(".parquet"))
    run.verify()
    loss_ms, doubled = 0.0, False
    for feed, channel in zip(feeds, ("slew", "boom_length"), strict=True):
        there, twice = counters(run, channel)
        doubled |= twice
        sent = [(k, t) for k, t in enumerate(feed.sent_ns) if t < at_ns]
        missing = [at_ns - t for k, t in sent if k not in there]
        loss_ms = max([loss_ms, *(1e-6 * m for m in missing)])
    there, _ = counters(run, "boom_length")
    return Struck(
        acknowledged=len(acknowledged),
        lost=tuple(sorted(acknowledged - there)),
        loss_ms=round(loss_ms, 1),
        trouble="a reading stands there twice" if doubled else "",
        **after,
    )


def killed_and_started_again(*, seed):
    """Kills a whole recorder, starts another at once, and looks at what the first has kept."""

    def again(fed, options):
        start_s = time.monotonic()
        with Fed(options, out) as second:
            second.wait_for("recording")
            again_s = time.monotonic() - start_s
            second.end()
        return {"again_s": again_s}

    with tempfile.TemporaryDirectory() as out:
        return strike(out, hit=lambda fed: fed.process.kill(), then=again, seed=seed)()
