"""The crane's load chart that a test file names, read from beside it."""

from __future__ import annotations

from pathlib import Path

from logger.cli.options import read_text
from logger.errors import FileInvalid
from logger.readings.chart_table import LARGEST_CHART_BYTES, read_load_chart
from logger.readings.load_chart import LoadChart
from logger.readings.test_file import TestFile


def read_chart_file(path: Path) -> tuple[LoadChart, str]:
    """A load chart, parsed and verbatim.

    Raises:
        FileInvalid: where it is missing, too large, or no load chart.
    """
    try:
        if path.is_file() and path.stat().st_size > LARGEST_CHART_BYTES:
            raise FileInvalid(
                where=str(path),
                what=f"is larger than {LARGEST_CHART_BYTES // 1000} kB",
                would_do="keep to the lines of this crane",
            )
    except OSError as exc:
        raise FileInvalid(where=str(path), what=f"can't be read ({exc.strerror})") from exc
    text = read_text(path, wanted="a load chart (CSV)")
    return read_load_chart(text, name=str(path)), text


def chart_text_of(test: TestFile, test_path: Path) -> str:
    """The text of the chart that a test file names, checked; empty where it names none.

    Args:
        test: the test file.
        test_path: where it lies; the chart's name counts from its folder.

    Raises:
        FileInvalid: where the chart is missing or no load chart.
    """
    if not test.crane.chart:
        return ""
    path = test_path.parent / test.crane.chart
    if not path.is_file():
        what = "is no file" if path.exists() else "there is no such file"
        raise FileInvalid(
            where=str(path),
            what=f"{what}, and {test_path} names it as the load chart",
            would_do="put it there, or take chart out of [crane]",
        )
    return read_chart_file(path)[1]
