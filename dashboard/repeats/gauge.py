"""How much of what is seen is the measuring: a gauge study of items × groups × repeats.

Each item is measured by each group, several times. Analysis of variance of the crossed random
model parts the variance into the equipment's (*ev*, repeats of one group), the groups' (*av*),
the interaction of items and groups, together the gauge's (*grr*), and the items' own (*pv*);
the total is *tv*. (AIAG Measurement Systems Analysis, 4th ed. 2010, crossed study by analysis of
variance, with its common marks: below 10 % of the total good, above 30 % not fit for use, five
distinct categories or more.)

The interaction is dropped where its probability by chance is above 0.25: its mean square is then
pooled with the error's. Intervals don't lean on that choice: they are those of the full model, by
chi-square for ev and modified large sample for the rest (Burdick, Borror and Montgomery, Design
and Analysis of Gauge R&R Studies, 2005), so they hold whether there is an interaction or not; the
interval of a ratio is found where that of a difference turns from one sign to the other. With
three groups their variance is known from two degrees of freedom: the intervals of av and grr are
as wide as that.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from dashboard.repeats.crossed import crossed_squares
from dashboard.repeats.distributions import f_above
from dashboard.repeats.gauge_components import (
    Component,
    FullSquares,
    components,
    ratio_interval,
)
from dashboard.repeats.gauge_ranges import AverageAndRange, average_and_range
from dashboard.repeats.intervals import LEVEL, Interval, MeanSquare
from dashboard.repeats.measurements import (
    Measurements,
    NotEnough,
    balanced_cells,
    is_provisional,
)

POOLING = 0.25
"""An interaction more probable than this by chance is pooled with the error."""
GOOD_PERCENT, POOR_PERCENT = 10.0, 30.0
CATEGORIES = 5
TO_CATEGORIES = 1.41
"""Distinct categories: 1.41·pv/grr, as the source rounds √2."""
SOURCE = (
    "AIAG Measurement Systems Analysis, 4th ed. 2010: crossed study by analysis of variance; "
    "intervals: Burdick, Borror and Montgomery 2005, modified large sample"
)

Mark = Literal["below 10 %", "10 to 30 %", "above 30 %"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AnovaRow:
    """A line of the analysis of variance; ``f`` and ``p`` are None where nothing is tested."""

    term: Literal["items", "groups", "interaction", "error", "pooled error", "total"]
    ss: float
    dof: float
    ms: float | None = None
    f: float | None = None
    p: float | None = None

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "term": self.term,
            "ss": self.ss,
            "dof": self.dof,
            "ms": self.ms,
            "f": self.f,
            "p": self.p,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """A gauge study.

    Attributes:
        items: number of items.
        groups: number of groups.
        repeats: values in each cell.
        pooled: whether the interaction was pooled with the error.
        interaction_p: its probability by chance; None where repeats don't scatter.
        parts: the standard deviations ev, av, interaction, reproducibility (av and interaction
            together), grr, pv, tv, each with its interval.
        grr_share: interval of grr/tv.
        ratio: pv/grr; None where grr is zero.
        ratio_interval: of that.
        anova: the lines of the analysis.
        ranges: the same from averages and ranges, as was done by hand.
    """

    items: int
    groups: int
    repeats: int
    pooled: bool
    interaction_p: float | None
    parts: Mapping[str, Component]
    grr_share: Interval
    ratio: float | None
    ratio_interval: Interval
    anova: tuple[AnovaRow, ...]
    ranges: AverageAndRange

    @property
    def n(self) -> int:
        """How many values."""
        return self.items * self.groups * self.repeats

    @property
    def percent_of_tv(self) -> dict[str, float]:
        """Each standard deviation in per cent of the total's; these don't add up to 100."""
        return {name: 100 * self._share(name) for name in self.parts if name != "tv"}

    @property
    def percent_contribution(self) -> dict[str, float]:
        """Each variance in per cent of the total's; ev, av, interaction and pv add up to 100."""
        return {name: 100 * self._share(name) ** 2 for name in self.parts if name != "tv"}

    @property
    def ndc(self) -> float | None:
        """Distinct categories, not rounded; None where grr is zero."""
        return None if self.ratio is None else TO_CATEGORIES * self.ratio

    @property
    def mark(self) -> Mark:
        """Between which of the common marks grr lies, in per cent of tv."""
        return _mark(self.percent_of_tv["grr"])

    @property
    def mark_is_certain(self) -> bool:
        """Whether the whole interval of grr lies between the same marks."""
        ends = (self.grr_share.low, self.grr_share.high)
        return all(_mark(100 * end) == self.mark for end in ends)

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        share, ratio = self.grr_share, self.ratio_interval
        categories = Interval(low=TO_CATEGORIES * ratio.low, high=TO_CATEGORIES * ratio.high)
        document: dict[str, Any] = {
            "source": SOURCE,
            "level": LEVEL,
            "n": self.n,
            "provisional": is_provisional(self.n),
            "items": self.items,
            "groups": self.groups,
            "repeats": self.repeats,
            "pooled": self.pooled,
            "pooling_alpha": POOLING,
            "interaction_p": self.interaction_p,
        }
        for name, part in self.parts.items():
            document[name] = part.s
            document[f"{name}_interval"] = part.interval.document()
        return document | {
            "percent_of_tv": self.percent_of_tv,
            "percent_contribution": self.percent_contribution,
            "percent_grr": self.percent_of_tv["grr"],
            "percent_grr_interval": [100 * share.low, 100 * share.high],
            "ndc": self.ndc,
            "ndc_interval": categories.document(),
            "ndc_whole": None if self.ndc is None else math.floor(self.ndc),
            "enough_categories": self.ndc is None or self.ndc >= CATEGORIES,
            "mark": self.mark,
            "mark_is_certain": self.mark_is_certain,
            "anova": [row.document() for row in self.anova],
            "average_and_range": self.ranges.document(),
        }

    def _share(self, name: str) -> float:
        return self.parts[name].s / self.parts["tv"].s


