"""The derated load chart: for each sector, what the crane's chart allows times the percentage.

A derated load is rounded down to the step of the chart's own loads and never exceeds the chart.
An untested sector allows nothing. A person reads it as one table: a line for each radius, a
column for each percentage, and under it which sectors have that percentage.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from dashboard.capacity.rounding import round_down
from logger.readings.load_chart import ChartRow, ChartUnit, LoadChart

CAUTION = (
    "Read a radius between two lines at the next larger one. What the chart does not list is not "
    "allowed; the maker's other limits stand."
)
_NO_LIFTING = "no lifting"
_BEGINS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class SectorLike(Protocol):
    """A capacity sector, as the capacity or a figure keeps it."""

    @property
    def side(self) -> str:
        """``right`` or ``left``."""

    @property
    def from_deg(self) -> float:
        """Its beginning, counted from over the rear, deg."""

    @property
    def to_deg(self) -> float:
        """Its end, deg."""

    @property
    def percent(self) -> float:
        """Of the rated capacity."""

    @property
    def basis(self) -> str:
        """``proved``, ``reduced`` or ``untested``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeratedRow:
    """What may hang at one point of the chart in one sector.

    Attributes:
        side: the sector's side.
        from_deg: its beginning, counted from over the rear, deg.
        to_deg: its end, deg.
        percent: its percentage.
        basis: its basis.
        boom_length_m: m; None in a chart that names none.
        radius_m: m.
        chart_kg: what the chart allows, kg.
        load_kg: what may hang in this sector, kg; 0 where it is untested.
    """

    side: str
    from_deg: float
    to_deg: float
    percent: float
    basis: str
    boom_length_m: float | None
    radius_m: float
    chart_kg: float
    load_kg: float


def derated_kg(chart_kg: float, percent: float, *, step_kg: float) -> float:
    """A chart's load times a percentage, rounded down to a step, never above the chart, kg."""
    return max(0.0, min(chart_kg, _floor_kg(chart_kg * min(percent, 100.0) / 100, step_kg)))


def derated(chart: LoadChart, sectors: Sequence[SectorLike]) -> tuple[DeratedRow, ...]:
    """The derated chart: the chart's rows for each sector in turn.

    Args:
        chart: the crane's chart.
        sectors: of both sides.
    """
    step_kg = chart.load_step_kg
    return tuple(
        DeratedRow(
            side=str(sector.side),
            from_deg=sector.from_deg,
            to_deg=sector.to_deg,
            percent=percent,
            basis=sector.basis,
            boom_length_m=row.boom_length_m if chart.has_boom_lengths else None,
            radius_m=row.radius_m,
            chart_kg=row.load_kg,
            load_kg=derated_kg(row.load_kg, percent, step_kg=step_kg),
        )
        for sector in sectors
        for percent in (_allowed_percent(sector),)
        for row in chart.rows
    )


def percentages(sectors: Sequence[SectorLike]) -> tuple[float, ...]:
    """The distinct percentages of the sectors in which anything may be lifted, greatest first."""
    return tuple(sorted({p for s in sectors if (p := _allowed_percent(s)) > 0}, reverse=True))


def places_words(sectors: Sequence[SectorLike], percent: float) -> str:
    """Which sectors have a percentage: ``right 0° to 74°, left 0° to 80°``; 0 for no lifting."""
    places = [
        f"{s.side} {s.from_deg:g}° to {s.to_deg:g}°"
        for s in sectors
        if _allowed_percent(s) == percent and s.to_deg > s.from_deg
    ]
    return ", ".join(places)


def load_words(load_kg: float, unit: ChartUnit, *, step_kg: float | None = None) -> str:
    """A load in the chart's own unit, as many decimals as its step has."""
    decimals = unit.decimals
    if step_kg is not None:
        while decimals < 9 and step_kg < unit.factor / 10**decimals * (1 - 1e-9):
            decimals += 1
    return f"{unit.of(load_kg):.{decimals}f}"


def derated_table(
    chart: LoadChart, sectors: Sequence[SectorLike], *, boom_length_m: float | None = None
) -> tuple[tuple[str, ...], ...]:
    """The derated chart as a table of texts: its headings, then a line for each chart row.

    Args:
        chart: the crane's chart.
        sectors: of both sides.
        boom_length_m: only the lines of this boom length, m.
    """
    shares = percentages(sectors)
    lengths = (f"boom {chart.length_unit.name}",) if chart.has_boom_lengths else ()
    unit = chart.load_unit.name
    head = (
        *lengths,
        f"radius {chart.radius_unit.name}",
        f"chart {unit}",
        *(f"{p:g} % {unit}" for p in shares),
    )
    return head, *(_table_line(chart, row, shares) for row in chart.rows_of(boom_length_m))


