"""Cuts the power of a recorder's disk again and again, and counts what is lost.

Not part of the suite, which makes a few of these cuts. Needs root, mkfs.ext4 and loop devices::

    python -m tests.campaigns.power_cuts --cuts 5000 --disks 2
    python -m tests.campaigns.power_cuts --cuts 0 --whole 200
    python -m tests.campaigns.power_cuts --cuts 100 --guard never-sync

300 readings a second go through the journal that the recorder uses; at a random moment of
making, recording, beginning a part, closing or sealing the file system is shut down without a
flush (see ``tests.loop_disk``). Then it is mounted again, the run recovered, and each reading
compared with what was acknowledged *before* the cut. The second form cuts the power under the
whole ``slewtrace record``, fed through a serial line and a broker at 500 readings a second; there
the acknowledgements are those that the broker gets. It must also tell within a second that its
disk has failed. The third form removes the guard, a writer that never syncs, and must lose
acknowledged readings, else the campaign could not see any. It does not model torn sectors, nor
drives that say "synced" and are not.

No failure in N cuts supports a rate under 3/N at 95 % (the "rule of three", Hanley and
Lippman-Hand, JAMA 1983; cited from memory).
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path

from tests.cut_short import Found, chosen_plan, cut_short, look, summary, warm_up
from tests.feeding import strike
from tests.loop_disk import LoopDisk, own_mounts, why_no_loop_disk
from tests.paced_writer import GUARDS

LONGEST_LOSS_MS = 250
TOLD_WITHIN_S = 1.0


def cut_once(disk, number, *, guard, seed):
    """One cut; the disk is mounted again and empty afterwards."""
    journal = disk.path / f"cut-{number}.journal"
    plan, moment = chosen_plan(random.Random(seed + number), guard=guard)
    heard = cut_short(journal, plan, moment=moment, cut=lambda _pid: disk.cut())
    disk.power_up()
    found = look(journal, heard)
    disk.empty()
    return found


def cut_many(numbers, *, guard, seed, folder):
    """The cuts of one disk, a line of JSON for each on standard output."""
    own_mounts()
    warm_up()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that the disk is unmounted
    with tempfile.TemporaryDirectory(dir=folder) as place, LoopDisk(place) as disk:
        for number in numbers:
            found = cut_once(disk, number, guard=guard, seed=seed)
            print(json.dumps(asdict(found)), flush=True)


def cut_whole_recorders(numbers, *, seed, folder):
    """Cuts the power under whole recorders; a line of JSON for each on standard output."""
    own_mounts()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    with tempfile.TemporaryDirectory(dir=folder) as place, LoopDisk(place) as disk:
        for number in numbers:
            look_at = strike(
                disk.path, hit=lambda _fed: disk.cut(), then=_until_told, seed=seed + number
            )
            disk.power_up()
            print(json.dumps(asdict(look_at())), flush=True)
            disk.empty()


def _until_told(fed, _options):
    """Waits until the recorder tells that its disk has failed."""
    start_s = time.monotonic()
    try:
        fed.wait_for("alarm", condition="storage", active=True, seconds=5)
    except TimeoutError:
        return {"alarm_s": None}
    return {"alarm_s": round(time.monotonic() - start_s, 3)}


def whole_campaign(*, cuts, seed, folder):
    """The figures of cuts under whole recorders."""
    words = [sys.executable, "-m", "tests.campaigns.power_cuts", "--seed", str(seed)]
    words += ["--worker", f"0:{cuts}:1", "--whole", str(cuts)]
    words += ["--folder", str(folder)] if folder else []
    told = subprocess.run(words, stdout=subprocess.PIPE, text=True, check=True).stdout
    struck = [json.loads(line) for line in told.splitlines()]
    alarms_s = [s["alarm_s"] for s in struck]
    return {
        "cuts": cuts,
        "acknowledged_packs": sum(s["acknowledged"] for s in struck),
        "acknowledged_packs_lost": sum(len(s["lost"]) for s in struck),
        "unacknowledged_loss_ms_most": max(s["loss_ms"] for s in struck),
        "not_told": alarms_s.count(None),
        "slowest_told_s": max((a for a in alarms_s if a is not None), default=None),
        "trouble": [s["trouble"] for s in struck if s["trouble"]][:3],
    }


def whole_passed(figures):
    """Whether the pass line is met for whole recorders."""
    return (
        figures["acknowledged_packs"] > 0
        and not figures["acknowledged_packs_lost"]
        and figures["unacknowledged_loss_ms_most"] <= LONGEST_LOSS_MS
        and not figures["not_told"]
        and figures["slowest_told_s"] <= TOLD_WITHIN_S
        and not figures["trouble"]
    )


def campaign(*, cuts, disks, guard, seed, folder):
    """Shares the cuts out among processes with a disk each; gives the figures."""
    start_s = time.monotonic()
    words = [sys.executable, "-m", "tests.campaigns.power_cuts", "--guard", guard]
    words += ["--seed", str(seed), *(["--folder", str(folder)] if folder else [])]
    workers = [
        subprocess.Popen(
            [*words, "--worker", f"{k}:{cuts}:{disks}"], stdout=subprocess.PIPE, text=True
        )
        for k in range(min(disks, cuts))
    ]
    try:
        # All at once: a worker whose pipe nobody reads would stand still.
        with ThreadPoolExecutor(len(workers)) as pool:
            told = "".join(pool.map(lambda worker: worker.communicate()[0], workers))
    finally:
        for worker in workers:
            worker.terminate()
    if any(w.returncode for w in workers):
        raise SystemExit("a worker failed; what it said is above")
    figures = summary([Found(**json.loads(line)) for line in told.splitlines()])
    seconds = round((time.monotonic() - start_s) / cuts, 3)
    return {"guard": guard, **figures, "seconds_a_cut": seconds}


def passed(figures):
    """Whether the pass line is met."""
    return (
        figures["acknowledged_turns"] > 0
        and not figures["cuts_that_lost_acknowledged"]
        and not figures["runs_that_do_not_open"]
        and not figures["other_trouble"]
        and figures["unacknowledged_loss_ms_most"] <= LONGEST_LOSS_MS
    )


def table_line(figures):
    """The line for DEVELOPERS.md."""
    below = figures["rate_below_at_95_percent"]
    bound = f" (so under {below:.2%} at 95 %)" if below else ""
    return (
        f"| power cut (ext4 shut down without a flush), 300 readings/s: cuts that lost "
        f"acknowledged readings; runs that don't open; most lost before it was acknowledged | "
        f"{figures['cuts_that_lost_acknowledged']} of {figures['cuts']}{bound}; "
        f"{figures['runs_that_do_not_open']}; {figures['unacknowledged_loss_ms_most']:.0f} ms | "
        f"`python -m tests.campaigns.power_cuts` |"
    )


def whole_line(figures):
    """The line for DEVELOPERS.md, of whole recorders."""
    return (
        f"| the same under the whole recorder, 500 readings/s: packs lost that it had acknowledged "
        f"to the broker; most lost before; disk's failure told after | "
        f"{figures['acknowledged_packs_lost']} of {figures['acknowledged_packs']} in "
        f"{figures['cuts']} cuts (so under {3 / figures['cuts']:.1%} of cuts at 95 %); "
        f"{figures['unacknowledged_loss_ms_most']:.0f} ms; {figures['slowest_told_s']} s | "
        f"`python -m tests.campaigns.power_cuts --cuts 0 --whole {figures['cuts']}` |"
    )


def main():
    """Prints the figures as JSON, and the table's line on standard error; 1 where it failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cuts", type=int, default=5000)
    parser.add_argument("--whole", type=int, default=0, help="cuts under the whole recorder")
    parser.add_argument("--disks", type=int, default=2, help="disks cut side by side")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guard", choices=GUARDS, default=GUARDS[0])
    parser.add_argument("--folder", type=Path, help="where the disks' files go")
    parser.add_argument("--worker", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if why := why_no_loop_disk():
        parser.error(why)
    if given.worker:
        first, last, step = map(int, given.worker.split(":"))
        numbers = range(first, last, step)
        if given.whole:
            cut_whole_recorders(numbers, seed=given.seed, folder=given.folder)
            return 0
        cut_many(numbers, guard=given.guard, seed=given.seed, folder=given.folder)
        return 0
    os.nice(5)
    figures, whole, good = None, None, True
    if given.cuts:
        figures = campaign(
            cuts=given.cuts,
            disks=given.disks,
            guard=given.guard,
            seed=given.seed,
            folder=given.folder,
        )
        good = passed(figures)
        print(table_line(figures), file=sys.stderr)
    if given.whole:
        whole = whole_campaign(cuts=given.whole, seed=given.seed, folder=given.folder)
        good = good and whole_passed(whole)
        print(whole_line(whole), file=sys.stderr)
    print(json.dumps({**(figures or {}), "whole_recorders": whole}, indent=2))
    return int(not good)


if __name__ == "__main__":
    raise SystemExit(main())
