"""A made test with known truth: written as a script of what the operator does.

The demo's simulated truck obeys physics; here a test says itself when a wheel opens, where the
load touches and how the radius creeps, so that each case of the trade can be set up alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from logger.readings.boom_geometry import BoomGeometry

RIG_TOML = """
[rig]
id = "bench-1"

[[source]]
id = "mast"
kind = "serial"
port = "/dev/ttyUSB0"

[[source]]
id = "wheels"
kind = "mqtt"
url = "mqtt://127.0.0.1:1883"
topic = "rig/bench-1/wheels"

[[channel]]
id = "slew"
source = "mast"
name = "enc"
unit = "deg"
scale = 0.087890625
offset = -90.0
wraps_at = 4096

[[channel]]
id = "load"
source = "mast"
name = "cell"
unit = "kg"
scale = 0.5
offset = -10.0
u = "1 kg"

[[channel]]
id = "radius"
source = "mast"
name = "reach"
unit = "m"
scale = 0.001
u = "2 mm"
""" + "".join(
    f"""
[[channel]]
id = "wheel/{wheel}"
source = "wheels"
name = "{wheel}"
closed_when = true
"""
    for wheel in ("front_left", "front_right", "rear_left", "rear_right")
)

TEST_TOML = """
[test]
id = "made-1"
operator = "A. Tester"

[truck]
id = "Bench truck"
wheels = ["front_left", "front_right", "rear_left", "rear_right"]
slew_limit_right = "172 deg"
slew_limit_left = "168 deg"

[crane]
rated_moment = "45 kN·m"

[load]
parts = [{ name = "block", mass = "1360 kg", u = "1 kg" }, { name = "hook block", mass = "40 kg" }]
above_cell = "40 kg"

[method]
moment_factor = 1.18
basis = "1/0.85, rounded"
"""

WHEELS = ("front_left", "front_right", "rear_left", "rear_right")
QUIET_STEP = 0.001
"""Counts of the channels of ``MadeRun.quiet``."""
TEST_LOAD_KG = 1400.0
ABOVE_CELL_KG = 40.0


BOOM_TOML = """
[[channel]]
id = "boom_angle"
source = "mast"
name = "tilt"
unit = "deg"
scale = 0.01
u = "0.05 deg"

[[channel]]
id = "boom_length"
source = "mast"
name = "reel"
unit = "m"
scale = 0.001
u = "3 mm"
"""


def boom_rig_toml():
    """The rig with boom angle and length in place of the radius sensor."""
    tables = RIG_TOML.split("\n[[channel]]\n")
    kept = [t for t in tables if not t.startswith('id = "radius"')]
    return "\n[[channel]]\n".join(kept) + BOOM_TOML


def quiet_toml(channel, unit, *, u=None):
    """The rig's table of a channel of ``MadeRun.quiet``."""
    told = "" if u is None else f'u = "{u}"\n'
    return (
        f'\n[[channel]]\nid = "{channel}"\nsource = "mast"\nname = "{channel}"\n'
        f'unit = "{unit}"\nscale = {QUIET_STEP}\n{told}'
    )


