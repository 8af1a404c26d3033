"""Repeat tests over time, in phases: a new phase begins where the truck's build changes.

Each phase has a control chart of its own, so its limits describe one build. The step from one
phase to the next is the difference of their means with its interval (unequal spreads allowed) and,
given a practical limit, an answer: within it, beyond it, or open. Values within a phase are taken
as independent; a chart that shows runs says that they are not, and then the interval is too short.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from dashboard.repeats.equivalence import Difference, Equivalence, judged, welch_difference
from dashboard.repeats.individuals import Individuals, chart
from dashboard.repeats.measurements import NotEnough


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """Values in a row of one build.

    Attributes:
        build: name of the build; empty where unknown.
        start: index of its first value.
        values: its values in the order of time.
        chart: its control chart; None for a single value.
    """

    build: str
    start: int
    values: tuple[float, ...]
    chart: Individuals | None

    @property
    def stop(self) -> int:
        """Index after its last value."""
        return self.start + len(self.values)

    def document(self) -> dict[str, Any]:
        """Plain values for JSON; values are counted from 1 over all phases."""
        words: dict[str, Any] = {
            "build": self.build,
            "from": self.start + 1,
            "to": self.stop,
            "n": len(self.values),
        }
        if self.chart is None:
            return words | {"why_not": "a single value has no limits"}
        signals = [signal.document(self.start + 1) for signal in self.chart.signals]
        return words | self.chart.document() | {"signals": signals}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """From one phase to the next.

    Attributes:
        before: index of the earlier phase.
        difference: later mean less earlier mean; None where a phase has a single value.
        equivalence: the difference judged; None without a practical limit or difference.
        why_not: why there is no difference, one line; empty where there is one.
    """

    before: int
    difference: Difference | None
    equivalence: Equivalence | None
    why_not: str

    def document(self) -> dict[str, Any]:
        """Plain values for JSON; phases are counted from 1."""
        words: dict[str, Any] = {"from_phase": self.before + 1, "to_phase": self.before + 2}
        if self.equivalence is not None:
            return words | self.equivalence.document()
        if self.difference is not None:
            return words | self.difference.document()
        return words | {"why_not": self.why_not}


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """All phases and the steps between them, one fewer."""

    phases: tuple[Phase, ...]
    steps: tuple[Step, ...]

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "n": sum(len(phase.values) for phase in self.phases),
            "phases": [phase.document() for phase in self.phases],
            "steps": [step.document() for step in self.steps],
        }


def trend(values: Sequence[float], builds: Sequence[str], *, limit: float | None = None) -> Trend:
    """The phases of values in the order of time.

    Args:
        values: one a test, finite.
        builds: the build that each was made on.
        limit: a difference that matters, above zero, in the unit of the values.

    Raises:
        ValueError: where values and builds differ in number, or the limit isn't above zero.
        NotEnough: without any value.
    """
    if len(values) != len(builds):
        raise ValueError(f"{len(values)} values and {len(builds)} builds; a test has one each")
    if not values:
        raise NotEnough("no values")
    changes = [i for i in range(1, len(builds)) if builds[i] != builds[i - 1]]
    phases = tuple(
        _phase(builds[start], start, values[start:stop])
        for start, stop in pairwise([0, *changes, len(builds)])
    )
    steps = [_step(index, *both, limit) for index, both in enumerate(pairwise(phases))]
    return Trend(phases=phases, steps=tuple(steps))


def _phase(build: str, start: int, values: Sequence[float]) -> Phase:
    return Phase(
        build=build,
        start=start,
        values=tuple(float(v) for v in values),
        chart=chart(values) if len(values) > 1 else None,
    )


def _step(index: int, earlier: Phase, later: Phase, limit: float | None) -> Step:
    try:
        difference = welch_difference(later.values, earlier.values)
    except NotEnough as none:
        return Step(before=index, difference=None, equivalence=None, why_not=none.reason)
    return Step(
        before=index,
        difference=difference,
        equivalence=None if limit is None else judged(difference, limit),
        why_not="",
    )
