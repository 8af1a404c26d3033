"""A recorder cut short at a random moment, and what is found of it afterwards.

A writer (``tests.paced_writer``) is forked and left to run; what it says is read until a random
moment, when the caller's ``cut`` strikes: a power cut or a SIGKILL. Only what was *read* before
counts as acknowledged, since a sync in flight may return success although its data is gone.
Then the journal is recovered and every reading looked at.
"""

from __future__ import annotations

import os
import select
import signal
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from logger.errors import BadInput, RunUnreadable, StorageFailed
from logger.recording.run import open_run
from logger.recording.sealing import recover
from tests.paced_writer import CHANNELS, STEP_NS, Plan, write

NEXT_WORD_WITHIN_S = 0.2
BEGINS_WITHIN_S = 10.0
SMALL_PART_BYTES = 96 * 1024
"""A part that is full after a few commits."""


@dataclass(slots=True, kw_only=True)
class Heard:
    """What a writer said before it was cut short.

    Attributes:
        begun_ns: monotonic time of its first reading; None where it had not begun.
        kept: turns that it said were durable.
        refused: how often it told of a refused commit.
        stage: the last of begun, closing, sealing, sealed.
        cut_ns: monotonic time of the cut.
    """

    begun_ns: int | None = None
    kept: int = 0
    refused: int = 0
    stage: str = "making"
    cut_ns: int = 0
    said: list[str] = field(default_factory=list)

    def take(self, line):
        """Takes one line."""
        self.said.append(line)
        word, *rest = line.split(" ", 2)
        if word == "kept":
            self.kept = max(self.kept, int(rest[0]))
        elif word == "refused":
            self.refused += 1
        else:
            self.stage = "recording" if word == "begun" else word
            if word == "begun":
                self.begun_ns = int(rest[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What was found after a cut.

    Attributes:
        stage: what the writer was at.
        acknowledged: turns it had acknowledged.
        kept: turns that the recovered run holds, each reading checked.
        opens: False where there should be a run and none could be read.
        loss_ms: age of the newest reading that was due and is not kept, ms.
        recovery_s: how long recovering took.
        trouble: in words, where anything is wrong.
    """

    stage: str
    acknowledged: int
    kept: int
    opens: bool
    loss_ms: float
    recovery_s: float
    trouble: str = ""

    @property
    def lost(self):
        """How many acknowledged turns are not there."""
        return max(0, self.acknowledged - self.kept)


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """When a writer is cut short.

    Attributes:
        after_s: how long after it was forked, or has begun.
        once_begun: whether counted from when it has begun.
        aimed: whether it then waits for the writer's next word and strikes right after it.
    """

    after_s: float
    once_begun: bool = True
    aimed: bool = False


def chosen_plan(chance, *, guard):
    """What a writer does, and when it is cut short.

    A third of the writers is quick and seals by itself, so that cuts fall into beginning a
    part, closing and sealing, which take milliseconds.
    """
    part_bytes = SMALL_PART_BYTES if chance.random() < 0.5 else None
    quick, making, aimed = chance.random() < 0.33, chance.random() < 0.1, chance.random() < 0.5
    plan = Plan(
        turns=chance.randrange(1, 60) if quick else None,
        seal=quick,
        part_bytes=part_bytes,
        guard=guard,
        paced=not quick,
    )
    longest_s = 0.03 if making else 0.2 if quick else 0.4
    return plan, Moment(after_s=chance.uniform(0, longest_s), once_begun=not making, aimed=aimed)


def cut_short(path: Path, plan: Plan, *, moment: Moment, cut: Callable[[int], None]) -> Heard:
    """Forks a writer and cuts it short.

    Args:
        path: its journal.
        plan: what it does.
        moment: when the cut comes.
        cut: makes the cut, given the writer's process id.

    Returns:
        What it said before.
    """
    out, into = os.pipe()
    pid = os.fork()
    if pid == 0:
        _be_the_writer(into, path, plan)
    os.close(into)
    heard, said = Heard(), b""
    try:
        if moment.once_begun:
            said += _said_within(out, BEGINS_WITHIN_S)
        ends_s = time.monotonic() + moment.after_s
        while (left_s := ends_s - time.monotonic()) > 0:
            said += _said_within(out, left_s)
        # The worst moment for one that says "kept" too soon is right after it has said so.
        said += _said_within(out, NEXT_WORD_WITHIN_S if moment.aimed else 0)
        for line in said.split(b"\n")[:-1]:
            heard.take(line.decode())
        heard.cut_ns = time.monotonic_ns()
        cut(pid)
    finally:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(out)
    return heard


def warm_up():
    """Does once, before any fork, all that is slow only the first time."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "warm.journal"
        write(path, Plan(turns=3, seal=True), tell=lambda _: None)
        open_run(path.with_suffix(".parquet")).verify()


def _said_within(out, wait_s):
    """What comes next, all of it up to now; nothing after the wait."""
    if not select.select([out], [], [], wait_s)[0]:
        return b""
    said = os.read(out, 1 << 20)
    if not said:
        time.sleep(wait_s)  # the writer has ended
    return said


def _be_the_writer(into, path, plan):
    """The forked child: writes, and ends without the parent's clean-up."""
    try:
        os.dup2(into, 1)
        write(path, plan)
        time.sleep(60)  # a cut comes to an idle writer too
    except (StorageFailed, RunUnreadable, OSError):
        time.sleep(60)  # the disk is gone; so will this process be
    except BaseException:
        traceback.print_exc()
        raise
    finally:
        os._exit(0)


def turns_in(run):
    """How many turns a run holds; every reading is there once, in its place.

    Raises:
        ValueError: where one is missing, doubled or misdated.
    """
    counts = []
    for channel in ("load", "slew"):
        block = run.raw(channel)
        if not np.array_equal(block.value, np.arange(len(block))):
            raise ValueError(f"{channel}: readings are missing, doubled or out of order")
        if not np.array_equal(block.t_ns, np.arange(len(block), dtype=np.int64) * STEP_NS):
            raise ValueError(f"{channel}: readings are misdated")
        counts.append(len(block))
    if counts[0] != counts[1]:
        raise ValueError(f"one commit came apart: {counts}")
    return counts[0]


def look(path: Path, heard: Heard) -> Found:
    """Recovers what was cut short and compares it with what was said."""
    start_s = time.monotonic()
    kept, opens, trouble = 0, True, ""
    try:
        done = recover(path)
        run = open_run(done.path)
        run.verify()
        kept = turns_in(run)
        trouble = _left_over(path, done)
    except (RunUnreadable, BadInput, StorageFailed) as exc:
        opens = heard.begun_ns is None
        trouble = "" if opens else f"does not open: {exc}"
    except ValueError as exc:
        opens, trouble = False, str(exc)
    loss_ms = 0.0
    if heard.begun_ns is not None and heard.stage == "recording":
        loss_ms = max(0.0, (heard.cut_ns - heard.begun_ns - kept * STEP_NS) * 1e-6)
    return Found(
        stage=heard.stage,
        acknowledged=heard.kept,
        kept=kept,
        opens=opens,
        loss_ms=loss_ms,
        recovery_s=time.monotonic() - start_s,
        trouble=trouble,
    )


def _left_over(path, done):
    """What recovering should have removed or counted, in words."""
    left = [p.name for p in path.parent.glob(f"{path.stem}.*") if p != done.path]
    if left:
        return f"left behind: {sorted(left)}"
    if done.damage:
        return f"damage: {done.damage}"
    held = sum(open_run(done.path).header.samples.values())
    return "" if done.samples == held and held % CHANNELS == 0 else "another number of samples"


def summary(founds):
    """The figures of many cuts."""
    loss_ms = np.array([f.loss_ms for f in founds if f.stage == "recording"] or [0.0])
    lost = sum(f.lost > 0 for f in founds)
    unreadable = sum(not f.opens for f in founds)
    stages = {s: sum(f.stage == s for f in founds) for s in sorted({f.stage for f in founds})}
    return {
        "cuts": len(founds),
        "stages": stages,
        "acknowledged_turns": sum(f.acknowledged for f in founds),
        "cuts_that_lost_acknowledged": lost,
        "acknowledged_turns_lost": sum(f.lost for f in founds),
        "runs_that_do_not_open": unreadable,
        "other_trouble": sum(bool(f.trouble) for f in founds),
        "rate_below_at_95_percent": 3 / len(founds) if founds and not lost + unreadable else None,
        "unacknowledged_loss_ms_p999": round(float(np.quantile(loss_ms, 0.999)), 1),
        "unacknowledged_loss_ms_most": round(float(loss_ms.max()), 1),
        "slowest_recovery_s": round(max((f.recovery_s for f in founds), default=0.0), 3),
        "examples": [f"{f.stage}: {f.trouble}" for f in founds if f.trouble][:3],
    }