def gauge(measurements: Measurements) -> Gauge:
    """The gauge study of a table.

    Raises:
        NotEnough: where there are fewer than two items, groups or repeats, or where a cell has
            more or fewer values than the others, or all values are equal.
    """
    squares, table = _full_squares(measurements)
    interaction_p = _above(squares.interaction, squares.error)
    pooled = _may_be_pooled(squares, interaction_p)
    parts = components(squares, pooled=pooled)
    grr, tv = parts["grr"].s, parts["tv"].s
    if tv == 0:
        raise NotEnough("all values are equal; there is no spread to part")
    ratio = ratio_interval(squares)
    return Gauge(
        items=squares.items,
        groups=squares.groups,
        repeats=squares.repeats,
        pooled=pooled,
        interaction_p=interaction_p,
        parts=parts,
        grr_share=_share_interval(ratio).widened_to(grr / tv),
        ratio=parts["pv"].s / grr if grr > 0 else None,
        ratio_interval=ratio.widened_to(parts["pv"].s / grr) if grr > 0 else ratio,
        anova=_anova(squares, pooled=pooled, interaction_p=interaction_p),
        ranges=average_and_range(table),
    )


def _may_be_pooled(squares: FullSquares, interaction_p: float | None) -> bool:
    """Whether there is no interaction to speak of; repeats without scatter decide by it alone."""
    if interaction_p is None:
        return squares.interaction.value == 0
    return interaction_p > POOLING


def _full_squares(measurements: Measurements) -> tuple[FullSquares, NDArray[np.float64]]:
    table = balanced_cells(measurements)
    items, groups, repeats = table.shape
    for number, what in ((items, "items"), (groups, "groups"), (repeats, "values in each cell")):
        if number < 2:
            raise NotEnough(f"a gauge study needs two {what} or more; there is 1")
    squares = crossed_squares(
        measurements.cells(), measurements.item_names, measurements.group_names
    )
    known = (squares.item, squares.group, squares.interaction, squares.error)
    item, group, interaction, error = (s or MeanSquare(value=0.0, dof=1) for s in known)
    return FullSquares(
        items=items,
        groups=groups,
        repeats=repeats,
        item=item,
        group=group,
        interaction=interaction,
        error=error,
    ), table


def _anova(
    squares: FullSquares, *, pooled: bool, interaction_p: float | None
) -> tuple[AnovaRow, ...]:
    """The lines; items and groups are tested against the interaction, or the pooled error."""
    against = squares.pooled_error if pooled else squares.interaction
    sums = [
        s.value * s.dof for s in (squares.item, squares.group, squares.interaction, squares.error)
    ]
    rows = [
        _tested("items", squares.item, against),
        _tested("groups", squares.group, against),
        AnovaRow(
            term="interaction",
            ss=sums[2],
            dof=squares.interaction.dof,
            ms=squares.interaction.value,
            f=_f(squares.interaction, squares.error),
            p=interaction_p,
        ),
        AnovaRow(term="error", ss=sums[3], dof=squares.error.dof, ms=squares.error.value),
    ]
    if pooled:
        e = squares.pooled_error
        rows.append(AnovaRow(term="pooled error", ss=e.value * e.dof, dof=e.dof, ms=e.value))
    dof = squares.items * squares.groups * squares.repeats - 1
    return (*rows, AnovaRow(term="total", ss=math.fsum(sums), dof=dof))


def _tested(term: Literal["items", "groups"], square: MeanSquare, against: MeanSquare) -> AnovaRow:
    return AnovaRow(
        term=term,
        ss=square.value * square.dof,
        dof=square.dof,
        ms=square.value,
        f=_f(square, against),
        p=_above(square, against),
    )


def _f(square: MeanSquare, against: MeanSquare) -> float | None:
    return square.value / against.value if against.value > 0 else None


def _above(square: MeanSquare, against: MeanSquare) -> float | None:
    f = _f(square, against)
    return None if f is None else f_above(square.dof, against.dof, f)


def _share_interval(ratio: Interval) -> Interval:
    """grr/tv from pv/grr: 1/√(1 + ratio²)."""
    return Interval(low=1 / math.hypot(1, ratio.high), high=1 / math.hypot(1, ratio.low))


def _mark(percent: float) -> Mark:
    if percent < GOOD_PERCENT:
        return "below 10 %"
    return "10 to 30 %" if percent <= POOR_PERCENT else "above 30 %"
