"""How long a sheet takes, from the sealed run to the PDF, and what of it is the setting in type.

Not part of the suite::

    python -m tests.campaigns.sheet_time recordings/lifts-both-sides.parquet

Each round prints the whole sheet in a process of its own, as a person would, and by its side what
`analyze` takes on the same run; the ratio says what paper costs beyond the result. The pass line
is 3 s of wall time at the median. A last line is for sheets of a dashboard that knows the result.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

LIMIT_S = 3.0


def main():
    """Prints the figures as JSON; exit code 1 beyond the limit."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("run", type=Path)
    words.add_argument("--rounds", type=int, default=5)
    asked = words.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "sheet.pdf"
        sheets = [_command("sheet", asked.run, "-o", out) for _ in range(asked.rounds)]
        results = [_command("analyze", asked.run) for _ in range(asked.rounds)]
        pages_bytes = out.stat().st_size
    sheet_s, sheet_cpu_s = (statistics.median(column) for column in zip(*sheets, strict=True))
    result_s, result_cpu_s = (statistics.median(column) for column in zip(*results, strict=True))
    figures = {
        "sheet_s": round(sheet_s, 2),
        "sheet_cpu_s": round(sheet_cpu_s, 2),
        "analyze_s": round(result_s, 2),
        "analyze_cpu_s": round(result_cpu_s, 2),
        "ratio_of_processor_time": round(sheet_cpu_s / result_cpu_s, 2),
        **_with_result_known(asked.run, asked.rounds),
        "pdf_bytes": pages_bytes,
        "passed": sheet_s <= LIMIT_S,
    }
    print(json.dumps(figures, indent=1))
    return 0 if figures["passed"] else 1


def _command(*words):
    """Wall and processor time of a command in a process of its own, s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "dashboard", *map(str, words)], check=True, capture_output=True
    )
    wall_s = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return wall_s, cpu_s


def _with_result_known(run, rounds):
    """Time of a sheet where everything is loaded and the result is known, s."""
    from dashboard.results import analyse
    from dashboard.sheet.gathered import gather_dossier
    from dashboard.sheet.sheet import make_sheet
    from logger.recording.run import open_run

    opened = open_run(run)
    result = analyse(opened)
    wall_s, cpu_s = [], []
    for number in range(rounds + 1):
        start, start_cpu = time.perf_counter(), time.process_time()
        # Another day is another sheet, so that nothing is taken from the compiler's memory.
        day = f"2026-01-{number + 1:02d}"
        make_sheet(gather_dossier(opened, units="si", issued=day, result=result))
        wall_s.append(time.perf_counter() - start)
        cpu_s.append(time.process_time() - start_cpu)
    return {
        "result_known_first_s": round(wall_s[0], 2),
        "result_known_s": round(statistics.median(wall_s[1:]), 2),
        "result_known_cpu_s": round(statistics.median(cpu_s[1:]), 2),
    }


if __name__ == "__main__":
    sys.exit(main())
