"""One random bit flipped in each of many copies of a sealed run: does ``verify`` find all?

Not part of the suite, which tries some::

    python -m tests.campaigns.bit_flips --copies 1000
    python -m tests.campaigns.bit_flips --copies 200 --guard pages-only

A run with four channels is sealed. Of each copy one bit is flipped, anywhere in the file; where
neither opening nor ``verify`` objects, the flip was missed. A few copies go through the command
too, which must end with exit 2 and one line. ``pages-only`` removes the guard, the hash of the
whole file and the content hash, and reads with Parquet's own page checksums alone: it must miss
some, else the campaign could not see any. An untouched copy must pass.
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import RunUnreadable
from logger.readings.block import Block
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.rig_of_a_bay import header

GUARDS = ("none-removed", "pages-only")
CHANNELS = ("load", "slew", "wheel/rear_left", "wheel/rear_right")
COMMAND = [sys.executable, "-m", "dashboard", "verify"]


def make_run(path, *, samples, seed):
    """Seals a run of random readings, the same for the same arguments."""
    rng = np.random.default_rng(seed)
    blocks = [
        Block(
            channel=channel,
            t_ns=np.sort(rng.integers(0, 600_000_000_000, samples // len(CHANNELS))),
            value=rng.integers(0, 4096, samples // len(CHANNELS)).astype(np.float64),
        )
        for channel in CHANNELS
    ]
    write_sealed(path, header(), blocks)


def objects(path, guard):
    """The sentence with which a copy is refused; empty where it is taken for whole."""
    if guard == "pages-only":
        try:
            pq.ParquetFile(path, page_checksum_verification=True).read()
        except (OSError, pa.ArrowException, UnicodeDecodeError) as exc:
            return str(exc) or "refused"
        return ""
    try:
        open_run(path).verify()
    except RunUnreadable as exc:
        return str(exc)
    return ""


def command_objects(path):
    """Whether the command refuses a copy in one line, exit 2."""
    done = subprocess.run(
        [*COMMAND, str(path)], capture_output=True, text=True, check=False, timeout=60
    )
    lines = done.stderr.strip().splitlines()
    # 1: not as it was sealed; 2: not even readable as a run.
    return done.returncode in (1, 2) and len(lines) == 1 and done.stdout == ""


def campaign(*, copies, by_command, samples, guard, seed):
    """Flips a bit in each copy and gives the figures."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:
        whole, copy = Path(folder) / "whole.parquet", Path(folder) / "copy.parquet"
        make_run(whole, samples=samples, seed=seed)
        content = bytearray(whole.read_bytes())
        copy.write_bytes(content)
        untouched = not objects(copy, guard)
        missed, reasons, by_command_found = [], Counter(), 0
        for number in range(copies):
            bit = chance.randrange(8 * len(content))
            content[bit // 8] ^= 1 << bit % 8
            copy.write_bytes(content)
            sentence = objects(copy, guard)
            if not sentence:
                missed.append(bit)
            reasons[sentence.replace(str(copy), "").split(";")[0][:60]] += 1
            if number < by_command:
                by_command_found += command_objects(copy)
            content[bit // 8] ^= 1 << bit % 8
    return {
        "guard": guard,
        "file_bytes": len(content),
        "copies": copies,
        "found": copies - len(missed),
        "missed_bits": missed[:10],
        "untouched_copy_passes": untouched,
        "by_command": by_command,
        "found_by_command": by_command_found,
        "said": dict(reasons.most_common(8)),
    }


def passed(figures):
    """Whether the pass line is met."""
    return (
        figures["found"] == figures["copies"] > 0
        and figures["untouched_copy_passes"]
        and figures["found_by_command"] == figures["by_command"]
    )


def main():
    """Prints the figures as JSON, and the table's line on standard error; 1 where it failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--copies", type=int, default=1000)
    parser.add_argument("--by-command", type=int, default=5)
    parser.add_argument("--samples", type=int, default=40_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guard", choices=GUARDS, default=GUARDS[0])
    given = parser.parse_args()
    figures = campaign(
        copies=given.copies,
        by_command=given.by_command,
        samples=given.samples,
        guard=given.guard,
        seed=given.seed,
    )
    print(json.dumps(figures, indent=2))
    bound = f"under {3 / given.copies:.2%} missed at 95 %"
    print(
        f"| one random bit flipped in a sealed run of {figures['file_bytes']} bytes: found by "
        f"`verify` | {figures['found']} of {figures['copies']} ({bound}) | "
        f"`python -m tests.campaigns.bit_flips` |",
        file=sys.stderr,
    )
    return int(not passed(figures))


if __name__ == "__main__":
    raise SystemExit(main())
