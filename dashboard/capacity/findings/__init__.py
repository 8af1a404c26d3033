"""Findings: what an engineer must know before trusting a result.

A module for each subject gives its findings; they come worst first, and the one that says that
a run proves nothing before all others.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from dashboard.capacity.findings.clocks_and_sensors import (
    boom_taken_as_stiff,
    clock_poor,
    outside_calibration,
    uncertainty_assumed,
)
from dashboard.capacity.findings.conditions import condition_findings, not_level
from dashboard.capacity.findings.contacts import contact_findings, contacts_of_the_run
from dashboard.capacity.findings.finding import Finding, Place, Severity, worst_first
from dashboard.capacity.findings.load import load_findings
from dashboard.capacity.findings.nothing import nothing_proved
from dashboard.capacity.findings.radius import radius_findings, tape_disagrees
from dashboard.capacity.findings.reach import missing_sweeps, reach_findings
from dashboard.capacity.findings.repeats import repeats_disagree
from dashboard.capacity.findings.silences import silence_findings
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.sectors.sectors import Sector

__all__ = ["Finding", "Place", "Severity", "find_findings"]


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
    findings = [
        *nothing_proved(evidence, sweeps, sectors),
        *missing_sweeps(sweeps),
        *clock_poor(evidence),
        *uncertainty_assumed(evidence),
        *outside_calibration(evidence, sweeps),
        *boom_taken_as_stiff(evidence),
        *tape_disagrees(evidence),
        *not_level(evidence),
        *contacts_of_the_run(evidence, sweeps),
        *repeats_disagree(evidence, sweeps, required_nm=required_nm),
    ]
    for sweep in sweeps:
        findings += _of_a_sweep(evidence, sweep, required_nm=required_nm)
    return worst_first(findings)


def _of_a_sweep(evidence: Evidence, sweep: Sweep, *, required_nm: float) -> Iterator[Finding]:
    slew = evidence.slew
    if slew is None:
        return
    yield from load_findings(evidence, slew, sweep)
    yield from radius_findings(slew, sweep)
    yield from contact_findings(evidence, slew, sweep)
    yield from silence_findings(evidence, slew, sweep)
    yield from condition_findings(evidence, slew, sweep)
    yield from reach_findings(evidence, slew, sweep, required_nm=required_nm)
