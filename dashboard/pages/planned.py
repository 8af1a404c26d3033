"""A plan made of what stands in the form: the same as the command line makes of its file."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from dashboard.capacity.planning.plan_document import plan_document
from logger.readings.chart_table import read_load_chart
from logger.readings.load_chart import LoadChart
from logger.readings.test_file import TestFile, read_test

PlanDocument = dict[str, Any]


def quick_plan(toml: str, chart_csv: str) -> PlanDocument:
    """The plan without what the truck model says of it, which takes a second.

    Args:
        toml: the test file's text.
        chart_csv: the load chart's text; empty where there is none.

    Raises:
        FileInvalid: where one of them won't do.
    """
    return _made(toml, chart_csv, modelled=False)


def whole_plan(toml: str, chart_csv: str) -> PlanDocument:
    """The whole plan; see :func:`quick_plan`."""
    return _made(toml, chart_csv, modelled=True)


def read(toml: str) -> TestFile:
    """The test of a file's text."""
    return read_test(toml)


@lru_cache(maxsize=16)
def _made(toml: str, chart_csv: str, *, modelled: bool) -> PlanDocument:
    test = read_test(toml)
    if not modelled:
        test = test.model_copy(update={"model": None})
    return plan_document(test, chart=_chart(test, chart_csv))


def _chart(test: TestFile, chart_csv: str) -> LoadChart | None:
    return read_load_chart(chart_csv, name=test.crane.chart or "load chart") if chart_csv else None
