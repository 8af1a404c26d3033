"""Makes a fleet of invented runs for benchmarks, and says how long a run took.

Not part of the suite::

    python -m tests.campaigns.make_fleet /tmp/fleet --runs 10000 --processes 2
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from dashboard.demo.synthetic_fleet import FleetPlan, write_fleet


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--trucks", type=int, default=12)
    parser.add_argument("--builds", type=int, default=3)
    parser.add_argument("--kits", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    plan = FleetPlan(
        runs=asked.runs,
        seed=asked.seed,
        trucks=asked.trucks,
        builds=asked.builds,
        kits=asked.kits,
    )
    begun_s = time.monotonic()
    for made in write_fleet(asked.folder, plan, processes=asked.processes):
        print(f"{made} of {asked.runs}", end="\r", flush=True)
    each_s = (time.monotonic() - begun_s) / asked.runs
    print(f"{asked.runs} runs, {1000 * each_s:.1f} ms each with {asked.processes} processes")


if __name__ == "__main__":
    main()
