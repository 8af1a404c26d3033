"""A fault at each storage call of a recorder: killed there, or refused there.

Not part of the suite, which tries some of these points. Needs strace::

    python -m tests.campaigns.storage_faults
    python -m tests.campaigns.storage_faults --faults kill --guard acknowledge-first
    python -m tests.campaigns.storage_faults --faults EIO-on --guard claim-anyway

A short run is made, recorded over several parts, closed and sealed, once whole, and its calls
on files of the run are counted. Then it is done again for each of them, and strace strikes
there: SIGKILL, or an error in place of the call (EIO, ENOSPC; ``-on`` for that call and all
like it after it). Afterwards, without faults, the run is recovered, and:

- every turn that was said to be kept is there, once, in its place; nothing else is claimed;
- a run that had begun opens;
- one refused call does not end the recording: all turns are kept in the end;
- where the run could not be made, nothing half-made stays;
- the program says "refused" and shows no traceback.

The two forms with a guard removed must find losses, else the campaign could not see any.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from tests.cut_short import Found, Heard, look
from tests.paced_writer import GUARDS

TURNS = 24
PART_BYTES = 60_000
PARTS = 12
FILE_CALLS = ("openat", "link", "rename", "unlink", "ftruncate", "mmap")
SYNC_CALLS = ("fsync", "fdatasync")
WRITE_CALLS = ("write", "pwrite64")
CALLS = FILE_CALLS + WRITE_CALLS + SYNC_CALLS
FAULTS = {
    "kill": ("signal=SIGKILL", CALLS, ""),
    "EIO": ("error=EIO", CALLS, ""),
    "ENOSPC": ("error=ENOSPC", ("openat", "link", "ftruncate", *WRITE_CALLS), ""),
    "EIO-on": ("error=EIO", WRITE_CALLS + SYNC_CALLS, "+"),
    "ENOSPC-on": ("error=ENOSPC", WRITE_CALLS, "+"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """Where a fault strikes: the ``number``-th call of that name, from 1; 0 for nowhere."""

    fault: str
    call: str
    number: int


@dataclass(slots=True, kw_only=True)
class Struck:
    """What came of a fault at a point.

    Attributes:
        point: where.
        reached: whether the run came to that call.
        refused: whether the writer said that it was refused.
        found: what is there afterwards.
        wrong: what is wrong, in words.
    """

    point: Point
    reached: bool
    refused: bool
    found: Found
    wrong: list[str] = field(default_factory=list)


def run_files(journal):
    """The files that a run may have, with the folder."""
    parts = [journal, *(journal.with_name(f"a.{n}.journal") for n in range(2, PARTS))]
    files = [p.with_name(p.name + end) for p in parts for end in ("", "-wal", "-shm", "-journal")]
    sealed = journal.with_suffix(".parquet")
    return [*files, sealed, sealed.with_name("a.parquet.partial"), journal.parent]


def traced(journal, *, inject, log, guard):
    """Runs the writer under strace; the finished process."""
    paths = [word for f in run_files(journal) for word in ("-P", str(f))]
    # strace 6.1 does not deliver a signal to a call that its seccomp filter stopped.
    quick = [] if "signal" in inject else ["--seccomp-bpf"]
    words = ["strace", "-f", *quick, "-qq", "-o", str(log), "-e"]
    words += [f"trace={','.join(CALLS)}", *(["-e", inject] if inject else []), *paths]
    words += [sys.executable, "-m", "tests.paced_writer", str(journal), "--unpaced", "--seal"]
    words += ["--turns", str(TURNS), "--part-bytes", str(PART_BYTES), "--guard", guard]
    return subprocess.run(words, capture_output=True, text=True, check=False, timeout=120)


def list_calls():
    """The calls of a run without faults, in order: (name, its arguments as strace shows them)."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log"
        journal = _run_folder(folder) / "a.journal"
        done = traced(journal, inject="", log=log, guard="none-removed")
        if "sealed" not in done.stdout:
            raise SystemExit(f"the run without faults failed: {done.stdout} {done.stderr}")
        return re.findall(r"^\d+ +(\w+)\((.*)", log.read_text(errors="replace"), re.MULTILINE)


def last_number(calls, name, *, on):
    """Which call of that name is the last on a file, from 1."""
    of_name = [arguments for call, arguments in calls if call == name]
    return max(number for number, what in enumerate(of_name, start=1) if on in what)


