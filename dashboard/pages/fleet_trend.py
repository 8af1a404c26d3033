"""A quantity of a fleet's runs in order, in phases of one build each.

Runs stand in the order of their start. Where builds take turns in time, as they do when several
trucks are tested at once, that would make phases of single runs; then runs stand build by build,
in the order in which the builds were first tested, and it is said.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dashboard.repeats.individuals import RUN, Rule
from dashboard.repeats.trend import Trend, trend


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleWords:
    """What a rule is called, and its shape.

    Attributes:
        words: a few words.
        sign: the shape in a text.
        mark: the same in a figure, by plotly's name.
    """

    words: str
    sign: str
    mark: str

    def __str__(self) -> str:
        return f"{self.sign} {self.words}"


RULES: Mapping[Rule, RuleWords] = {
    "beyond_limit": RuleWords(words="beyond a limit", sign="◆", mark="diamond"),
    "range_beyond_limit": RuleWords(words="step beyond its limit", sign="■", mark="square"),
    "one_side": RuleWords(words=f"{RUN} or more on one side", sign="●", mark="circle"),
    "rising": RuleWords(words=f"{RUN} or more rising", sign="▲", mark="triangle-up"),
    "falling": RuleWords(words=f"{RUN} or more falling", sign="▼", mark="triangle-down"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetTrend:
    """The quantity in order.

    Attributes:
        numbers: rows of the runs in the order that is charted, shape (n,).
        values: of the quantity, in that order, shape (n,).
        found: phases with their limits and signals, and the steps between them.
        by_build: whether runs stand build by build, since builds take turns in time.
        told: by row, the rules that point it out.
    """

    numbers: NDArray[np.intp]
    values: NDArray[np.float64]
    found: Trend
    by_build: bool
    told: Mapping[int, tuple[Rule, ...]]

    def ranges(self) -> NDArray[np.float64]:
        """Moving ranges, shape (n,); NaN where a phase begins."""
        ranges = np.abs(np.diff(self.values, prepend=np.nan))
        ranges[[phase.start for phase in self.found.phases]] = np.nan
        return ranges

    def places(self, rule: Rule) -> tuple[int, ...]:
        """Where in the order a rule points, each place once; of a step, its end."""
        found: set[int] = set()
        for phase in self.found.phases:
            for signal in phase.chart.signals if phase.chart else ():
                if signal.rule == rule:
                    start = signal.stop - 1 if rule == "range_beyond_limit" else signal.start
                    found.update(range(phase.start + start, phase.start + signal.stop))
        return tuple(sorted(found))


def trend_of(
    values: NDArray[np.float64], builds: NDArray[np.object_], practical_limit: float
) -> FleetTrend | None:
    """The trend of a quantity; None where no run has it.

    Args:
        values: of each run in the order of their start, shape (n,); NaN where a run has none.
        builds: of each run, shape (n,), text.
        practical_limit: a difference that matters, in the unit of the values.
    """
    rows = np.flatnonzero(np.isfinite(values))
    if not rows.size:
        return None
    _, first, kinds = np.unique(builds[rows], return_index=True, return_inverse=True)
    by_build = bool(np.count_nonzero(np.diff(kinds)) >= first.size)
    if by_build:
        rows = rows[np.argsort(first[kinds], kind="stable")]
    found = trend(values[rows].tolist(), builds[rows].tolist(), limit=practical_limit)
    made = FleetTrend(numbers=rows, values=values[rows], found=found, by_build=by_build, told={})
    told: dict[int, list[Rule]] = defaultdict(list)
    for rule in RULES:
        for place in made.places(rule):
            told[int(rows[place])].append(rule)
    return FleetTrend(
        numbers=rows,
        values=made.values,
        found=found,
        by_build=by_build,
        told={row: tuple(rules) for row, rules in told.items()},
    )
