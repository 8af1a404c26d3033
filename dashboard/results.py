"""From a sealed run to its result: the evidence gathered, judged, and what it rests on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.result import make_result
from dashboard.capacity.uncertainty.budgets import Rule
from dashboard.gathering import gather_evidence
from dashboard.provenance import readings_of
from logger.readings.method_table import Method
from logger.recording.corrections import corrections_document
from logger.recording.run import Run

SectorMode = Literal["single", "steps"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherMethod:
    """What is to differ from the method of the test file; None leaves it as it stands.

    Attributes:
        rule: the decision rule.
        sectors: one reduced sector a side, or one for each hold.
        moment_factor: k, in place of however the file states the required moment.
        angle_step_deg: step that sector angles are rounded to, deg.
        percent_step: step that percentages are rounded down to.
    """

    rule: Rule | None = None
    sectors: SectorMode | None = None
    moment_factor: float | None = None
    angle_step_deg: float | None = None
    percent_step: float | None = None

    def of(self, method: Method) -> Method:
        """A method with these differences."""
        changes: dict[str, Any] = {
            key: value
            for key in ("rule", "sectors", "moment_factor", "angle_step_deg", "percent_step")
            if (value := getattr(self, key)) is not None
        }
        if self.moment_factor is not None:
            changes |= {"preset": None, "load_factor": None, "boom_share": 0.0}
        return method.model_copy(update=changes)


def analyse(
    run: Run,
    *,
    rule: Rule | None = None,
    sectors: SectorMode | None = None,
    explain: bool = True,
) -> dict[str, Any]:
    """Computes the result of a run.

    Args:
        run: a sealed run.
        rule: decision rule in place of the one that the test file states.
        sectors: one reduced sector a side or one for each hold, in place of the test file's.
        explain: whether to say why each wheel lifted, which takes a fourth of the time.

    Returns:
        The ``slewtrace.result/1`` document.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    other = OtherMethod(rule=rule, sectors=sectors)
    return judge(run, gather_evidence(run), other, explain=explain)


def judge(
    run: Run, evidence: Evidence, other: OtherMethod, *, explain: bool = True
) -> dict[str, Any]:
    """The result of a run whose evidence has been gathered.

    Args:
        run: the run.
        evidence: what was gathered from it.
        other: in what the method is to differ from the test file's.
        explain: whether to say why each wheel lifted.

    Returns:
        The ``slewtrace.result/1`` document.
    """
    stated = evidence.test.method
    test = evidence.test.model_copy(update={"method": other.of(stated)})
    header = run.header
    result = make_result(
        replace(evidence, test=test),
        run_id=header.run_id,
        recording_sha256=header.sha256,
        explain=explain,
    )
    return result | {
        "stated": {"rule": stated.rule, "sectors": stated.sectors},
        "readings": readings_of(run, evidence.u_time_s),
        "corrections": corrections_document(run.corrections),
    }
