"""Kills a recorder again and again and counts what acknowledged samples are lost.

Not part of the suite, which makes a dozen of these kills::

    python -m tests.campaigns.kill_recorder --kills 2000
    python -m tests.campaigns.kill_recorder --kills 100 --guard acknowledge-first

The second removes the guard (the recorder acknowledges, then commits) and must find losses,
else the campaign could not see any. A kill -9 says nothing about a power cut: the system keeps
what was written. No failure in N kills supports a rate under 3/N at 95 % (the "rule of three",
Hanley and Lippman-Hand, JAMA 1983; cited from memory).
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

from logger.errors import RunUnreadable
from logger.recording.run import open_run
from logger.recording.sealing import recover
from tests.test_journal import kill_once, turns_in


def campaign(*, kills: int, guard: str, seed: int) -> dict[str, object]:
    """Kills a recorder many times and gives the counts."""
    lost = unreadable = acknowledged_turns = 0
    slowest_s = 0.0
    for number in range(kills):
        with tempfile.TemporaryDirectory() as folder:
            journal = Path(folder) / "a.journal"
            acknowledged = kill_once(journal, guard=guard, seed=seed + number)
            acknowledged_turns += acknowledged
            start = time.perf_counter()
            try:
                run = open_run(recover(journal).path)
                run.verify()
                lost += turns_in(run) < acknowledged
            except RunUnreadable:
                unreadable += acknowledged > 0
            slowest_s = max(slowest_s, time.perf_counter() - start)
    return {
        "guard": guard,
        "kills": kills,
        "acknowledged_turns": acknowledged_turns,
        "kills_that_lost_acknowledged_samples": lost,
        "kills_that_left_no_readable_run": unreadable,
        "rate_below_at_95_percent": 3 / kills if not lost + unreadable else None,
        "slowest_recovery_s": slowest_s,
    }


def main() -> int:
    """Prints the counts as JSON; 1 where anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--guard", choices=("commit-first", "acknowledge-first"), default="commit-first"
    )
    arguments = parser.parse_args()
    found = campaign(kills=arguments.kills, guard=arguments.guard, seed=arguments.seed)
    sys.stdout.write(f"{json.dumps(found, indent=2)}\n")
    return int(bool(found["kills_that_lost_acknowledged_samples"]))


if __name__ == "__main__":
    raise SystemExit(main())
