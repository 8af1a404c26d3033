"""What a control chart shows, and which of many runs are drawn.

A screen shows some hundred points. For each stretch of runs the least and the greatest value and
moving range are kept, and every signal, so nothing that matters is left out; where even the
signals are too many, those farthest from the middle are kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MOST_POINTS = 400
"""Up to so many runs each is drawn."""
STRETCHES = 100
"""Of more runs, into which they are cut."""
MOST_OF_RULE = 100
"""Signals of one rule that are drawn."""

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPhase:
    """Runs of one build in a row, and their limits.

    Attributes:
        name: the build.
        first: number of its first run, from 0.
        end: number behind its last.
        mean: of the values.
        lower: control limit of a value; None where there are too few runs.
        upper: the other.
        range_mean: mean moving range; None where there are too few.
        range_upper: control limit of a moving range.
    """

    name: str
    first: int
    end: int
    mean: float
    lower: float | None
    upper: float | None
    range_mean: float | None
    range_upper: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartSignal:
    """Runs that one rule points out.

    Attributes:
        words: the rule in a few words.
        mark: plotly's name of its shape.
        at: numbers of the runs, from 0.
        of_range: whether it is the moving range that it points out.
    """

    words: str
    mark: str
    at: tuple[int, ...]
    of_range: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlChart:
    """What is drawn; all values in the unit that is read.

    Attributes:
        values: of each run in order, shape (n,).
        ranges: moving range of each run to the one before it, shape (n,); NaN where a phase
            begins.
        phases: in order, together all runs.
        signals: what the rules point out.
        value_title: stands above the values, with the unit.
        range_title: above the moving ranges.
        days: the day of each run, for the scale.
    """

    values: Values
    ranges: Values
    phases: tuple[ChartPhase, ...]
    signals: tuple[ChartSignal, ...]
    value_title: str
    range_title: str
    days: Sequence[str]


def drawn_runs(chart: ControlChart) -> NDArray[np.intp]:
    """Numbers of the runs that are drawn, in either row."""
    return np.union1d(drawn_in(chart, of_range=False), drawn_in(chart, of_range=True))


def drawn_in(chart: ControlChart, *, of_range: bool) -> NDArray[np.intp]:
    """Numbers of the runs in one row: least and greatest of each stretch, and its signals.

    Args:
        chart: the chart.
        of_range: whether in the row of moving ranges, else in that of values.
    """
    row = chart.ranges if of_range else chart.values
    if row.size <= MOST_POINTS:
        return np.arange(row.size)
    kept = np.zeros(row.size, dtype=bool)
    kept[[n for ends in stretches(row) for n in ends]] = True
    for signal in chart.signals:
        if signal.of_range == of_range:
            kept[list(_worst(chart, signal))] = True
    return np.flatnonzero(kept)


def stretches(row: Values) -> list[tuple[int, int]]:
    """Numbers of the runs with the least and the greatest value of each stretch of runs."""
    found = []
    for part in np.array_split(np.arange(row.size), min(STRETCHES, row.size)):
        finite = part[np.isfinite(row[part])]
        if finite.size:
            found.append((int(finite[np.argmin(row[finite])]), int(finite[np.argmax(row[finite])])))
    return found


def hidden_signals(chart: ControlChart) -> int:
    """How many runs with a signal are not drawn, since there are too many."""
    hidden: set[int] = set()
    for of_range in (False, True):
        told = {n for s in chart.signals if s.of_range == of_range for n in s.at}
        hidden |= told - set(drawn_in(chart, of_range=of_range).tolist())
    return len(hidden)


def _worst(chart: ControlChart, signal: ChartSignal) -> tuple[int, ...]:
    """The runs of a signal, those farthest from the middle of all first, as many as are drawn."""
    at = np.array(signal.at, dtype=np.intp)
    if at.size <= MOST_OF_RULE:
        return signal.at
    row = chart.ranges if signal.of_range else np.abs(chart.values - np.median(chart.values))
    order = np.argsort(-np.nan_to_num(row[at]), kind="stable")
    return tuple(at[order[:MOST_OF_RULE]].tolist())
