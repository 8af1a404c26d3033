"""How often a quiet radius gives a false change, and how small a step is found how soon.

Not part of the suite::

    python -m tests.campaigns.change_detection --hours 200 --steps 400

Simulated radii, white noise of the readings at each sampling rate, through the detector that
watches a running test. Quiet: false changes an hour, with the bound that the trials allow (none in
N hours: under 3/N an hour at 95 %). Steps: of those of each size, made in a second after half a
minute of quiet, how many are found within 40 s; the smallest size of which 95 in 100 are
found, and how late the detector knows that the radius has left its place (median and 95th of 100),
at that size and at one of 0.1 m. Also Nile's yearly flow through the same step watch.

Passes where no quiet radius of up to 10 mm of noise changes more than once in 100 hours, where
steps of 40 mm and more are found in every case of up to 10 mm, and where the Nile changes after
1898 and nowhere else.
"""

from __future__ import annotations

import argparse
import json
from itertools import pairwise

import numpy as np
from statsmodels.datasets import nile

from logger.events.radius_change import RadiusChangeDetector
from logger.events.step_change import find_steps

S = 1_000_000_000
NOISES_M = (0.002, 0.004, 0.010, 0.020, 0.040)
RATES_HZ = (5, 20, 50)
SIZES_M = (0.02, 0.025, 0.03, 0.035, 0.04, 0.05, 0.06, 0.08, 0.1, 0.15, 0.2)
STEP_AT_S, RAMP_S, WITHIN_S = 30.0, 1.0, 40.0
QUIET_STRETCH_S = 3600.0
CALM_NOISE_M, SURE_SIZE_M = 0.010, 0.04
FALSE_AN_HOUR = 0.01
RESOLUTION_M = 0.001


def false_changes(noise_m, rate_hz, hours, rng):
    """Changes in so many hours of a radius that stands still."""
    found = 0
    for _ in range(hours):
        t_ns = np.arange(0, QUIET_STRETCH_S * S, S / rate_hz).astype(np.int64)
        radius_m = 3.9 + rng.normal(0, noise_m, t_ns.size)
        detector = RadiusChangeDetector()
        radius_m = np.round(radius_m / RESOLUTION_M) * RESOLUTION_M
        found += len(detector.feed(t_ns, radius_m) + detector.finish())
    return found


def delay_s(size_m, noise_m, rate_hz, rng):
    """How long after a step began the detector knew of it; None where it did not in time."""
    t_s = np.arange(0, STEP_AT_S + WITHIN_S, 1 / rate_hz)
    radius_m = 3.9 - np.interp(t_s, [STEP_AT_S, STEP_AT_S + RAMP_S], [0, size_m])
    radius_m += rng.normal(0, noise_m, t_s.size)
    radius_m = np.round(radius_m / RESOLUTION_M) * RESOLUTION_M
    t_ns = np.round(t_s * S).astype(np.int64)
    detector = RadiusChangeDetector()
    edges = [0, *np.searchsorted(t_s, np.arange(STEP_AT_S, t_s[-1], 0.25)).tolist()]
    for first, last in pairwise(edges):
        changes = detector.feed(t_ns[first:last], radius_m[first:last])
        if (changes or not detector.steady) and t_s[last - 1] > STEP_AT_S:
            return float(t_s[last - 1] - STEP_AT_S)
    return None


def found_steps(noise_m, rate_hz, trials, rng):
    """By size: share found, and delays."""
    told = {}
    for size_m in SIZES_M:
        delays = [delay_s(size_m, noise_m, rate_hz, rng) for _ in range(trials)]
        told[size_m] = (sum(d is not None for d in delays) / trials, [d for d in delays if d])
    return told


def case(noise_m, rate_hz, *, hours, trials, rng):
    """The figures of one noise at one rate."""
    count = false_changes(noise_m, rate_hz, hours, rng)
    told = found_steps(noise_m, rate_hz, trials, rng)
    sure = [size_m for size_m in SIZES_M if all(told[s][0] >= 0.95 for s in SIZES_M if s >= size_m)]
    smallest_m = min(sure, default=None)
    return {
        "noise_mm": 1000 * noise_m,
        "rate_hz": rate_hz,
        "hours": hours,
        "false_changes": count,
        "false_an_hour": count / hours,
        "under_an_hour_at_95": round((3.0 if count == 0 else count + 2 * count**0.5) / hours, 4),
        "smallest_step_found_mm": None if smallest_m is None else 1000 * smallest_m,
        "delay_there_s": None if smallest_m is None else _delays(told[smallest_m][1]),
        "delay_at_100_mm_s": _delays(told[0.1][1]),
        "share_found_at_40_mm": told[SURE_SIZE_M][0],
    }


def _delays(delays):
    return [round(float(q), 2) for q in np.quantile(delays, (0.5, 0.95))] if delays else None


def nile_steps():
    """Where the step watch finds the Nile's yearly flow changed: years, levels."""
    flow = nile.load_pandas().data["volume"].to_numpy().astype(np.float64)
    return [
        {
            "last_year_before": 1870 + step.index,
            "noticed_in": 1871 + step.noticed,
            "before": round(step.before, 2),
            "after": round(step.after, 4),
        }
        for step in find_steps(flow)
    ]


def failures(cases, nile_found):
    """What misses a pass line."""
    missed = []
    for c in cases:
        name = f"{c['noise_mm']:g} mm at {c['rate_hz']} Hz"
        if c["noise_mm"] > 1000 * CALM_NOISE_M:
            continue
        if c["false_changes"] > max(1, FALSE_AN_HOUR * c["hours"]):
            missed.append(f"{name}: {c['false_changes']} false changes in {c['hours']} h")
        if c["share_found_at_40_mm"] < 1:
            missed.append(f"{name}: {100 * c['share_found_at_40_mm']:.1f} % of 40 mm found")
    if [n["last_year_before"] for n in nile_found] != [1898]:
        missed.append(f"Nile: {nile_found}")
    return missed


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=int, default=100)
    parser.add_argument("--steps", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    cases = [
        case(noise_m, rate_hz, hours=asked.hours, trials=asked.steps, rng=rng)
        for noise_m in NOISES_M
        for rate_hz in RATES_HZ
    ]
    nile_found = nile_steps()
    missed = failures(cases, nile_found)
    print(json.dumps({"cases": cases, "nile": nile_found, "missed": missed}, indent=1))
    raise SystemExit(1 if missed else 0)


if __name__ == "__main__":
    main()
