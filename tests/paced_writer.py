"""A recorder's write path with a clock behind it: readings at a rate, and what it says is safe.

Readings of two channels fall due at a steady rate of the monotonic clock, and their values
count up, so a recovered run shows which are missing and how old the newest kept one is. They
are committed as the recorder commits; after each commit the writer says how many turns (one
reading of each channel) are durable. A refused commit is met as the recorder meets it: a new
part, and what waits goes into that.

Run as a program for tests under strace::

    python -m tests.paced_writer JOURNAL --turns 60

Guards can be removed, so that a test can show that it sees the fault:

- ``never-sync``: SQLite is told not to sync (``PRAGMA synchronous=OFF``).
- ``seal-unsynced``: sealing syncs its folder, but not the file in it.
- ``acknowledge-first``: it says "kept" and commits afterwards.
- ``claim-anyway``: a refused commit is said to be kept all the same.
"""

from __future__ import annotations

import argparse
import functools
import os
import sqlite3
import stat
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logger.errors import RunUnreadable, StorageFailed
from logger.readings.pack import ClockPair
from logger.recording.journal import RUN_CLOCK, ClockedBlock
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import seal_journal
from tests.rig_of_a_bay import header

GUARDS = ("none-removed", "never-sync", "seal-unsynced", "acknowledge-first", "claim-anyway")
CLOCK = "mast#a1"
DEVICE_START_NS = 86_400_000_000_000
CHANNELS = 2
RATE_HZ = 300
COMMIT_EVERY_S = 0.06
STEP_NS = CHANNELS * 1_000_000_000 // RATE_HZ


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a writer is to do.

    Attributes:
        turns: how many turns it records; None until it is ended.
        seal: whether it then closes and seals.
        part_bytes: when it begins a new part; None for the journal's own limit.
        guard: which guard is removed.
        paced: False writes as fast as it can, a few turns a commit.
    """

    turns: int | None = None
    seal: bool = False
    part_bytes: int | None = None
    guard: str = "none-removed"
    paced: bool = True


class _NeverSyncs(sqlite3.Connection):
    """SQLite with the guard removed."""

    def execute(self, sql, *rest):
        return super().execute(sql.replace("synchronous=FULL", "synchronous=OFF"), *rest)


def _sync_folders_only(sync, file):
    if stat.S_ISDIR(os.fstat(file).st_mode):
        sync(file)


def say(what):
    """Tells it to whoever listens, at once."""
    os.write(1, f"{what}\n".encode())


def turn_blocks(first, after):
    """Blocks of the turns from ``first`` up to ``after``, left out, and a pair of clocks."""
    count = np.arange(first, after, dtype=np.int64)
    t_ns, value = count * STEP_NS, count.astype(np.float64)
    blocks = [
        ClockedBlock(channel="load", clock=RUN_CLOCK, t_ns=t_ns, value=value),
        ClockedBlock(channel="slew", clock=CLOCK, t_ns=t_ns + DEVICE_START_NS, value=value),
    ]
    last_ns = int(t_ns[-1])
    return blocks, ClockPair(device_ns=last_ns + DEVICE_START_NS, arrival_ns=last_ns)


def write(path, plan, tell=say):
    """Records by the plan, telling ``begun NS``, ``kept TURNS``, ``refused``, ``sealed``."""
    if plan.guard == "never-sync":
        sqlite3.connect = functools.partial(sqlite3.connect, factory=_NeverSyncs)
    size = {} if plan.part_bytes is None else {"part_bytes": plan.part_bytes}
    try:
        journal = RunJournal.create(path, header(), **size)
    except StorageFailed as exc:
        tell(f"refused {time.monotonic_ns()} {exc}")
        return
    start_ns = time.monotonic_ns()
    tell(f"begun {start_ns}")
    turn = 0
    while plan.turns is None or turn < plan.turns:
        if plan.paced:
            time.sleep(COMMIT_EVERY_S)
            due = (time.monotonic_ns() - start_ns) // STEP_NS
        else:
            due = turn + 3
        due = due if plan.turns is None else min(due, plan.turns)
        if due > turn:
            blocks, pair = turn_blocks(turn, due)
            journal.append(blocks)
            journal.add_pairs(CLOCK, [pair])
            turn = due
        _commit(journal, turn, plan, tell)
    tell("closing")
    journal.close()
    _seal(path, plan, tell)


def _seal(path, plan, tell):
    if plan.seal:
        if plan.guard == "seal-unsynced":
            os.fsync = functools.partial(_sync_folders_only, os.fsync)
        tell("sealing")
        try:
            seal_journal(path)
        except (StorageFailed, RunUnreadable) as exc:
            tell(f"refused {time.monotonic_ns()} {exc}")
            return
        tell("sealed")


def _commit(journal, turn, plan, tell):
    if plan.guard == "acknowledge-first":
        tell(f"kept {turn}")
    try:
        journal.commit()
    except StorageFailed as exc:
        tell(f"refused {time.monotonic_ns()} {exc}")
        if plan.guard == "claim-anyway":
            tell(f"kept {turn}")
        try:
            journal.begin_part()
            journal.commit()
        except StorageFailed as again:
            tell(f"refused {time.monotonic_ns()} {again}")
            return
    if plan.guard != "acknowledge-first":
        tell(f"kept {turn}")


def main():
    """Writes one journal by the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("journal", type=Path)
    parser.add_argument("--turns", type=int)
    parser.add_argument("--seal", action="store_true")
    parser.add_argument("--part-bytes", type=int)
    parser.add_argument("--guard", choices=GUARDS, default=GUARDS[0])
    parser.add_argument("--unpaced", action="store_true")
    given = parser.parse_args()
    plan = Plan(
        turns=given.turns,
        seal=given.seal,
        part_bytes=given.part_bytes,
        guard=given.guard,
        paced=not given.unpaced,
    )
    write(given.journal, plan)


if __name__ == "__main__":
    main()
