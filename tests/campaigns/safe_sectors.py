"""How often a sector goes past the true lift angle or over the true percentage.

Not part of the suite::

    nice python -m tests.campaigns.safe_sectors --tests 10000

Tests are drawn as in ``coverage``, with moments around the required one, and judged by the guarded
rule with sectors rounded to 0.001 only, so that rounding hides nothing. The rule promises of each
bound that the chance of its being unsafe is at most 2.3 % (one side beyond two standard
uncertainties of a normal distribution); the campaign fails where a share is above that by more
than three standard deviations of the count. Beside it: the same with the usual steps of 1 deg and
1 %, which a user sees.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

from dashboard.capacity.result import make_result
from tests.campaigns.drawn_test import DrawnTest

PROMISED = 0.02275
USUAL = {"angle_step_deg": 1.0, "percent_step": 1.0}


def unsafe(drawn, evidence):
    """Which bounds of a result go beyond the truth, by name."""
    side = "right" if drawn.sign > 0 else "left"
    result = make_result(evidence, run_id="drawn", recording_sha256="")
    full_percent, reduced_percent = drawn.percent(drawn.radius_m), drawn.percent(drawn.reduced_m)
    found = {}
    for sector in result["sectors"]:
        if sector["side"] != side or sector["percent"] == 0:
            continue
        over_full = sector["percent"] > full_percent
        over_reduced = sector["percent"] > reduced_percent
        if sector["from_deg"] == 0:
            found["past the lift"] = sector["to_deg"] > drawn.lift_deg
            found["over the full hold's percentage"] = over_full
        else:
            found["past the end"] = sector["to_deg"] > drawn.end_deg
            found["over the reduced hold's percentage"] = over_reduced
    return found


def judge(number):
    """What was unsafe in a test, without rounding and with the usual steps."""
    drawn = DrawnTest(number=number, small_steps=True)
    evidence = drawn.evidence()
    method = evidence.test.method.model_copy(update=USUAL)
    rounded = replace(evidence, test=evidence.test.model_copy(update={"method": method}))
    return unsafe(drawn, evidence), unsafe(drawn, rounded)


def main():
    """Runs the campaign."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tests", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=100_000)
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    os.nice(10)
    told, bad, bad_rounded = Counter(), Counter(), Counter()
    with ProcessPoolExecutor(args.workers) as pool:
        numbers = range(args.first, args.first + args.tests)
        for as_measured, rounded in pool.map(judge, numbers, chunksize=4):
            told.update(as_measured.keys())
            bad.update(name for name, is_unsafe in as_measured.items() if is_unsafe)
            bad_rounded.update(name for name, is_unsafe in rounded.items() if is_unsafe)
    failed = [
        name
        for name, count in told.items()
        if bad[name] > PROMISED * count + 3 * math.sqrt(PROMISED * (1 - PROMISED) * count)
    ]
    if len(told) < 4:
        failed.append("a bound was never told")
    print(
        json.dumps(
            {
                "tests": args.tests,
                "promised": PROMISED,
                "told": dict(sorted(told.items())),
                "unsafe": {name: bad[name] for name in sorted(told)},
                "unsafe_share": {n: round(bad[n] / told[n], 5) for n in sorted(told)},
                "unsafe_with_usual_steps": {name: bad_rounded[name] for name in sorted(told)},
                "failed": failed,
            }
        )
    )
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
