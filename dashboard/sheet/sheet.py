"""The sheet of a run: record, placard or both, as one PDF."""

from __future__ import annotations

from typing import Any

from dashboard.capacity.sectors.load_chart import percentages
from dashboard.figures.load_chart_svg import load_chart_svg
from dashboard.figures.sectors_of_result import sectors_of
from dashboard.figures.sectors_svg import PLACARD_INK, RECORD_INK, sectors_svg
from dashboard.figures.traces_svg import traces_svg
from dashboard.sheet.dossier import Dossier
from dashboard.sheet.placard import placard_document
from dashboard.sheet.record import TITLE, record_document
from dashboard.sheet.typesetting import Paper, Part, set_in_type
from dashboard.sheet.written import hash_words, printable, utc_words

_HASH_GROUPS = 2
"""Groups of eight characters of the hash on every page."""


def make_sheet(dossier: Dossier, *, paper: Paper = "a4", part: Part = "both") -> bytes:
    """The sheet as PDF.

    Args:
        dossier: what it is made of.
        paper: its size.
        part: which part of it.
    """
    return set_in_type(sheet_document(dossier, paper=paper, part=part))


def sheet_document(dossier: Dossier, *, paper: Paper, part: Part) -> dict[str, Any]:
    """What the layout is given: words by part, figures as SVG.

    Args:
        dossier: what the sheet is made of.
        paper: its size.
        part: which part of it.
    """
    record = record_document(dossier) if part != "placard" else None
    placard = placard_document(dossier) if part != "record" else None
    words = {
        "title": TITLE,
        "sheet_id": dossier.sheet_id,
        "run": dossier.header.run_id,
        "hash": hash_words(dossier.header.sha256, groups=_HASH_GROUPS) or "none",
        "tested": utc_words(dossier.header.started_utc)[:10],
        "issued": dossier.issued,
        "units": dossier.units.words,
        "record": record,
        "placard": placard,
    }
    figures = _figures(dossier, record, placard)
    return {**printable(words), "paper": paper, "figures": figures}


def _figures(dossier: Dossier, record: object, placard: object) -> dict[str, str]:
    figures: dict[str, str] = {}
    if record is not None:
        said = "Slew, load, radius and contacts over the run"
        figures["sectors"] = sectors_svg(dossier.result, RECORD_INK)
        figures["traces"] = traces_svg(dossier.readings, dossier.units, said=said)
        if dossier.chart is not None and percentages(sectors_of(dossier.result)):
            sectors = sectors_of(dossier.result)
            figures["chart"] = load_chart_svg(dossier.chart, sectors, dossier.units)
    if placard is not None:
        figures["placard"] = sectors_svg(dossier.result, PLACARD_INK)
    return figures
