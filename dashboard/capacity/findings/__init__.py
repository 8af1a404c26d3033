"""Findings: what an engineer must know before trusting a result.

A module for each subject gives its findings, by rules that stand in a table here; they come
worst first, and the one that says that a run proves nothing before all others.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from dashboard.capacity.findings.clocks_and_sensors import (
    boom_taken_as_stiff,
    clock_poor,
    outside_calibration,
    slew_turn_assumed,
    uncertainty_assumed,
)
from dashboard.capacity.findings.conditions import condition_findings, not_level
from dashboard.capacity.findings.contacts import contact_findings, contacts_of_the_run
from dashboard.capacity.findings.finding import Finding, Place, Severity, worst_first
from dashboard.capacity.findings.lift_limits import limited_by_lifts
from dashboard.capacity.findings.load import load_findings
from dashboard.capacity.findings.nothing import nothing_proved
from dashboard.capacity.findings.radius import radius_findings, tape_disagrees
from dashboard.capacity.findings.reach import missing_sweeps, reach_findings
from dashboard.capacity.findings.repeats import repeats_disagree
from dashboard.capacity.findings.rule import Judged, Rule
from dashboard.capacity.findings.silences import silence_findings
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.sectors.sectors import Sector

__all__ = ["RULES", "Finding", "Place", "Severity", "find_findings"]


def find_findings(
    evidence: Evidence,
    sweeps: tuple[Sweep, ...],
    *,
    required_nm: float,
    sectors: Sequence[Sector] | None = None,
) -> tuple[Finding, ...]:
    """All findings of a run, the worst first and each severity in order of time.

    Args:
        evidence: what the run shows.
        sweeps: its sweeps.
        required_nm: required moment M_q, N·m.
        sectors: of both sides, which tell whether anything was proved; where they are not
            given, what the sweeps covered tells it.
    """
    judged = Judged(evidence=evidence, sweeps=sweeps, required_nm=required_nm, sectors=sectors)
    return worst_first(finding for rule in RULES for finding in rule(judged))


def _of_each_sweep(judged: Judged) -> Iterator[Finding]:
    evidence, slew = judged.evidence, judged.evidence.slew
    if slew is None:
        return
    for sweep in judged.sweeps:
        yield from load_findings(evidence, slew, sweep)
        yield from radius_findings(slew, sweep)
        yield from contact_findings(evidence, slew, sweep)
        yield from limited_by_lifts(sweep)
        yield from silence_findings(evidence, slew, sweep)
        yield from condition_findings(evidence, slew, sweep)
        yield from reach_findings(evidence, slew, sweep, required_nm=judged.required_nm)


RULES: tuple[Rule, ...] = (
    lambda judged: nothing_proved(judged.evidence, judged.sweeps, judged.sectors),
    lambda judged: missing_sweeps(judged.sweeps),
    lambda judged: clock_poor(judged.evidence),
    lambda judged: slew_turn_assumed(judged.evidence),
    lambda judged: uncertainty_assumed(judged.evidence),
    lambda judged: outside_calibration(judged.evidence, judged.sweeps),
    lambda judged: boom_taken_as_stiff(judged.evidence),
    lambda judged: tape_disagrees(judged.evidence),
    lambda judged: not_level(judged.evidence),
    lambda judged: contacts_of_the_run(judged.evidence, judged.sweeps),
    lambda judged: repeats_disagree(judged.evidence, judged.sweeps, required_nm=judged.required_nm),
    _of_each_sweep,
)
"""All rules; findings of one severity and moment stay in this order."""