def derated_text(chart: LoadChart, sectors: Sequence[SectorLike]) -> str:
    """The derated chart for a terminal."""
    table = derated_table(chart, sectors)
    widths = [max(len(cell) for cell in column) for column in zip(*table, strict=True)]
    lines = [
        "  ".join(cell.rjust(width) for cell, width in zip(line, widths, strict=True))
        for line in table
    ]
    told = [f"{p:g} %: {places_words(sectors, p)}" for p in percentages(sectors)]
    barred = places_words(sectors, 0.0)
    told += [f"{_NO_LIFTING}: {barred}"] if barred else []
    wrapped = [line for text in (*told, *chart.doubts, CAUTION) for line in textwrap.wrap(text, 79)]
    return "\n".join([*lines, "", *wrapped])


def derated_csv(chart: LoadChart, sectors: Sequence[SectorLike]) -> str:
    """The derated chart as a table for other programs, in the chart's own units.

    A line for each sector and chart row; no cell begins like a spreadsheet's formula.
    """
    lengths = ("boom_length",) if chart.has_boom_lengths else ()
    head = (
        *("side", "from_deg", "to_deg", "percent", "basis"),
        *(f"{name} {chart.length_unit.name}" for name in lengths),
        f"radius {chart.radius_unit.name}",
        f"chart {chart.load_unit.name}",
        f"load {chart.load_unit.name}",
    )
    lines = [head, *(_csv_line(chart, row) for row in derated(chart, sectors))]
    return "".join(",".join(_cell(c) for c in line) + "\r\n" for line in lines)


def derated_document(chart: LoadChart, sectors: Sequence[SectorLike]) -> dict[str, Any]:
    """The derated chart, ready for JSON."""
    return {
        "load_step_kg": chart.load_step_kg,
        "doubts": list(chart.doubts),
        "caution": CAUTION,
        "rows": [
            {
                "side": row.side,
                "from_deg": row.from_deg,
                "to_deg": row.to_deg,
                "percent": row.percent,
                "basis": row.basis,
                "boom_length_m": row.boom_length_m,
                "radius_m": row.radius_m,
                "chart_kg": row.chart_kg,
                "load_kg": row.load_kg,
            }
            for row in derated(chart, sectors)
        ],
    }


def _allowed_percent(sector: SectorLike) -> float:
    return 0.0 if sector.basis == "untested" else min(sector.percent, 100.0)


def _floor_kg(value_kg: float, step_kg: float) -> float:
    # Steps may be a hundredth of a pound: count them rather than round the product's decimals.
    return round_down(value_kg / step_kg, 1.0) * step_kg


def _table_line(chart: LoadChart, row: ChartRow, shares: Sequence[float]) -> tuple[str, ...]:
    step_kg = chart.load_step_kg
    loads = (derated_kg(row.load_kg, p, step_kg=step_kg) for p in shares)
    return (
        *(_length_words(row.boom_length_m, chart.length_unit) for _ in range(_lengths(chart))),
        _length_words(row.radius_m, chart.radius_unit),
        load_words(row.load_kg, chart.load_unit, step_kg=step_kg),
        *(load_words(load_kg, chart.load_unit, step_kg=step_kg) for load_kg in loads),
    )


def _csv_line(chart: LoadChart, row: DeratedRow) -> Iterator[str]:
    step_kg = chart.load_step_kg
    yield from (row.side, f"{row.from_deg:g}", f"{row.to_deg:g}", f"{row.percent:g}", row.basis)
    if row.boom_length_m is not None:
        yield _length_words(row.boom_length_m, chart.length_unit)
    yield _length_words(row.radius_m, chart.radius_unit)
    yield load_words(row.chart_kg, chart.load_unit, step_kg=step_kg)
    yield load_words(row.load_kg, chart.load_unit, step_kg=step_kg)


def _lengths(chart: LoadChart) -> int:
    return 1 if chart.has_boom_lengths else 0


def _length_words(length_m: float, unit: ChartUnit) -> str:
    return f"{unit.of(length_m):.{unit.decimals}f}"


def _cell(text: str) -> str:
    """A cell that a spreadsheet takes for text or a number, never for a formula."""
    if text.startswith(_BEGINS_A_FORMULA):
        text = f"'{text}"
    if any(c in text for c in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text