def strike(point, *, guard):
    """One fault, and what comes of it."""
    what, _, on = FAULTS[point.fault]
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log"
        journal = _run_folder(folder) / "a.journal"
        inject = f"inject={point.call}:{what}:when={point.number}{on}"
        done = traced(journal, inject=inject, log=log, guard=guard)
        heard = Heard()
        for line in done.stdout.split("\n")[:-1]:
            heard.take(line)
        left = sorted(p.name for p in journal.parent.iterdir())
        found = look(journal, heard)
        reached = "(INJECTED)" in log.read_text(errors="replace") or done.returncode < 0
    struck = Struck(point=point, reached=reached, refused=heard.refused > 0, found=found)
    struck.wrong = list(_wrong(struck, heard, left, done))
    return struck


def _run_folder(folder):
    path = Path(folder) / "run"
    path.mkdir()
    return path


def _wrong(struck, heard, left, done):
    """What is not as promised, in words."""
    found, point = struck.found, struck.point
    if found.lost:
        yield f"{found.lost} acknowledged turns are lost"
    if found.trouble:
        yield found.trouble
    if point.fault == "kill":
        return
    if "Traceback" in done.stderr or done.returncode:
        yield f"exit {done.returncode}: {done.stderr.strip().splitlines()[-1:]}"
    if heard.begun_ns is None:
        if left:
            yield f"half-made: {left}"
        if not struck.refused:
            yield "not made, and nothing said"
    elif not point.fault.endswith("-on") and found.acknowledged < TURNS:
        yield f"recording did not go on: {found.acknowledged} of {TURNS} turns"


def points_of(faults, calls, *, every=1):
    """The points to strike, every so many of each kind."""
    for fault in faults:
        for call in FAULTS[fault][1]:
            for number in range(1, calls[call] + 1, every):
                yield Point(fault=fault, call=call, number=number)


def campaign(*, faults, guard, every, jobs):
    """Strikes at every point and gives the figures."""
    points = list(points_of(faults, Counter(call for call, _ in list_calls()), every=every))
    with ThreadPoolExecutor(jobs) as pool:
        all_struck = list(pool.map(lambda p: strike(p, guard=guard), points))
    reached = [s for s in all_struck if s.reached]
    wrong = [s for s in reached if s.wrong]
    return {
        "guard": guard,
        "points": len(points),
        "points_reached": len(reached),
        "by_fault": dict(Counter(s.point.fault for s in reached)),
        "by_call": dict(Counter(s.point.call for s in reached)),
        "told_refused": sum(s.refused for s in reached),
        "points_that_lost_acknowledged": sum(s.found.lost > 0 for s in reached),
        "runs_that_do_not_open": sum(not s.found.opens for s in reached),
        "points_with_anything_wrong": len(wrong),
        "wrong_by_fault": dict(Counter(f"{s.point.fault} {s.point.call}" for s in wrong)),
        "examples": [
            f"{s.point.fault} at {s.point.call} {s.point.number}: {'; '.join(s.wrong)[:300]}"
            for s in wrong
        ][:12],
    }


def table_line(figures):
    """The line for DEVELOPERS.md."""
    kinds = ", ".join(f"{n} × {f}" for f, n in figures["by_fault"].items())
    return (
        f"| a fault at each storage call of making, writing, beginning a part, closing, sealing "
        f"({kinds}): points that lost acknowledged readings; runs that don't open; anything else "
        f"wrong | {figures['points_that_lost_acknowledged']} of {figures['points_reached']}; "
        f"{figures['runs_that_do_not_open']}; {figures['points_with_anything_wrong']} | "
        f"`python -m tests.campaigns.storage_faults` |"
    )


def main():
    """Prints the figures as JSON, and the table's line on standard error; 1 where it failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--faults", nargs="+", choices=tuple(FAULTS), default=list(FAULTS))
    parser.add_argument("--guard", choices=GUARDS, default=GUARDS[0])
    parser.add_argument("--every", type=int, default=1, help="try only every so-manieth point")
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    os.nice(5)
    figures = campaign(faults=given.faults, guard=given.guard, every=given.every, jobs=given.jobs)
    print(json.dumps(figures, indent=2))
    print(table_line(figures), file=sys.stderr)
    return int(bool(figures["points_with_anything_wrong"]) or not figures["points_reached"])


if __name__ == "__main__":
    raise SystemExit(main())
