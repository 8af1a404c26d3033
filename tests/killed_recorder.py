"""A recorder to be killed: says what it was told is durable, then goes on.

Run as a program: ``python -m tests.killed_recorder JOURNAL GUARD SEED [PART_BYTES]``. After each
commit it prints how many turns are durable. With the guard ``acknowledge-first`` it prints
before it commits, which is the fault that the tests must be able to see.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from logger.errors import StorageFailed
from logger.readings.pack import ClockPair
from logger.recording.journal import ClockedBlock
from logger.recording.run_journal import RunJournal
from tests.rig_of_a_bay import header

SAMPLES = 20
CLOCK = "mast#a1"
DEVICE_START_NS = 86_400_000_000_000


def blocks_of(turn):
    """Two blocks whose samples tell their turn, on two clocks."""
    t_ns = np.arange(SAMPLES, dtype=np.int64) * 1_000_000 + turn * SAMPLES * 1_000_000
    value = np.arange(SAMPLES, dtype=np.float64) + turn * SAMPLES
    return [
        ClockedBlock(channel="load", clock="run", t_ns=t_ns, value=value),
        ClockedBlock(channel="slew", clock=CLOCK, t_ns=t_ns + DEVICE_START_NS, value=value),
    ]


def say(what):
    """Tells it to whoever is listening, at once."""
    sys.stdout.write(f"{what}\n")
    sys.stdout.flush()


def record(
    path, *, turns=None, acknowledge_first=False, seed=0, part_bytes=256 << 20, goes_on=False
):
    """Records turn after turn and acknowledges each on standard output.

    With ``goes_on`` a refused commit is followed by a new part, as the recorder itself does.
    """
    chance = np.random.default_rng(seed)
    journal = RunJournal.create(path, header(), part_bytes=part_bytes)
    say("created")
    turn = 0
    while turns is None or turn < turns:
        many = int(chance.integers(1, 8))
        for _ in range(many):
            blocks = blocks_of(turn)
            journal.append(blocks)
            last_ns = int(blocks[0].t_ns[-1])
            pair = ClockPair(device_ns=last_ns + DEVICE_START_NS, arrival_ns=last_ns)
            journal.add_pairs(CLOCK, [pair])
            turn += 1
        if acknowledge_first:
            say(turn)
        commit(journal, goes_on=goes_on)
        if not acknowledge_first:
            say(turn)
    journal.close()


def commit(journal, *, goes_on):
    """Commits, in new parts until one takes it."""
    ready = True
    while True:
        try:
            if not ready:
                journal.begin_part()
            journal.commit()
        except StorageFailed as exc:
            if not goes_on:
                raise
            ready = False
            say(f"refused {exc}")
        else:
            return


if __name__ == "__main__":
    record(
        Path(sys.argv[1]),
        acknowledge_first=sys.argv[2] == "acknowledge-first",
        seed=int(sys.argv[3]),
        part_bytes=int(sys.argv[4]) if len(sys.argv) > 4 else 256 << 20,
    )
