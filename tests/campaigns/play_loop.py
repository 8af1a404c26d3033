"""Real runs played and recorded again: what comes back, and what the faster clock costs.

Each run goes through the console's player and recorder, its serial sources by pseudo-terminals and
its topics by mosquitto, as they were recorded. Raw values must be the same bit for bit and device
times to the nanosecond; lifts and sectors are printed side by side.

    python -m tests.campaigns.play_loop recordings/*.parquet --speed 20
"""

from __future__ import annotations

import argparse
import json
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np

from dashboard.results import analyse
from logger.recording.run import open_run
from tests.broker import running_broker
from tests.test_record import Recording
from tests.warm_process import COMMAND, WarmProcess


def played(path, speed, folder):
    """The run that is recorded of a played one, and what the player told."""
    run = open_run(path, corrected=False)
    bench = folder / "bench"
    with running_broker(folder, saves_each_change=False) as broker:
        mqtt = [f"--mqtt={s.id}={broker.url}" for s in run.header.rig.source if s.kind == "mqtt"]
        player = WarmProcess(
            [*COMMAND, "play", path, "--bench", bench, *mqtt, f"--speed={speed:g}", "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        while not (bench / "test.toml").exists() and player.poll() is None:
            time.sleep(0.05)
        recording = Recording(
            *("--rig", bench / "rig.toml", "--test", bench / "test.toml", "-o", folder / "runs"),
            f"--played-speed={speed:g}",
        )
        try:
            told, said = player.communicate()
            if player.returncode:
                raise SystemExit(said)
            return run, open_run(recording.end()["path"]), json.loads(told)
        finally:
            recording.close()


def worst_off_ns(run, again):
    """How far device times are off at most, ns; None where a raw value differs."""
    worst = 0
    for channel in run.channels:
        was, now = run.raw(channel), again.raw(channel)
        if was.value.tobytes() != now.value.tobytes():
            return None
        source = run.header.rig.wired(channel).source
        fits = [
            next(f for c, f in r.header.clock_fits.items() if c.startswith(f"{source}#"))
            for r in (run, again)
        ]
        off_ns = fits[0].to_device(was.t_ns) - fits[1].to_device(now.t_ns)
        worst = max(worst, int(np.abs(off_ns).max()))
    return worst


def lifts(result):
    """Side, wheel and angle of each sweep's first lift."""
    return [
        (s["side"], f["wheel"], f["slew_deg"])
        if (f := s["first_lift"])
        else (s["side"], None, None)
        for s in result["sweeps"]
    ]


def sectors(result):
    """Side, ends, percentage and basis of each sector."""
    return [
        (s["side"], s["from_deg"], s["to_deg"], s["percent"], s["basis"]) for s in result["sectors"]
    ]


def main():
    """Plays each run and prints what came of it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("runs", nargs="+", type=Path)
    parser.add_argument("--speed", type=float, default=20.0)
    asked = parser.parse_args()
    for path in asked.runs:
        with tempfile.TemporaryDirectory() as folder:
            run, again, told = played(path, asked.speed, Path(folder))
            off_ns = worst_off_ns(run, again)
            was, now = analyse(run), analyse(again)
        late = max(s["late_s"] for s in told["sources"])
        u_s = max(f.u_s for f in again.header.clock_fits.values())
        print(f"{path.name}: {sum(again.header.samples.values())} readings,", end=" ")
        print(
            "values differ" if off_ns is None else f"values same, device times ± {off_ns} ns,",
            end=" ",
        )
        print(f"late {late:.3f} s at most, clocks u = {1000 * u_s:.0f} ms of the run")
        for words in (lifts, sectors):
            before, after = words(was), words(now)
            print("  same" if before == after else f"  was {before}\n  now {after}", words.__name__)


if __name__ == "__main__":
    main()
