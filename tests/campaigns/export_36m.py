"""Time, memory and size of exports of a long run.

Not part of the suite. Make the run first (see ``read_36m.py``)::

    python tests/campaigns/read_36m.py --run big.parquet
    python -m tests.campaigns.export_36m --run big.parquet

Each format is written by a process of its own, at native times, without the result; memory is
that process's peak.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

EXPORT_ONLY = """
import re, sys, time
from pathlib import Path
from dashboard.export_request import read_asked
from dashboard.exporting import export_run
from logger.recording.run import open_run
run, path, *words = sys.argv[1:]
asked = read_asked(dict(w.split("=") for w in words), path=Path(path))
start, spent = time.monotonic(), time.process_time()
done = export_run(open_run(run), None, Path(path), asked)
peak = 1024 * int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text()).group(1))
print(f"{done.rows / 1e6:.1f} M rows, {time.monotonic() - start:.1f} s, "
      f"{time.process_time() - spent:.1f} s of processor, peak {peak / 1e6:.0f} MB, "
      f"{Path(path).stat().st_size / 1e6:.0f} MB on disk")
"""
ASKED = {
    "parquet": ("a.parquet",),
    "mat": ("a.mat",),
    "csv": ("a.csv",),
    "bare csv": ("raw.csv", "raw=yes"),
    "every 10 ms": ("wide.csv", "every=10 ms"),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--run", type=Path, required=True)
    parser.add_argument("--only", choices=ASKED, action="append")
    asked = parser.parse_args()
    for name in asked.only or ASKED:
        file, *words = ASKED[name]
        with tempfile.TemporaryDirectory(dir=asked.run.parent) as folder:
            command = [sys.executable, "-c", EXPORT_ONLY, asked.run, Path(folder) / file, *words]
            print(name, subprocess.check_output(command, text=True).strip(), sep=": ", flush=True)


if __name__ == "__main__":
    main()
