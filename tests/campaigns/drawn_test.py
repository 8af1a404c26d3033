"""One simulated test whose errors are drawn from the uncertainties that its files declare.

A sweep with a lift, the load brought in, and a reduced rest, as in ``made_tests``. Drawn are: the
encoder's zero error (normal, the declared ``u``) and whether it rounds or cuts off, its noise and
its direction; the phases and rates of sampling; the offset of each source's clock (normal, the
``u`` of its fit); the cell's offset and gain errors (together the declared ``u``); the radius
sensor's error (normal, the declared ``u``); the masses of the parts and of what hangs above the
cell; how the load moves: it swings like a pendulum, which makes a wave in the rope's tension and a
third of its amplitude more on the mean in one plane, up to 5/3 of that in an ellipse half as wide
across (half of the swinging tests in a plane, half evenly in between, as ``quasi_static``
assumes), or it bounces, which makes a wave alone.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from dashboard.capacity.proof.quasi_static import LEAST_ADDED, MOST_ADDED
from dashboard.gathering import gather_evidence
from logger.readings.block import Block
from logger.readings.clock_alignment import ClockFit
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.recording.header import RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.made_run import ABOVE_CELL_KG, RIG_TOML, TEST_LOAD_KG, TEST_TOML, MadeRun

STEP_DEG = 0.087890625
REQUIRED_NM = 53_100.0
U_ABOVE_CELL_KG = 0.4
WHEEL = "rear_left"
RATES_HZ = [
    (100, 100, 50, 500),
    (20, 20, 10, 100),
    (10, 10, 5, 50),
    (50, 10, 4, 200),
    (200, 100, 50, 200),
]


@dataclass(kw_only=True)
class DrawnTest:
    """What was drawn for a test, and with it the truth.

    Attributes:
        number: seeds the draw.
        small_steps: whether angles and percentages of sectors are rounded to 0.001 only, so that
            rounding does not hide what the decision rule risks.
    """

    number: int
    small_steps: bool = False
    rng: np.random.Generator = field(init=False)

    def __post_init__(self):
        rng = self.rng = np.random.default_rng([2026, self.number])
        self.u_zero_deg = float(rng.choice([0.0, 0.02, 0.05, 0.1]))
        self.u_clock_s = float(rng.choice([0.0, 0.003, 0.02]))
        self.u_load_kg = float(rng.choice([0.5, 1.0, 3.0]))
        self.u_radius_m = float(rng.choice([0.001, 0.002, 0.005]))
        self.noise_deg = float(rng.choice([0.0, 0.0, 0.02, 0.05, 0.1]))
        self.cuts_off = bool(rng.integers(2))
        self.falls = bool(rng.integers(2))
        self.rates_hz = RATES_HZ[rng.integers(len(RATES_HZ))]
        self.rate_dps = float(rng.uniform(0.5, 1.6))
        self.sign = int(rng.choice([1, -1]))
        self.lift_deg = float(rng.uniform(25, 70))
        self.load_kg = TEST_LOAD_KG + float(rng.normal(0, 1.0))
        self.above_cell_kg = ABOVE_CELL_KG + float(rng.normal(0, U_ABOVE_CELL_KG))
        self.swings = bool(rng.integers(2))
        full_m = REQUIRED_NM / (TEST_LOAD_KG * STANDARD_GRAVITY_MPS2)
        self.radius_m = full_m * float(rng.uniform(0.99, 1.015))
        self.reduced_m = full_m * float(rng.uniform(0.75, 0.95))
        self.end_deg = self.lift_deg + float(rng.uniform(15, 25))
        self.zero_counts = 2048 + float(rng.uniform())
        self.in_ellipse = self.swings and bool(rng.integers(2))
        # (a² + b²)/(a² − b²) of the half-axes.
        self.added = float(rng.uniform(LEAST_ADDED, MOST_ADDED)) if self.in_ellipse else 1.0

    def percent(self, radius_m):
        """What the load at a radius truly is of the required moment."""
        return 100 * self.load_kg * STANDARD_GRAVITY_MPS2 * radius_m / REQUIRED_NM

    def made(self):
        """What the operator does: a sweep that stops soon after the lift, and the reduced rest."""
        made, rate = MadeRun(radius_m=self.radius_m), self.rate_dps
        stop_deg = self.lift_deg + rate * self.rng.uniform(0.5, 1.5)
        made.hoist().slew_to(self.sign * stop_deg, rate_dps=rate)
        made.lift(WHEEL, self.sign * self.lift_deg)
        made.set_down().go(3, radius=self.reduced_m).go(4).hoist()
        return made.slew_to(self.sign * self.end_deg, rate_dps=rate).go(5).home()

    def signals(self, made):
        """Raw readings by channel with the errors drawn: (t_s on the run's clock, raw) arrays."""
        rng, (slew_hz, load_hz, radius_hz, wheel_hz) = self.rng, self.rates_hz
        mast_late_s, wheels_late_s = rng.normal(0, self.u_clock_s, 2)
        signals = {}

        def at(rate_hz):
            return np.arange(rng.uniform(0, 1 / rate_hz), made.now_s, 1 / rate_hz)

        t = at(slew_hz)
        slew_deg = np.interp(t, made.t_s, made.slew) + rng.normal(0, self.noise_deg, t.size)
        counts = self._scale * (slew_deg + rng.normal(0, self.u_zero_deg)) / STEP_DEG**2
        counts += self.zero_counts
        raw = np.floor(counts) if self.cuts_off else np.rint(counts)
        signals["slew"] = (t + mast_late_s, raw % 4096)
        t = at(load_hz)
        applied_kg = np.interp(t, made.t_s, made.share) * self.load_kg * self._tension(t)
        offset_kg, gain_kg = rng.normal(0, self.u_load_kg / np.sqrt(2), 2)
        cell_kg = (applied_kg - self.above_cell_kg) * (1 + gain_kg / TEST_LOAD_KG) + offset_kg
        cell_kg += rng.normal(0, 0.004 * TEST_LOAD_KG, t.size)
        signals["load"] = (t + mast_late_s, np.round((cell_kg + 10.0) / 0.5))
        t = at(radius_hz)
        radius_m = np.interp(t, made.t_s, made.radius) + rng.normal(0, self.u_radius_m)
        raw = np.round(1000 * (radius_m + rng.normal(0, 0.004, t.size)))
        signals["radius"] = (t + mast_late_s, raw)
        for wheel in ("front_left", "front_right", "rear_left", "rear_right"):
            t = at(wheel_hz)
            closed = np.ones(t.size)
            for name, start_s, end_s in made.openings:
                if name == wheel:
                    closed[(t >= start_s) & (t < end_s)] = 0
            signals[f"wheel/{wheel}"] = (t + wheels_late_s, closed)
        return signals

    def _tension(self, t_s):
        """Tension of the rope as a share of the load at rest."""
        wave = self.rng.uniform(0, 0.01)
        if self.swings:
            # ¾(a² − b²) at twice the pendulum's frequency about 1 + (a² + b²)/4, ropes of 3 to 6 m.
            period_s = np.pi * np.sqrt(self.rng.uniform(3, 6) / STANDARD_GRAVITY_MPS2)
            return 1 + self.added * wave / 3 - wave * np.cos(2 * np.pi * t_s / period_s)
        return 1 + wave * np.sin(2 * np.pi * t_s * self.rng.uniform(1, 3))

    @property
    def _scale(self):
        return -STEP_DEG if self.falls else STEP_DEG

    def rig_toml(self):
        """The rig file that declares what the errors are drawn from."""
        offset_deg = -self._scale * self.zero_counts
        return (
            RIG_TOML.replace("scale = 0.087890625", f"scale = {self._scale!r}")
            .replace("offset = -90.0", f'offset = {offset_deg!r}\nu = "{self.u_zero_deg} deg"')
            .replace('u = "1 kg"', f'u = "{self.u_load_kg} kg"')
            .replace('u = "2 mm"', f'u = "{1000 * self.u_radius_m} mm"')
        )

    def test_toml(self):
        """The test file."""
        steps = 'angle_step = "0.001 deg"\npercent_step = 0.001\n' if self.small_steps else ""
        said = f'above_cell = "40 kg"\nabove_cell_u = "{U_ABOVE_CELL_KG} kg"'
        return TEST_TOML.replace('above_cell = "40 kg"', said) + steps

    def evidence(self):
        """What the sealed run shows."""
        made = self.made()
        blocks = [
            Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64) + 1_000_000_000, value=raw)
            for c, (t, raw) in sorted(self.signals(made).items())
        ]
        fit = ClockFit(offset_ns=0, rate=1.0, u_s=self.u_clock_s, residual_s=0.0, pairs=1000)
        header = RunHeader(
            run_id="drawn",
            started_utc=None,
            software="test",
            rig_toml=self.rig_toml(),
            test_toml=self.test_toml(),
            clock_fits={"mast#1": fit, "wheels#1": fit},
        )
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "drawn.parquet"
            write_sealed(path, header, blocks)
            return gather_evidence(open_run(path))
