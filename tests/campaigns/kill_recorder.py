"""Kills a recorder again and again and counts what acknowledged readings are lost.

Not part of the suite, which makes a few of these kills::

    python -m tests.campaigns.kill_recorder --kills 2000
    python -m tests.campaigns.kill_recorder --kills 300 --guard acknowledge-first

Two kinds of kill -9. Most strike the journal's writer at a random moment of making, recording,
beginning a part, closing or sealing, and every reading is looked at afterwards. Some strike the
whole ``slewtrace record`` while it takes packs from a broker; another is started at once, and
the time until it records again is taken.

The second form removes the guard (the writer acknowledges, then commits) and must find losses,
else the campaign could not see any. A kill -9 says nothing about a power cut: the system keeps
what was written (see ``power_cuts``). No failure in N kills supports a rate under 3/N at 95 %
(the "rule of three", Hanley and Lippman-Hand, JAMA 1983; cited from memory).
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import sys
import tempfile
from pathlib import Path

from tests.cut_short import chosen_plan, cut_short, look, summary, warm_up
from tests.feeding import killed_and_started_again
from tests.paced_writer import GUARDS

RECORDING_AGAIN_WITHIN_S = 3.0


def kill_once(folder, number, *, guard, seed):
    """One kill of a writer, and what is found after it."""
    path = Path(folder) / f"kill-{number}.journal"
    plan, moment = chosen_plan(random.Random(seed + number), guard=guard)
    heard = cut_short(path, plan, moment=moment, cut=lambda pid: os.kill(pid, signal.SIGKILL))
    found = look(path, heard)
    path.with_suffix(".parquet").unlink(missing_ok=True)
    return found


def campaign(*, kills, restarts, guard, seed):
    """Kills writers and whole recorders, and gives the figures."""
    again = [killed_and_started_again(seed=seed + k) for k in range(restarts)]
    os.nice(5)  # only now: how soon the next one records is a figure
    warm_up()
    with tempfile.TemporaryDirectory() as folder:
        founds = [kill_once(folder, k, guard=guard, seed=seed) for k in range(kills)]
    return {
        "guard": guard,
        **summary(founds),
        "whole_recorders_killed": restarts,
        "whole_acknowledged_packs": sum(a.acknowledged for a in again),
        "whole_acknowledged_packs_lost": sum(len(a.lost) for a in again),
        "whole_loss_ms_most": max((a.loss_ms for a in again), default=0.0),
        "whole_trouble": [a.trouble for a in again if a.trouble],
        "slowest_recording_again_s": round(max((a.again_s for a in again), default=0.0), 2),
    }


def passed(figures):
    """Whether the pass line is met."""
    return (
        figures["acknowledged_turns"] > 0
        and not figures["cuts_that_lost_acknowledged"]
        and not figures["runs_that_do_not_open"]
        and not figures["other_trouble"]
        and not figures["whole_acknowledged_packs_lost"]
        and not figures["whole_trouble"]
        and figures["slowest_recording_again_s"] <= RECORDING_AGAIN_WITHIN_S
    )


def table_line(figures):
    """The line for DEVELOPERS.md."""
    below = figures["rate_below_at_95_percent"]
    bound = f" (so under {below:.2%} at 95 %; says nothing about power loss)" if below else ""
    return (
        f"| kill -9 while making, recording, beginning a part, closing, sealing: kills that lost "
        f"acknowledged readings; runs that don't open; recording again | "
        f"{figures['cuts_that_lost_acknowledged']} of {figures['cuts']}{bound}; "
        f"{figures['runs_that_do_not_open']}; at most {figures['slowest_recording_again_s']} s of "
        f"{figures['whole_recorders_killed']} | `python -m tests.campaigns.kill_recorder` |"
    )


def main():
    """Prints the figures as JSON, and the table's line on standard error; 1 where it failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=2000)
    parser.add_argument("--restarts", type=int, default=20, help="kills of the whole recorder")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guard", choices=GUARDS, default=GUARDS[0])
    given = parser.parse_args()
    figures = campaign(
        kills=given.kills, restarts=given.restarts, guard=given.guard, seed=given.seed
    )
    print(json.dumps(figures, indent=2))
    print(table_line(figures), file=sys.stderr)
    return int(not passed(figures))


if __name__ == "__main__":
    raise SystemExit(main())
