"""How often the 95 % intervals of lift angle and percentage hold the truth.

Not part of the suite::

    nice python -m tests.campaigns.coverage --tests 2000

Each test's errors are drawn from the uncertainties that its files declare (``drawn_test``) and
go through the whole chain: signals, a sealed file, evidence, sweeps. Pass line: 93 to 97 % of the
intervals of the lift angle and of the full hold's percentage. The reduced hold's percentage, and
the same figures for some kinds of tests alone, are told beside it, since a good mean may hide bad
halves.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor

from dashboard.capacity.proof.sweeps import find_sweeps
from dashboard.capacity.uncertainty.budgets import percentage_budget
from dashboard.capacity.uncertainty.interval import interval
from tests.campaigns.drawn_test import REQUIRED_NM, DrawnTest

LEAST, MOST = 0.93, 0.97


def judge(number):
    """Whether each interval of a test held the truth, and what kind of test it was."""
    drawn = DrawnTest(number=number)
    (sweep,) = find_sweeps(drawn.evidence())
    lift = sweep.first_lift
    low_deg, high_deg = lift.interval_deg
    held = {"lift_angle": low_deg <= drawn.sign * drawn.lift_deg <= high_deg}
    steady = [h for h in sweep.holds if h.covered and not h.moving]
    for name, hold, radius_m in (
        ("percentage", steady[0], drawn.radius_m),
        ("reduced_percentage", steady[-1], drawn.reduced_m),
    ):
        low, high = interval(percentage_budget(hold.moment_budget, REQUIRED_NM))
        held[name] = low <= drawn.percent(radius_m) <= high
    kinds = (
        "cuts off" if drawn.cuts_off else "rounds",
        f"zero {drawn.u_zero_deg:g}",
        f"noise {drawn.noise_deg:g}",
        f"clock {drawn.u_clock_s:g}",
        f"rates {drawn.rates_hz[0]} {drawn.rates_hz[3]}",
        "swings in an ellipse"
        if drawn.in_ellipse
        else "swings in a plane"
        if drawn.swings
        else "bounces",
    )
    error_deg = abs(lift.estimate_deg - drawn.sign * drawn.lift_deg)
    return held, kinds, high_deg - low_deg, error_deg


def main():
    """Runs the campaign."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tests", type=int, default=2000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    os.nice(10)
    count, of_kind = defaultdict(int), defaultdict(lambda: [0, 0, 0])
    widths, errors = [], []
    with ProcessPoolExecutor(args.workers) as pool:
        numbers = range(args.first, args.first + args.tests)
        for held, kinds, width_deg, error_deg in pool.map(judge, numbers, chunksize=4):
            widths.append(width_deg)
            errors.append(error_deg)
            for name, is_held in held.items():
                count[name] += is_held
            for kind in kinds:
                of_kind[kind][0] += 1
                of_kind[kind][1] += held["lift_angle"]
                of_kind[kind][2] += held["percentage"]
    shares = {name: held / args.tests for name, held in count.items()}
    failed = [n for n in ("lift_angle", "percentage") if not LEAST <= shares[n] <= MOST]
    print(
        json.dumps(
            {
                "tests": args.tests,
                "held": {n: round(s, 4) for n, s in shares.items()},
                "by_kind": {
                    kind: {
                        "tests": n,
                        "lift_angle": round(angle / n, 4),
                        "percentage": round(percentage / n, 4),
                    }
                    for kind, (n, angle, percentage) in sorted(of_kind.items())
                },
                "median_interval_width_deg": round(sorted(widths)[len(widths) // 2], 4),
                "median_error_deg": round(sorted(errors)[len(errors) // 2], 4),
                "failed": failed,
            }
        )
    )
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
