"""Time and memory of an analysis against reading the run's Parquet columns.

Not part of the suite. Make the run first (see ``read_36m.py``)::

    python tests/campaigns/read_36m.py --run big.parquet
    python -m tests.campaigns.analyse_36m --run big.parquet

Both are timed in turn in one process, and the ratio of the medians is the figure; memory is the
peak of a process that only analyses.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq

from dashboard.results import analyse
from logger.recording.run import open_run

ANALYSE_ONLY = """
import re, sys
from pathlib import Path
from dashboard.results import analyse
from logger.recording.run import open_run
analyse(open_run(sys.argv[1]))
status = Path("/proc/self/status").read_text()
print(1024 * int(re.search(r"VmHWM:\\s+(\\d+)", status).group(1)))
"""


def seconds(what):
    """Wall time of a call, s."""
    start = time.perf_counter()
    what()
    return time.perf_counter() - start


def main():
    """Runs the campaign."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--run", type=Path, required=True)
    parser.add_argument("--rounds", type=int, default=5)
    args = parser.parse_args()
    samples = sum(open_run(args.run).header.samples.values())
    reading, analysing = [], []
    pq.read_table(args.run)  # the first use of pyarrow's memory is slow for anyone
    for _ in range(args.rounds):
        reading.append(seconds(lambda: pq.read_table(args.run)))
        analysing.append(seconds(lambda: analyse(open_run(args.run))))
    out = subprocess.run(
        [sys.executable, "-c", ANALYSE_ONLY, str(args.run)],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    peak = int(out)
    columns_bytes = 16 * samples
    print(
        json.dumps(
            {
                "samples": samples,
                "read_s": round(statistics.median(reading), 3),
                "analyse_s": round(statistics.median(analysing), 3),
                "analyse_over_read": round(
                    statistics.median(analysing) / statistics.median(reading), 2
                ),
                "columns_bytes": columns_bytes,
                "peak_over_columns": round(peak / columns_bytes, 2),
            },
            indent=2,
        )
    )


if __name__ == "__main__":
    main()
