"""The load chart that is kept in a run."""

from __future__ import annotations

from logger.readings.chart_table import read_load_chart
from logger.readings.load_chart import LoadChart
from logger.recording.run import Run


def chart_of(run: Run) -> LoadChart | None:
    """The load chart that a run's test file named, as it was then; None where it named none.

    Raises:
        FileInvalid: where what is kept is no load chart.
    """
    kept = run.header.load_chart_csv
    if not kept:
        return None
    name = run.header.test.crane.chart or "load chart"
    return read_load_chart(kept, name=f"{name} in run {run.header.run_id}")
