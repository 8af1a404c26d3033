"""The derated load chart on paper: in the record with the maker's loads, on the placard without."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dashboard.capacity.sectors.load_chart import CAUTION
from dashboard.figures.derated_chart import CONVERTED, DeratedChart, derated_chart
from dashboard.figures.sectors_of_result import sectors_of
from dashboard.sheet.blocks import Block, Picture, Section, Table, Words, missing
from dashboard.sheet.dossier import Dossier

DERATE_YOURSELF = "Take each load of the maker's chart times the sector's percentage, rounded down."
_LONGEST = 400
"""Lines of a chart on the record."""


def derated_on_paper(dossier: Dossier) -> DeratedChart | None:
    """The chart by percentage; None without a chart, or where nothing may be lifted."""
    if dossier.chart is None:
        return None
    return derated_chart(dossier.chart, sectors_of(dossier.result), dossier.units)


def on_placard(chart: DeratedChart) -> dict[str, Any]:
    """The chart without what a placard says elsewhere: the maker's column, and one boom length.

    Returns:
        Its head and rows, and what is to be noted: the only boom length, and how it was converted.
    """
    lengths = {row.boom_length for row in chart.rows}
    several = chart.has_boom_lengths and len(lengths) > 1
    head = [f"boom, {chart.length_unit}"] if several else []
    only = f"Boom length {lengths.pop()} {chart.length_unit}." if len(lengths) == 1 else ""
    notes = (only if chart.has_boom_lengths else "", CONVERTED if chart.converted else "")
    return {
        "head": [
            *head,
            f"radius, {chart.length_unit}",
            *(f"{share}, {chart.load_unit}" for share in chart.shares),
        ],
        "rows": [
            [*([row.boom_length] if several else []), row.radius, *row.loads] for row in chart.rows
        ],
        "note": " ".join(filter(None, notes)),
    }


def derated(dossier: Dossier) -> Section:
    """The derated chart as a part of the record."""
    return Section(title="Load chart by sector", blocks=tuple(_blocks(dossier)))


def _blocks(dossier: Dossier) -> Iterator[Block]:
    chart = derated_on_paper(dossier)
    if chart is None:
        yield Words(text=why_no_chart(dossier))
        return
    boom = chart.has_boom_lengths
    head = (
        *([f"boom, {chart.length_unit}"] if boom else []),
        f"radius, {chart.length_unit}",
        f"maker's chart, {chart.load_unit}",
        *(
            f"{share}, {chart.load_unit}\n{places}"
            for share, places in zip(chart.shares, chart.places, strict=True)
        ),
    )
    rows = [
        (*([row.boom_length] if boom else []), row.radius, row.makers, *row.loads)
        for row in chart.rows
    ]
    yield Picture(name="chart", said=_said(dossier))
    converted = CONVERTED if chart.converted else ""
    for text in filter(None, (_drawn_length(dossier), converted, *_doubts(dossier), CAUTION)):
        yield Words(text=text, small=True)
    yield Table(
        head=head,
        rows=tuple(rows[:_LONGEST]),
        widths=tuple(1 for _ in head),
        numbers=tuple(range(len(head))),
    )
    if len(rows) > _LONGEST:
        yield Words(text=f"{len(rows) - _LONGEST} more lines are not printed.")


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
