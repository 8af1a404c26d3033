"""Measures how long a folder of many runs takes to be listed.

Not part of the suite::

    python -m tests.campaigns.list_runs --runs 1000

The runs are short ones of one simulated rig, each with a test of its own. Times are of the
processor, so that a busy machine tells the same.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from plotly.utils import PlotlyJSONEncoder

from dashboard.figures.units import SI
from dashboard.pages import runs
from dashboard.pages.page import read_query
from dashboard.run_library import RunLibrary
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.sample_runs import seal_sample


def make_folder(folder: Path, count: int) -> None:
    """Seals many runs."""
    with tempfile.TemporaryDirectory() as elsewhere:
        source = open_run(seal_sample(Path(elsewhere), scenario="steady").path)
        blocks = [source.raw("slew", 0, 5_000_000_000)]
        text, test = source.header.test_toml, source.header.test.test.id
        for number in range(count):
            header = replace(
                source.header,
                run_id=f"r{number:05}",
                test_toml=text.replace(f'id = "{test}"', f'id = "t{number:05}"', 1),
                started_utc=f"2026-06-{1 + number % 28:02}T{number // 28 % 24:02}:00:00Z",
            )
            write_sealed(folder / f"r{number:05}.parquet", header, blocks)


def measure(folder: Path) -> dict[str, float]:
    """Processor seconds of each step, and bytes of the page."""
    library = RunLibrary(folder, analyse=lambda _: {"findings": []})
    library.want = lambda wanted: [None for _ in wanted]
    wall = time.monotonic()
    first = runs.layout(library, None, read_query("", units=SI))
    found = {"page at first, wall s": time.monotonic() - wall}
    found["runs on it"] = len(library.shelf(patience_s=0.0).runs)
    start = time.process_time()
    library.shelf()
    found["opening the rest, s"] = time.process_time() - start
    start = time.process_time()
    library.shelf()
    found["looking again, s"] = time.process_time() - start
    start = time.process_time()
    page = runs.layout(library, None, read_query("", units=SI))
    found["page once all are open, s"] = time.process_time() - start
    found["page, MB"] = len(json.dumps(page, cls=PlotlyJSONEncoder)) / 1e6
    library.close()
    del first
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--folder", type=Path, help="a folder of runs that is there already")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = asked.folder or Path(made)
        if asked.folder is None:
            make_folder(folder, asked.runs)
        for name, figure in measure(folder).items():
            print(f"{name}: {figure:.3f}")


if __name__ == "__main__":
    main()
