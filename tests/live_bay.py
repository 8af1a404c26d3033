"""A bay that is recorded: a device on a pseudo-terminal, the real recorder, a dashboard."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import threading
import time
import tty
import zlib
from dataclasses import dataclass, field

WHEELS = ("front_left", "front_right", "rear_left", "rear_right")
_CHANNELS = "".join(
    f'[[channel]]\nid = "{key}"\nsource = "mast"\nname = "{name}"\n{more}\nstale_after = "0.6 s"\n'
    for key, name, more in (
        ("slew", "enc", 'unit = "deg"'),
        ("load", "cell", 'unit = "kg"'),
        ("radius", "rad", 'unit = "m"'),
        *((f"wheel/{w}", w, "closed_when = true") for w in WHEELS),
    )
)
RIG = f"""
[rig]
id = "bay-2"
[[source]]
id = "mast"
kind = "serial"
port = "PORT"
{_CHANNELS}"""
TEST = """
[test]
id = "TEST-ID"
[truck]
id = TRUCK
wheels = ["front_left", "front_right", "rear_left", "rear_right"]
slew_limit_right = "172 deg"
slew_limit_left = "168 deg"
[crane]
rated_moment = "45 kN·m"
[load]
parts = [{ name = "block", mass = "1360 kg", u = "2 kg" }, { name = "hook block", mass = "40 kg" }]
above_cell = "40 kg"
[method]
moment_factor = 1.18
"""


@dataclass(kw_only=True)
class Readings:
    """What the device sends.

    Attributes:
        open: names of the wheels whose contact is open.
        silent: names of what is left out.
    """

    slew_deg: float = 10.0
    load_kg: float = 1360.0
    radius_m: float = 3.91
    open: set = field(default_factory=set)
    silent: set = field(default_factory=set)


class Device:
    """Sends a pack every so often on a pseudo-terminal.

    Attributes:
        port: what a recorder opens.
        readings: what is sent next; change it at will.
        opened: told the monotonic time, s, just before each first pack with an open wheel.
    """

    def __init__(self, *, pack_every_s=0.02, script=None, opened=None):
        self._ours, self._theirs = pty.openpty()
        for end in (self._ours, self._theirs):
            tty.setraw(end)
        self.port = os.ttyname(self._theirs)
        self.readings = Readings()
        self._every_s = pack_every_s
        self._script = script
        self._opened = opened
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, name="device", daemon=True)
        self._thread.start()

    def close(self):
        """Sends no more."""
        self._stop.set()
        self._thread.join(5)
        for end in (self._ours, self._theirs):
            os.close(end)

    def _send(self):
        start_s, was_open = time.monotonic(), False
        for number in range(10**9):
            due_s = start_s + number * self._every_s
            if self._stop.wait(max(0.0, due_s - time.monotonic())):
                return
            if self._script is not None:
                self._script(number, self.readings)
            line = self._line(number, time.monotonic() - start_s)
            is_open = bool(self.readings.open)
            if is_open and not was_open and self._opened is not None:
                self._opened(time.monotonic())
            was_open = is_open
            with contextlib.suppress(OSError):
                os.write(self._ours, line)

    def _line(self, number, up_s):
        now = self.readings
        values = {"enc": now.slew_deg, "cell": now.load_kg, "rad": now.radius_m}
        records = [{"n": name, "v": value} for name, value in values.items()]
        records += [{"n": wheel, "vb": wheel not in now.open} for wheel in WHEELS]
        records = [r for r in records if r["n"] not in now.silent]
        records[0] = {"seq": number, "boot": "b1", "up": round(up_s, 4)} | records[0]
        pack = json.dumps(records).encode()
        return b"%b %08x\n" % (pack, zlib.crc32(pack))


@contextlib.contextmanager
def device(**given):
    """A device that ends with the block."""
    made = Device(**given)
    try:
        yield made
    finally:
        made.close()


def write_files(folder, port, *, test_id="live-1", truck='"Truck of the bay"'):
    """A rig and a test file for a device: their paths as arguments of ``record``."""
    folder.mkdir(parents=True, exist_ok=True)
    rig, test = folder / "rig.toml", folder / "test.toml"
    rig.write_text(RIG.replace("PORT", port))
    test.write_text(TEST.replace("TEST-ID", test_id).replace("TRUCK", truck))
    return ["--rig", rig, "--test", test]
