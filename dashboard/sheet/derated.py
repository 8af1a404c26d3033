"""The derated load chart on paper, in either system of units, always to the safe side.

Loads are derated in the chart's own step, then rounded down again where the sheet's unit is
another. Radii are rounded down too: a load may hang up to its radius and no farther.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from dashboard.capacity.rounding import round_down
from dashboard.capacity.sectors.load_chart import CAUTION, derated_kg, percentages, places_words
from dashboard.figures.sectors_of_result import sectors_of
from dashboard.figures.units import Measure
from dashboard.figures.words import number_words, plain_number
from dashboard.sheet.blocks import Block, Picture, Section, Table, Words, missing
from dashboard.sheet.dossier import Dossier
from logger.readings.load_chart import ChartRow, ChartUnit, LoadChart

DERATE_YOURSELF = "Take each load of the maker's chart times the sector's percentage, rounded down."
_MAKERS = "maker's chart"
_LONGEST = 400
"""Lines of a chart on the record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeratedChart:
    """A derated chart as texts.

    Attributes:
        head: headings of the columns.
        places: under each heading, which sectors have that percentage; empty for the others.
        rows: a line for each line of the chart.
        converted: whether loads or radii stand in other units than the maker's.
        load_unit: in which the loads stand.
    """

    head: tuple[str, ...]
    places: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    converted: bool
    load_unit: str


def derated_chart(dossier: Dossier) -> DeratedChart | None:
    """The chart by percentage; None without a chart, or where nothing may be lifted."""
    chart, sectors = dossier.chart, sectors_of(dossier.result)
    shares = percentages(sectors)
    if chart is None or not shares:
        return None
    units = dossier.units
    lengths = (f"boom, {units.length.unit}",) if chart.has_boom_lengths else ()
    head = (
        *lengths,
        f"radius, {units.length.unit}",
        _MAKERS,
        *(f"{plain_number(p)} %" for p in shares),
    )
    places = (*("" for _ in lengths), "", "", *(places_words(sectors, p) for p in shares))
    return DeratedChart(
        head=head,
        places=places,
        rows=tuple(tuple(_line(chart, row, shares, dossier)) for row in chart.rows),
        load_unit=units.mass.unit,
        converted=chart.load_unit.name != units.mass.unit
        or chart.radius_unit.name != units.length.unit,
    )


def on_placard(chart: DeratedChart) -> dict[str, Any]:
    """The chart without what a placard says elsewhere: the maker's column, and one boom length.

    Returns:
        Its head and rows, and the only boom length as a sentence; empty where there are several.
    """
    boom = [h for h in chart.head if h.startswith("boom")]
    lengths = {row[0] for row in chart.rows} if boom else set()
    only = lengths.pop() if len(lengths) == 1 else ""
    left_out = {chart.head.index(_MAKERS), *([0] if only else [])}
    kept = [i for i in range(len(chart.head)) if i not in left_out]
    return {
        "head": [f"{chart.head[i]}{_unit(chart, i)}" for i in kept],
        "rows": [[row[i] for i in kept] for row in chart.rows],
        "boom": f"Boom length {only} {boom[0].removeprefix('boom, ')}." if only else "",
    }


def _unit(chart: DeratedChart, column: int) -> str:
    """The unit of a column of loads, for its heading."""
    is_load = column >= chart.head.index(_MAKERS)
    return f", {chart.load_unit}" if is_load else ""


def derated(dossier: Dossier) -> Section:
    """The derated chart as a part of the record."""
    return Section(title="Load chart by sector", blocks=tuple(_blocks(dossier)))


def how_converted(chart: DeratedChart) -> str:
    """What a reader of converted numbers must know; empty where nothing was converted."""
    if not chart.converted:
        return ""
    return "Converted from the units of the maker's chart: loads and radii are rounded down."


def _blocks(dossier: Dossier) -> Iterator[Block]:
    chart = derated_chart(dossier)
    if chart is None:
        yield Words(text=why_no_chart(dossier))
        return
    head = tuple(
        f"{h}{_unit(chart, i)}\n{p}".rstrip()
        for i, (h, p) in enumerate(zip(chart.head, chart.places, strict=True))
    )
    yield Picture(name="chart", said=_said(dossier))
    notes = (_drawn_length(dossier), how_converted(chart), *_doubts(dossier), CAUTION)
    for text in filter(None, notes):
        yield Words(text=text, small=True)
    yield Table(
        head=head,
        rows=chart.rows[:_LONGEST],
        widths=tuple(1 for _ in head),
        numbers=tuple(range(len(head))),
    )
    if len(chart.rows) > _LONGEST:
        yield Words(text=f"{len(chart.rows) - _LONGEST} more lines are not printed.")


def _doubts(dossier: Dossier) -> tuple[str, ...]:
    return dossier.chart.doubts if dossier.chart else ()


def _drawn_length(dossier: Dossier) -> str:
    """Which boom length the figure shows; empty where the chart has one or none."""
    lengths_m = dossier.chart.boom_lengths_m if dossier.chart else ()
    if len(lengths_m) < 2:
        return ""
    return f"The figure shows the boom length of {dossier.units.length.words(lengths_m[0])}."


def _said(dossier: Dossier) -> str:
    lengths_m = dossier.chart.boom_lengths_m if dossier.chart else ()
    boom = f", boom length {dossier.units.length.words(lengths_m[0])}" if lengths_m else ""
    return f"Load against radius for each percentage{boom}; the numbers stand in the table."


def why_no_chart(dossier: Dossier) -> str:
    """Why there is no derated chart."""
    if dossier.chart is None:
        return missing(f"the test file named no load chart. {DERATE_YOURSELF}")
    return missing("no sector allows any lifting, so nothing of the maker's chart is left")


def _line(
    chart: LoadChart, row: ChartRow, shares: tuple[float, ...], dossier: Dossier
) -> Iterator[str]:
    units, step_kg = dossier.units, chart.load_step_kg
    if chart.has_boom_lengths:
        yield _length(row.boom_length_m, chart.length_unit, units.length)
    yield _length(row.radius_m, chart.radius_unit, units.length)
    for percent in (100.0, *shares):
        load_kg = derated_kg(row.load_kg, percent, step_kg=step_kg)
        yield _load(load_kg, chart, units.mass)


def _length(length_m: float, own: ChartUnit, measure: Measure) -> str:
    same = own.name == measure.unit
    digits = own.decimals if same else max(measure.digits, 2)
    return number_words(round_down(measure.of(length_m), 10.0**-digits), "", digits=digits)


def _load(load_kg: float, chart: LoadChart, measure: Measure) -> str:
    own = chart.load_unit
    digits = own.decimals if own.name == measure.unit else 0
    return number_words(round_down(measure.of(load_kg), 10.0**-digits), "", digits=digits)
