"""Memory and descriptors of a recorder that is fed for long at a high rate.

Not part of the suite::

    python -m tests.campaigns.soak --minutes 72      # 24 h of readings, at 20 times their rate
    python -m tests.campaigns.soak --minutes 5

300 readings a second, 20 times faster: 6,000 a second over a serial line and a broker, with
wheel lifts and a note now and then. Once a second the process's resident memory, descriptors
and threads are read. The slope is a straight line through the memory after the first part of
the time (a fifth, five minutes at most), in which Python and its libraries grow to their size.
The pass line is 1 MB for an hour of readings, that is for 3 minutes of the campaign's time;
the slope by the campaign's own hours is printed too.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from logger.recording.run import open_run
from tests.broker import running_broker
from tests.feeding import COMMAND, BoomPublisher, Fed, Feed, SerialEnd, counters, write_files

FASTER = 20
READINGS_HZ = 300
PACKS_HZ = 50
MOST_MB_AN_HOUR = 1.0
NOTE_EVERY_S = 20
LIFT_EVERY_S = 10


def looks(process):
    """Resident memory in MB, descriptors, threads of a process."""
    pages = int(Path(f"/proc/{process.pid}/statm").read_text().split()[1])
    descriptors = sum(1 for _ in Path(f"/proc/{process.pid}/fd").iterdir())
    threads = sum(1 for _ in Path(f"/proc/{process.pid}/task").iterdir())
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6, descriptors, threads


def watch(fed, line, journal, *, seconds):
    """Looks once a second, and lets things happen; rows of (s, MB, descriptors, threads)."""
    rows, start_s, second = [], time.monotonic(), 0
    while (now_s := time.monotonic() - start_s) < seconds and fed.process.poll() is None:
        rows.append((now_s, *looks(fed.process)))
        second += 1
        if second % LIFT_EVERY_S == 0:
            line.open_wheel.set()
        elif second % LIFT_EVERY_S == 1:
            line.open_wheel.clear()
        if second % NOTE_EVERY_S == 0:
            subprocess.run(
                [*COMMAND, "note", "text", f"soak {second}", "--run", str(journal)],
                capture_output=True,
                check=False,
            )
        time.sleep(max(0.0, start_s + second - time.monotonic()))
    return np.array(rows)


def campaign(*, minutes):
    """Feeds a recorder and gives the figures."""
    share = FASTER * READINGS_HZ / (2 * PACKS_HZ)
    with ExitStack() as ends:
        place = ends.enter_context(tempfile.TemporaryDirectory())
        broker = ends.enter_context(running_broker(place))
        line = ends.enter_context(SerialEnd(readings=round(share)))
        boom = ends.enter_context(BoomPublisher(broker.port, readings=round(share)))
        options = write_files(place, port=line.name, broker_port=broker.port)
        fed = ends.enter_context(Fed(options, f"{place}/runs"))
        _, began = fed.wait_for("recording")
        mast, booms = Feed(line.send, rate_hz=PACKS_HZ), Feed(boom.send, rate_hz=PACKS_HZ)
        with mast, booms:
            rows = watch(fed, line, began["path"], seconds=60 * minutes)
        time.sleep(1)
        sealed_s = time.monotonic()
        sealed = fed.end(seconds=600)
        sealed_s = time.monotonic() - sealed_s
        run = open_run(sealed["path"])
        run.verify()
        missing = sum(
            len(set(range(len(feed.sent_ns))) - counters(run, channel)[0])
            for channel, feed in (("slew", mast), ("boom_length", booms))
        )
    settled = rows[rows[:, 0] > min(300.0, rows[-1, 0] / 5)]
    slope_mb_a_s, _ = np.polyfit(settled[:, 0], settled[:, 1], 1)
    return {
        "minutes": round(rows[-1, 0] / 60, 1),
        "readings": sealed["samples"],
        "readings_a_second": round(sealed["samples"] / rows[-1, 0]),
        "missing_packs": missing,
        "memory_mb": [round(float(m), 1) for m in settled[[0, len(settled) // 2, -1], 1]],
        "slope_mb_for_an_hour_of_readings": round(float(slope_mb_a_s) * 3600 / FASTER, 3),
        "slope_mb_for_an_hour_of_the_campaign": round(float(slope_mb_a_s) * 3600, 2),
        "descriptors": [int(settled[:, 2].min()), int(settled[:, 2].max()), int(settled[-1, 2])],
        "descriptors_at_start": int(settled[0, 2]),
        "threads": [int(settled[:, 3].min()), int(settled[:, 3].max())],
        "sealing_s": round(sealed_s, 1),
    }


def passed(figures):
    """Whether the pass line is met; descriptors may rise for a moment, but not stay."""
    return (
        figures["slope_mb_for_an_hour_of_readings"] < MOST_MB_AN_HOUR
        and figures["descriptors"][2] <= figures["descriptors_at_start"]
        and figures["missing_packs"] == 0
    )


def main():
    """Prints the figures as JSON, and the table's line on standard error; 1 where it failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=72)
    given = parser.parse_args()
    figures = campaign(minutes=given.minutes)
    print(json.dumps(figures, indent=2))
    print(
        f"| {figures['minutes'] * FASTER / 60:.1f} h of readings at {FASTER} times their rate "
        f"({figures['readings_a_second']}/s): memory for an hour of readings; descriptors; packs "
        f"missing | {figures['slope_mb_for_an_hour_of_readings']} MB; "
        f"{figures['descriptors'][0]} to {figures['descriptors'][1]}; "
        f"{figures['missing_packs']} | `python -m tests.campaigns.soak` |",
        file=sys.stderr,
    )
    return int(not passed(figures))


if __name__ == "__main__":
    raise SystemExit(main())
