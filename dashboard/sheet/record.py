"""The record: the report of one test, in the order in which a reader asks.

It holds what ISO/IEC 17025:2017, 7.8.2 asks of a report (items from memory), each present or with
the reason why not.
"""

from __future__ import annotations

from typing import Any

from dashboard.sheet.blocks import Facts, Section, Signatures, Words, missing
from dashboard.sheet.derated import derated
from dashboard.sheet.dossier import Dossier
from dashboard.sheet.doubt import doubt
from dashboard.sheet.incidents import findings, incidents
from dashboard.sheet.instruments import instruments
from dashboard.sheet.outcome import outcome
from dashboard.sheet.proceedings import course, proceedings
from dashboard.sheet.subject import method, subject, surroundings
from dashboard.sheet.written import hash_words
from logger.software import software_name

TITLE = "Stability test of a truck-mounted crane"
_ROLES = (
    ("operator", "Operator", "I operated the crane as recorded."),
    ("engineer", "Engineer", "I directed the test and its evaluation."),
    ("witness", "Witness", "I watched the test; my signature stands for the file named above."),
    ("approver", "Approver", "I authorise this record."),
)
_PARTS = (
    outcome,
    findings,
    subject,
    method,
    surroundings,
    proceedings,
    course,
    derated,
    doubt,
    instruments,
    incidents,
)


def record_document(dossier: Dossier) -> dict[str, Any]:
    """The record, ready for the layout.

    Args:
        dossier: what the sheet is made of.
    """
    verdict = dossier.result["verdict"]
    sections = (*(part(dossier) for part in _PARTS), _identity(dossier), _signatures(dossier))
    return {
        "title": TITLE,
        "verdict": verdict["standing"],
        "verdict_text": verdict["text"],
        "cautions": dossier.result["cautions"],
        "sections": [section.document() for section in sections],
        "end": "End of record",
    }


def _identity(dossier: Dossier) -> Section:
    header = dossier.header
    return Section(
        title="What this record stands on",
        blocks=(
            Facts(
                rows=(
                    ("Record", dossier.sheet_id),
                    ("Run", header.run_id),
                    ("SHA-256 of the run", hash_words(header.sha256, groups=8) or _unsealed()),
                    ("Rig", header.rig.rig.id),
                    ("Recorded by", header.software),
                    ("Computed and set by", software_name()),
                    ("Method of computing", f"version {dossier.result['method_version']}"),
                )
            ),
            Words(
                text="The hash covers the run's header and every reading. Its first characters "
                "stand on every page, so that a signature on paper stands for that file: "
                "“slewtrace verify” works it out again from the file."
            ),
        ),
    )


def _unsealed() -> str:
    return missing("the run states no hash")


def _signatures(dossier: Dossier) -> Section:
    rows = tuple(
        (title, dossier.stated.words(key) if dossier.stated.text(key) else "", meaning)
        for key, title, meaning in _ROLES
    )
    return Section(title="People and signatures", blocks=(Signatures(rows=rows),))
