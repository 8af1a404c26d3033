"""Many made tests with known truth, random rates, noise, glitches and sides.

Not part of the suite::

    python -m tests.campaigns.made_tests --tests 200

Each is one sweep with a lift at a random angle and one reduction to a random radius, and must
meet: the true angle inside its interval and within 0.3°, radii within 15 mm, sectors never more
than the truth and at most one step less. Prints the failures and the largest errors.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from pathlib import Path

import numpy as np

from dashboard.results import analyse
from logger.readings.block import Block
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.recording.header import RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.made_run import RIG_TOML, TEST_LOAD_KG, TEST_TOML, MadeRun

RATES_HZ = [
    (100, 100, 50, 500),
    (20, 20, 10, 100),
    (10, 10, 5, 50),
    (50, 10, 4, 200),
    (200, 200, 100, 1000),
]
NOISE_DEG = [0.0, 0.0, 0.05, 0.1]
REQUIRED_NM = 53_100.0


def make(seed):
    """A made test: (run, side, lift angle, reduced radius, farthest angle)."""
    rng = np.random.default_rng(seed)
    lift_deg, radius_m = rng.uniform(40, 120), rng.uniform(2.9, 3.7)
    sign, rate = int(rng.choice([1, -1])), rng.uniform(0.5, 2.0)
    made = MadeRun(seed=seed, slew_noise_deg=NOISE_DEG[seed // len(RATES_HZ) % 4])
    made.hoist().slew_to(sign * (lift_deg + rate * rng.uniform(0.5, 1.5)), rate_dps=rate)
    made.lift("rear_left", sign * lift_deg).set_down().go(3, radius=radius_m).go(4).hoist()
    end_deg = rng.uniform(150, 168)
    made.slew_to(sign * end_deg, rate_dps=rate).go(5).home()
    for start_s in rng.uniform(5, made.now_s - 5, 30):
        wheel = str(rng.choice(["rear_left", "front_left"]))
        made.open(wheel, start_s, start_s + rng.choice([0.001, 0.004, 0.01]))
    return made, sign, lift_deg, radius_m, end_deg


def result_of(made, seed, folder):
    """Seals and analyses a made test."""
    signals = made.signals(rates_hz=RATES_HZ[seed % len(RATES_HZ)])
    blocks = [
        Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64), value=raw)
        for c, (t, raw) in sorted(signals.items())
    ]
    header = RunHeader(
        run_id="made", started_utc=None, software="test", rig_toml=RIG_TOML, test_toml=TEST_TOML
    )
    path = folder / "made.parquet"
    write_sealed(path, header, blocks)
    result = analyse(open_run(path))
    path.unlink()
    return result


def faults(result, sign, lift_deg, radius_m, end_deg):
    """What is wrong with a result: (sentences, angle error, radius error)."""
    side = "right" if sign > 0 else "left"
    (sweep,) = result["sweeps"]
    lift, (change,) = sweep["first_lift"], sweep["radius_changes"]
    angle_error = abs(lift["slew_deg"] - sign * lift_deg)
    radius_error = max(abs(change["from_m"] - 3.92), abs(change["to_m"] - radius_m))
    sectors = [s for s in result["sectors"] if s["side"] == side]
    moment_nm = TEST_LOAD_KG * STANDARD_GRAVITY_MPS2 * radius_m
    truth = [math.floor(x) for x in (lift_deg, 100 * moment_nm / REQUIRED_NM, end_deg)]
    told = [sectors[0]["to_deg"], sectors[1]["percent"], sectors[1]["to_deg"]]
    checks = {
        "wheel": lift["wheel"] == "rear_left",
        "interval": lift["slew_low_deg"] <= sign * lift_deg <= lift["slew_high_deg"],
        "angle": angle_error <= 0.3,
        "radius": radius_error <= 0.015,
        "sectors": all(t - 1 <= x <= t for t, x in zip(truth, told, strict=True)),
        "whole": [s["basis"] for s in sectors] == ["proved", "reduced", "untested"],
    }
    return [name for name, good in checks.items() if not good], angle_error, radius_error


def main():
    """Runs the campaign."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tests", type=int, default=200)
    tests = parser.parse_args().tests
    failed, angles, radii = {}, [], []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(tests):
            made, *truth = make(seed)
            wrong, angle, radius = faults(result_of(made, seed, Path(folder)), *truth)
            angles.append(angle)
            radii.append(radius)
            if wrong:
                failed[seed] = wrong
    print(
        json.dumps(
            {
                "tests": tests,
                "failed": failed,
                "largest_angle_error_deg": round(max(angles), 3),
                "largest_radius_error_m": round(max(radii), 4),
            }
        )
    )


if __name__ == "__main__":
    main()
