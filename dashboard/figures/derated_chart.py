"""The derated load chart as texts, in either system of units, always to the safe side.

Loads are derated in the chart's own step, then rounded down again where the reader's unit is
another. Radii are rounded down too: a load may hang up to its radius and no farther.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from dashboard.capacity.rounding import round_down
from dashboard.capacity.sectors.load_chart import (
    SectorLike,
    derated_kg,
    percentages,
    places_words,
)
from dashboard.figures.units import Measure, Units
from dashboard.figures.words import number_words, plain_number
from logger.readings.load_chart import ChartRow, ChartUnit, LoadChart

CONVERTED = "Converted from the units of the maker's chart: loads and radii are rounded down."


@dataclass(frozen=True, slots=True, kw_only=True)
class DeratedRow:
    """A line of a derated chart.

    Attributes:
        boom_length: empty in a chart that names none.
        radius: up to which the loads may hang.
        makers: what the maker's chart allows.
        loads: what is left of it, one for each percentage.
    """

    boom_length: str
    radius: str
    makers: str
    loads: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeratedChart:
    """A derated chart as texts.

    Attributes:
        load_unit: in which the loads stand.
        length_unit: in which radii and boom lengths stand.
        shares: the percentages, greatest first, such as ``92 %``.
        places: which sectors have each of them.
        rows: a line for each line of the chart.
        converted: whether loads or radii stand in other units than the maker's.
    """

    load_unit: str
    length_unit: str
    shares: tuple[str, ...]
    places: tuple[str, ...]
    rows: tuple[DeratedRow, ...]
    converted: bool

    @property
    def has_boom_lengths(self) -> bool:
        """Whether its lines name boom lengths."""
        return any(row.boom_length for row in self.rows)


def derated_chart(
    chart: LoadChart,
    sectors: Sequence[SectorLike],
    units: Units,
    *,
    boom_length_m: float | None = None,
) -> DeratedChart | None:
    """The chart by percentage; None where nothing may be lifted.

    Args:
        chart: the crane's chart.
        sectors: of both sides.
        units: in which it is read.
        boom_length_m: only the lines of this boom length, m.
    """
    shares = percentages(sectors)
    if not shares:
        return None
    return DeratedChart(
        load_unit=units.mass.unit,
        length_unit=units.length.unit,
        shares=tuple(f"{plain_number(p)} %" for p in shares),
        places=tuple(places_words(sectors, p) for p in shares),
        rows=tuple(_row(chart, row, shares, units) for row in chart.rows_of(boom_length_m)),
        converted=chart.load_unit.name != units.mass.unit
        or chart.radius_unit.name != units.length.unit,
    )


def load_at_most(load_kg: float, chart: LoadChart, measure: Measure) -> str:
    """A load of a chart, rounded down where the unit is not the chart's own; without the unit."""
    own = chart.load_unit
    digits = own.decimals if own.name == measure.unit else 0
    return number_words(round_down(measure.of(load_kg), 10.0**-digits), "", digits=digits)


def length_at_most(length_m: float, own: ChartUnit, measure: Measure) -> str:
    """A length of a chart, rounded down where the unit is not its own; without the unit."""
    same = own.name == measure.unit
    digits = own.decimals if same else max(measure.digits, 2)
    return number_words(round_down(measure.of(length_m), 10.0**-digits), "", digits=digits)


def _row(chart: LoadChart, row: ChartRow, shares: Sequence[float], units: Units) -> DeratedRow:
    boom = length_at_most(row.boom_length_m, chart.length_unit, units.length)
    return DeratedRow(
        boom_length=boom if chart.has_boom_lengths else "",
        radius=length_at_most(row.radius_m, chart.radius_unit, units.length),
        makers=load_at_most(row.load_kg, chart, units.mass),
        loads=tuple(_loads(chart, row, shares, units)),
    )


def _loads(chart: LoadChart, row: ChartRow, shares: Sequence[float], units: Units) -> Iterator[str]:
    for percent in shares:
        load_kg = derated_kg(row.load_kg, percent, step_kg=chart.load_step_kg)
        yield load_at_most(load_kg, chart, units.mass)
