"""From a sealed run to its result: the evidence gathered, judged, and what it rests on."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

from dashboard.capacity.result import make_result
from dashboard.capacity.uncertainty.budgets import Rule
from dashboard.gathering import gather_evidence
from dashboard.provenance import readings_of
from logger.recording.corrections import corrections_document
from logger.recording.run import Run

SectorMode = Literal["single", "steps"]


def analyse(
    run: Run, *, rule: Rule | None = None, sectors: SectorMode | None = None
) -> dict[str, Any]:
    """Computes the result of a run.

    Args:
        run: a sealed run.
        rule: decision rule in place of the one that the test file states.
        sectors: one reduced sector a side or one for each hold, in place of the test file's.

    Returns:
        The ``slewtrace.result/1`` document.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    header = run.header
    evidence = gather_evidence(run)
    method = evidence.test.method
    asked = {"rule": rule or method.rule, "sectors": sectors or method.sectors}
    test = evidence.test.model_copy(update={"method": method.model_copy(update=asked)})
    result = make_result(
        replace(evidence, test=test), run_id=header.run_id, recording_sha256=header.sha256
    )
    return result | {
        "stated": {"rule": method.rule, "sectors": method.sectors},
        "readings": readings_of(run, evidence.u_time_s),
        "corrections": corrections_document(run.corrections),
    }
