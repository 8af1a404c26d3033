"""Devices of a bench for tests: one on a pseudo-terminal, one at a broker, moved by hand."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import random
import threading
import time
import tty
import zlib

import paho.mqtt.client as mqtt

from tests.made_run import RIG_TOML

WHEELS = ("front_left", "front_right", "rear_left", "rear_right")
RATE_HZ = 50
TOPIC = "rig/bench-1/wheels"


class Devices:
    """Mast and wheels, sending all the time.

    Attributes:
        raw: what the mast's sensors read; a channel left out sends nothing.
        noise: how far each raw value scatters.
        closed: whether each wheel's contact is closed.
        wheels_late_s: how far the wheels' device dates its readings late.
        spoil: share of the serial lines with a wrong CRC.
        silent: sources that send nothing.
    """

    def __init__(self, broker, *, user=None, password=None):
        self.raw = {"enc": 1024.0, "cell": 2740.0, "reach": 3920.0}
        self.noise = {"cell": 2.0, "reach": 1.0}
        self.closed = dict.fromkeys(WHEELS, True)
        self.names = {}
        self.wheels_late_s = 0.0
        self.spoil = 0.0
        self.silent = set()
        self._broker = broker
        self._login = (user, password)
        self._stop = threading.Event()
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._ours)
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.port = os.ttyname(self._theirs)
        self._threads = [
            threading.Thread(target=turn, daemon=True) for turn in (self._mast, self._wheels)
        ]

    def __enter__(self):
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        for thread in self._threads:
            thread.join(10)
        for end in (self._ours, self._theirs):
            with contextlib.suppress(OSError):
                os.close(end)

    def rig_toml(self, *, user=None):
        """The made test's rig file, wired to these devices."""
        login = f'\nuser = "{user}"\npassword_env = "BENCH_PASSWORD"' if user else ""
        return RIG_TOML.replace("/dev/ttyUSB0", self.port).replace(
            '"mqtt://127.0.0.1:1883"', f'"{self._broker.url}"{login}'
        )

    def knock(self, *, wheel="rear_left"):
        """One knock on the cell and one switch, for a sixth of a second."""
        self.raw["cell"] += 400
        self.closed[wheel] = False
        time.sleep(0.16)
        self.raw["cell"] -= 400
        self.closed[wheel] = True

    def _mast(self):
        chance = random.Random(1)
        for seq, up in self._turns():
            records = [
                {"n": self.names.get(n, n), "v": round(v + chance.gauss(0, self.noise.get(n, 0)))}
                for n, v in self.raw.items()
            ]
            if "mast" in self.silent or not records:
                continue
            records[0] = {"seq": seq, "boot": "m1", "up": up, **records[0]}
            pack = json.dumps(records).encode()
            crc = zlib.crc32(pack) ^ (chance.random() < self.spoil)
            with contextlib.suppress(BlockingIOError, OSError):
                os.write(self._ours, pack + b" %08x\n" % crc)

    def _wheels(self):
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        if self._login[0]:
            client.username_pw_set(*self._login)
        client.connect("127.0.0.1", self._broker.port)
        client.loop_start()
        for seq, up in self._turns():
            if "wheels" in self.silent:
                continue
            records = [{"n": self.names.get(w, w), "vb": self.closed[w]} for w in WHEELS]
            records[0] = {"seq": seq, "boot": "w1", "up": up, **records[0]}
            time.sleep(self.wheels_late_s)
            client.publish(TOPIC, json.dumps(records), qos=1)
        client.disconnect()
        client.loop_stop()

    def _turns(self):
        start_s, seq = time.monotonic(), 0
        while not self._stop.wait(max(0.0, start_s + seq / RATE_HZ - time.monotonic())):
            yield seq, 7.0 + time.monotonic() - start_s
            seq += 1
