"""The placard: one page beside the load chart, to be read from the controls in any weather.

Black on white, hatch and words, no colour. It says what may be lifted where and nothing that was
not proved: a run that proved nothing gives a page that forbids lifting, without a ring that
someone could take for a permission.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dashboard.capacity.result import proves_something
from dashboard.capacity.sectors.load_chart import percentages, places_words
from dashboard.figures.sectors_of_result import sectors_of, sectors_summary
from dashboard.figures.words import plain_number
from dashboard.sheet.blocks import missing
from dashboard.sheet.derated import DERATE_YOURSELF, derated_on_paper, on_placard
from dashboard.sheet.dossier import Dossier
from dashboard.sheet.written import hash_words, spelled, utc_words

_HASH_GROUPS = 2
_VALID = (
    "Valid for this truck with this crane as they stood in the test only. After any change of "
    "truck, crane or mounting: test again."
)
_ALLOWS_NOTHING = "This page allows no lifting in any direction, at any radius."
_UNNAMED = "not named in the test file"
_CAUTIONS = (
    "NO LIFTING where the plan is black. Nothing was tested there.",
    "Angles count from over the rear. At a bound the lower percentage holds.",
    "Read a radius between two lines at the next larger one.",
    "The maker's other limits, the manual and the local code stand.",
)
_CAUTIONS_OF_NOTHING = (
    "Do not lift with this crane on the strength of this test.",
    "Test again, or follow the maker's manual, the local code and a competent person.",
)


def placard_document(dossier: Dossier) -> dict[str, Any]:
    """The placard, ready for the layout.

    Args:
        dossier: what the sheet is made of.
    """
    proved = proves_something(dossier.result)
    chart = derated_on_paper(dossier)
    shown = None if chart is None else on_placard(chart)
    return {
        "title": "What may be lifted where" if proved else "No lifting",
        "truck": spelled(dossier.test.truck.id),
        "crane": spelled(dossier.test.crane.id) or _UNNAMED,
        "proved": proved,
        "why": [] if proved else [*_why_nothing(dossier)],
        "said": sectors_summary(dossier.result),
        "sectors": [*_lines(dossier)] if proved else [],
        "chart": shown,
        "chart_note": shown["note"] if chart and shown else DERATE_YOURSELF,
        "cautions": [*(_CAUTIONS if proved else _CAUTIONS_OF_NOTHING), *dossier.result["cautions"]],
        "valid": _VALID if proved else _ALLOWS_NOTHING,
        "run": dossier.header.run_id,
        "hash": hash_words(dossier.header.sha256, groups=_HASH_GROUPS)
        or missing("the run states no hash"),
        "tested": utc_words(dossier.header.started_utc)[:10]
        or missing("the run does not know its day"),
    }


def _lines(dossier: Dossier) -> Iterator[tuple[str, str]]:
    """Each percentage and where it holds, the greatest first; at last where nothing does."""
    sectors = sectors_of(dossier.result)
    for percent in percentages(sectors):
        yield f"{plain_number(percent)} %", places_words(sectors, percent)
    barred = places_words(sectors, 0.0)
    if barred:
        yield "NO LIFTING", barred


def _why_nothing(dossier: Dossier) -> Iterator[str]:
    yield dossier.result["verdict"]["text"]
    worst = [f["text"] for f in dossier.result["findings"] if f["severity"] == "invalid"]
    yield from worst[:3]