@dataclass
class MadeRun:
    """Builds the signals of a run; times in s, slew in deg, radius in m."""

    radius_m: float = 3.92
    seed: int = 1
    slew_noise_deg: float = 0.0
    load_kg: float = TEST_LOAD_KG
    swing_deg: float = 2.0
    """A wave of 0.09 % in the cell's reading."""
    swing_period_s: float = 8.4
    boom: BoomGeometry | None = None
    """Where given, boom angle and length are signals instead of the radius."""
    deflection_m: float = 0.0
    """How much farther out the boom hangs its load since it bends."""
    quiet: dict = field(default_factory=dict)
    """By channel, a constant or a function of the time, in the channel's SI unit."""
    wave: tuple[float, float] = (0.0, 1.0)
    """A wave of the cell's reading besides the swing's: share of the load, period in s."""
    dips: list[tuple[float, float, float]] = field(default_factory=list)
    """From when to when, s, which share of the load is off the hook."""
    contacts: tuple[str, ...] = WHEELS
    t_s: list[float] = field(default_factory=lambda: [0.0])
    slew: list[float] = field(default_factory=lambda: [0.0])
    radius: list[float] = field(default_factory=list)
    share: list[float] = field(default_factory=lambda: [0.0])
    openings: list[tuple[str, float, float]] = field(default_factory=list)
    silent: list[tuple[str, float, float]] = field(default_factory=list)

    def __post_init__(self):
        self.radius.append(self.radius_m)

    @property
    def now_s(self):
        """The script's present, s."""
        return self.t_s[-1]

    def go(self, seconds, *, slew=None, radius=None, share=None):
        """Moves on, by straight lines, to a slew angle, radius and share of the load hanging."""
        self.t_s.append(self.now_s + seconds)
        for row, value in ((self.slew, slew), (self.radius, radius), (self.share, share)):
            row.append(row[-1] if value is None else value)
        return self

    def hoist(self):
        """Lifts the load and lets it settle."""
        return self.go(5).go(2, share=1.0).go(4)

    def set_down(self):
        """Sets the load down."""
        return self.go(2, share=0.0).go(4)

    def slew_to(self, angle, *, rate_dps=1.2):
        """Slews to an angle."""
        return self.go(max(0.01, abs(angle - self.slew[-1]) / rate_dps), slew=angle)

    def home(self):
        """Goes back over the rear without the load."""
        return self.set_down().slew_to(0.0, rate_dps=6).go(5)

    def time_at(self, angle):
        """When the boom last passed an angle, s."""
        t, s = np.array(self.t_s), np.array(self.slew)
        for i in range(len(t) - 1, 0, -1):
            low, high = sorted((s[i - 1], s[i]))
            if low <= angle <= high and low < high:
                return float(t[i - 1] + (angle - s[i - 1]) / (s[i] - s[i - 1]) * (t[i] - t[i - 1]))
        raise ValueError(f"never at {angle}")

    def lift(self, wheel, angle, *, until_s=None):
        """Opens a wheel from when the boom passed an angle, until a time (now by default)."""
        end_s = self.now_s + 1.0 if until_s is None else until_s
        self.openings.append((wheel, self.time_at(angle), end_s))
        return self

    def open(self, wheel, start_s, end_s):
        """Opens a wheel for a stretch of time."""
        self.openings.append((wheel, start_s, end_s))
        return self

    def silence(self, channel, start_s, end_s):
        """Leaves out a channel's readings."""
        self.silent.append((channel, start_s, end_s))
        return self

    def signals(self, *, rates_hz=(100, 100, 50, 500)):
        """Raw readings by channel: (t_s, raw) arrays."""
        rng = np.random.default_rng(self.seed)
        slew_hz, load_hz, radius_hz, wheel_hz = rates_hz
        signals = {}
        t = self._times(rng, slew_hz)
        slew = np.interp(t, self.t_s, self.slew) + rng.normal(0, self.slew_noise_deg, t.size)
        signals["slew"] = (t, np.floor((slew + 90.0) / 0.087890625) % 4096)
        t = self._times(rng, load_hz)
        swing = self.pull(t) + rng.normal(0, 0.004, t.size)
        swing += self.wave[0] * np.sin(2 * np.pi * t / self.wave[1])
        applied = np.interp(t, self.t_s, self.share) * self.load_kg * swing
        for start_s, end_s, off in self.dips:
            applied[(t >= start_s) & (t < end_s)] *= 1 - off
        signals["load"] = (t, np.round((applied - ABOVE_CELL_KG + 10.0) / 0.5))
        t = self._times(rng, radius_hz)
        radius = np.interp(t, self.t_s, self.radius)
        if self.boom is None:
            signals["radius"] = (t, np.round(1000 * radius + rng.normal(0, 4, t.size)))
        else:
            angle = self.boom_angle_deg(t, radius) + rng.normal(0, 0.03, t.size)
            signals["boom_angle"] = (t, np.round(angle / 0.01))
            signals["boom_length"] = (t, np.round(1000 * self.boom.length_m + 0 * t))
        for channel, value in self.quiet.items():
            t = self._times(rng, 10)
            told = value(t) if callable(value) else np.full(t.size, float(value))
            signals[channel] = (t, np.round(told / QUIET_STEP))
        for wheel in self.contacts:
            t = self._times(rng, wheel_hz)
            closed = np.ones(t.size)
            for name, start_s, end_s in self.openings:
                if name == wheel:
                    closed[(t >= start_s) & (t < end_s)] = 0
            signals[f"wheel/{wheel}"] = (t, closed)
        for channel, start_s, end_s in self.silent:
            t, raw = signals[channel]
            kept = (t < start_s) | (t >= end_s)
            signals[channel] = (t[kept], raw[kept])
        return signals

    def pull(self, t_s):
        """Rope tension over the weight of a load that swings in a plane, by small angles."""
        square = np.radians(self.swing_deg) ** 2
        return 1 + square / 4 + 3 / 4 * square * np.sin(4 * np.pi * t_s / self.swing_period_s)

    def boom_angle_deg(self, t_s, radius_m):
        """The angle at which the boom, bent by its load, hangs it at a radius."""
        boom, share = self.boom, np.interp(t_s, self.t_s, self.share)
        level = radius_m - boom.foot_pin_offset_m - boom.sheave_radius_m
        level = level - share * self.deflection_m
        reach = boom.length_m + boom.tip_along_m
        turned = np.arctan2(boom.tip_perpendicular_m, reach)
        return np.degrees(np.arccos(level / np.hypot(reach, boom.tip_perpendicular_m)) - turned)

    def _times(self, rng, rate_hz):
        return np.arange(rng.uniform(0, 1 / rate_hz), self.now_s, 1 / rate_hz)

    def write_csv(self, path, **kwargs):
        """Writes the readings as a table, channels mixed, in order of time."""
        signals = self.signals(**kwargs)
        t = np.concatenate([s[0] for s in signals.values()])
        raw = np.concatenate([s[1] for s in signals.values()])
        names = np.concatenate([np.full(s[0].size, c) for c, s in signals.items()])
        order = np.argsort(t, kind="stable")
        rows = zip(t[order].tolist(), names[order].tolist(), raw[order].tolist(), strict=True)
        path.write_text("t_s,channel,value\n" + "".join(f"{a:.6f},{b},{c:g}\n" for a, b, c in rows))


def full_sweep(made, side, *, limit):
    """A sweep without a lift, from hoisting to home again."""
    return made.hoist().slew_to(side * limit).go(5).home()


def reduced_sweep(made, side, *, lift_at, wheel, radius_m, limit):
    """A sweep in which one wheel lifts, the load comes in, and the rest goes well."""
    made.hoist().slew_to(side * (lift_at + 1.1)).lift(wheel, side * lift_at)
    made.set_down().go(3, radius=radius_m).go(4).hoist()
    made.slew_to(side * limit).go(5).home()
    return made.go(4, radius=made.radius_m).go(4)
