"""Makes a run of 36 million samples and compares reading it with plain pyarrow.

Not part of the suite; needs 100 MB of disk and 2 GB of memory::

    python tests/campaigns/read_36m.py --run big.parquet

The run is the same each time for the same arguments: slew encoder, load cell, radius sensor and
four wheels at 1 kHz each, on an invented truck that is slewed to both sides; its duration follows
from the number of samples (86 minutes for 36 million). The figures printed are the least of
several rounds, with the file in the page cache.
"""

from __future__ import annotations

import argparse
import json
import resource
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from logger.readings.block import Block
from logger.recording.header import Note, RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed

RIG = """
[rig]
id = "big"
[[source]]
id = "mast"
kind = "serial"
port = "/dev/ttyUSB0"
[[channel]]
id = "slew"
source = "mast"
name = "enc"
unit = "deg"
scale = 0.087890625
wraps_at = 4096
[[channel]]
id = "load"
source = "mast"
name = "load"
unit = "kg"
scale = 0.05
[[channel]]
id = "radius"
source = "mast"
name = "radius"
unit = "m"
scale = 0.001
""" + "".join(
    f'[[channel]]\nid = "wheel/{w}"\nsource = "mast"\nname = "{w}"\nclosed_when = true\n'
    for w in ("front_left", "front_right", "rear_left", "rear_right")
)
TEST = """
[test]
id = "big-1"
[truck]
id = "invented"
wheels = ["front_left", "front_right", "rear_left", "rear_right"]
slew_limit_right = "172 deg"
slew_limit_left = "168 deg"
[crane]
rated_moment = "45 kN·m"
[load]
parts = [{ name = "block", mass = "1360 kg", u = "2 kg" }, { name = "hook block", mass = "40 kg" }]
above_cell = "40 kg"
"""
LIFTS_DEG = {"rear_left": 74.6, "rear_right": -79.2}
RATE_HZ = 1000


def samples(total: int, seed: int) -> Iterator[Block]:
    """Blocks of all channels in the file's order, about ``total`` samples in all."""
    channels = ["load", "radius", "slew"]
    channels += [f"wheel/{w}" for w in ("front_left", "front_right", "rear_left", "rear_right")]
    count = total // len(channels)
    rng = np.random.default_rng(seed)
    t_ns = np.arange(count, dtype=np.int64) * (10**9 // RATE_HZ)
    # Rest, right sweep and back, rest, left sweep and back, rest.
    knots = np.linspace(0, count, 10)
    sweep_deg = np.interp(np.arange(count), knots, [0, 0, 170, 170, 0, 0, -165, -165, 0, 0])
    # The load is set down between the sweeps and before and after them.
    hung_kg = (
        np.interp(
            np.arange(count), knots[[0, 1, 1, 4, 4, 5, 5, 8, 8, 9]], [0, 0, 1, 1, 0, 0, 1, 1, 0, 0]
        )
        * 1360.0
    )
    for channel in channels:
        jitter_ns = rng.integers(-50_000, 50_000, count)
        if channel == "slew":
            value = np.rint(sweep_deg / 0.087890625 + rng.normal(0, 0.3, count)) % 4096
        elif channel == "load":
            value = np.rint((hung_kg + rng.normal(0, 1.5, count)) / 0.05)
        elif channel == "radius":
            lifted = (sweep_deg > LIFTS_DEG["rear_left"]) | (sweep_deg < LIFTS_DEG["rear_right"])
            value = np.rint(np.where(lifted, 3490, 3870) + rng.normal(0, 1, count))
        else:
            value = np.ones(count)
            lift_deg = LIFTS_DEG.get(channel.removeprefix("wheel/"))
            if lift_deg is not None:
                beyond = sweep_deg * np.sign(lift_deg) - abs(lift_deg)
                value[(beyond > 0) & (beyond < 1.5)] = 0.0
        yield Block(channel=channel, t_ns=np.maximum(t_ns + jitter_ns, 0), value=value)


def make(path: Path, *, total: int, seed: int) -> None:
    """Makes the run, unless it is there."""
    if path.exists():
        return
    header = RunHeader(
        run_id=path.stem,
        started_utc="2026-05-04T09:30:00Z",
        software="read_36m",
        rig_toml=RIG,
        test_toml=TEST,
        notes=(Note(t_ns=0, kind="text", text="made by a campaign script"),),
    )
    write_sealed(path, header, samples(total, seed))


def least_s(rounds: int, work: object) -> float:
    """Least wall time of several rounds, s."""
    taken = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def main() -> None:
    """Makes the run and prints the figures as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--run", type=Path, required=True)
    parser.add_argument("--samples", type=int, default=36_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=5)
    arguments = parser.parse_args()
    start = time.perf_counter()
    make(arguments.run, total=arguments.samples, seed=arguments.seed)
    made_s = time.perf_counter() - start
    run = open_run(arguments.run)
    middle_ns = sum(run.span_ns) // 2

    def whole() -> None:
        for channel in run.channels:
            run.raw(channel)

    figures = {
        "samples": sum(run.header.samples.values()),
        "file_bytes": arguments.run.stat().st_size,
        "made_s": made_s,
        "open_s": least_s(arguments.rounds, lambda: open_run(arguments.run)),
        "pyarrow_all_columns_s": least_s(
            arguments.rounds, lambda: pq.read_table(arguments.run, use_threads=True)
        ),
        "pyarrow_time_and_value_s": least_s(
            arguments.rounds, lambda: pq.read_table(arguments.run, columns=["t_ns", "value"])
        ),
        "raw_all_channels_s": least_s(arguments.rounds, whole),
        "calibrated_slew_s": least_s(arguments.rounds, lambda: run.calibrated("slew")),
        "ten_minutes_of_load_s": least_s(
            arguments.rounds, lambda: run.raw("load", middle_ns, middle_ns + 600 * 10**9)
        ),
        "ten_minutes_of_slew_calibrated_s": least_s(
            arguments.rounds, lambda: run.calibrated("slew", middle_ns, middle_ns + 600 * 10**9)
        ),
        "verify_s": least_s(1, run.verify),
        "peak_memory_bytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024,
    }
    figures["ratio_raw_to_pyarrow"] = (
        figures["raw_all_channels_s"] / figures["pyarrow_time_and_value_s"]
    )
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    main()
