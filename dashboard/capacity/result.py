"""The result of a run: evidence in, the ``slewtrace.result/1`` document out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from dashboard.capacity.findings import Finding, find_findings
from dashboard.capacity.fit.lift_explanation import why_it_lifted
from dashboard.capacity.fit.measured_lifts import observations_from_result
from dashboard.capacity.method_version import METHOD_VERSION
from dashboard.capacity.planning.methods import required_moment
from dashboard.capacity.planning.plan import make_plan
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.sweeps import Sweep, find_sweeps
from dashboard.capacity.result_parts import sector_document, sweep_document
from dashboard.capacity.sectors.counting import Counted, counted_sweeps, counting_sweep
from dashboard.capacity.sectors.levels import Stretch
from dashboard.capacity.sectors.sectors import (
    Sector,
    covered_stretches,
    over_cab_gap,
    sectors_of_side,
)
from dashboard.capacity.sectors.verdict import verdict_of
from dashboard.capacity.uncertainty.budget import COVERAGE_FACTOR
from dashboard.capacity.uncertainty.budgets import percentage_budget, rule_sentence
from logger.events.load_phase import HANGING_SHARE
from logger.events.sweep import Side
from logger.safety_words import SAFETY_SENTENCES

FORMAT = "slewtrace.result/1"
_AT_THE_END_DEG = 1.0
"""More than an angle's own uncertainty takes off a sector's end."""


def make_result(
    evidence: Evidence, *, run_id: str, recording_sha256: str, explain: bool = True
) -> dict[str, Any]:
    """The result of a run.

    Args:
        evidence: what the run shows.
        run_id: id of the run.
        recording_sha256: hash of its header and samples, hex.
        explain: whether to say why each wheel lifted, which takes a fourth of the time and
            changes nothing else.

    Returns:
        The document, ready for JSON. Angles of sectors count from over the rear on their side,
        0 to 180; every other angle is signed, right positive.
    """
    test = evidence.test
    required = required_moment(test)
    counted = counted_sweeps(find_sweeps(evidence))
    sweeps = tuple(c.sweep for c in counted)
    sectors = {side: _sectors(evidence, counted, side, required.moment_nm) for side in Side}
    all_sectors = tuple(s for of_side in sectors.values() for s in of_side)
    findings = find_findings(evidence, sweeps, required_nm=required.moment_nm, sectors=all_sectors)
    whole = _swept_whole(findings, counted, sectors, step_deg=test.method.angle_step_deg)
    verdict = verdict_of(all_sectors, swept_whole=whole)
    gap = over_cab_gap(all_sectors)
    result = {
        "format": FORMAT,
        "method_version": METHOD_VERSION,
        "run_id": run_id,
        "recording_sha256": recording_sha256,
        "truck": test.truck.id,
        "crane": test.crane.id,
        "test": test.test.id,
        "verdict": {"standing": str(verdict.standing), "text": verdict.text},
        "rule": test.method.rule,
        "decision_rule": rule_sentence(test.method.rule),
        "rounding": {
            "angle_step_deg": test.method.angle_step_deg,
            "percent_step": test.method.percent_step,
            "sectors": test.method.sectors,
        },
        "limits": {"hanging_kg": HANGING_SHARE * test.load.mass_kg},
        "plan": asdict(make_plan(test)),
        "required": asdict(required),
        "sweeps": [sweep_document(c, evidence, required_nm=required.moment_nm) for c in counted],
        "sectors": [
            sector_document(s, proved=_proved_in(s, counted), required_nm=required.moment_nm)
            for s in all_sectors
        ],
        "over_cab_gap": None if gap is None else gap._asdict(),
        "least_sure": _least_sure(counted, required_nm=required.moment_nm),
        "findings": [f.document() for f in findings],
        "cautions": list(SAFETY_SENTENCES),
    }
    return result | {"why": _why(evidence, result) if explain else []}


def proves_something(result: dict[str, Any]) -> bool:
    """Whether any sector of a result allows any lifting."""
    return any(sector["percent"] > 0 for sector in result["sectors"])


def _sectors(
    evidence: Evidence, counted: tuple[Counted, ...], side: Side, required_nm: float
) -> tuple[Sector, ...]:
    sweep = counting_sweep(counted, side)
    return sectors_of_side(
        side,
        sweep,
        u_end_deg=_u_end_deg(evidence, sweep),
        required_nm=required_nm,
        method=evidence.test.method,
    )


def _u_end_deg(evidence: Evidence, sweep: Sweep | None) -> float:
    """How far the farthest angle of a sweep may be overstated, deg.

    A counter may round either way, so a whole step, as for a lift.
    """
    if sweep is None or evidence.slew is None:
        return 0.0
    slew = evidence.slew
    return slew.step_deg + COVERAGE_FACTOR * slew.u_at(sweep.end_ns)


def _swept_whole(
    findings: tuple[Finding, ...],
    counted: tuple[Counted, ...],
    sectors: Mapping[Side, Sequence[Sector]],
    *,
    step_deg: float,
) -> frozenset[Side]:
    """The sides that were swept from over the rear to the slew limit, and proved as far as that."""
    begun_ns = {c.sweep.start_ns for c in counted if c.counts}
    short = [
        f
        for f in findings
        if f.code == "sweep_incomplete" and (f.place is None or f.place.start_ns in begun_ns)
    ]
    return frozenset(
        side
        for side in Side
        if not any(f.place is None or f.place.side is side for f in short)
        and _proved_to_the_end(sectors[side], counting_sweep(counted, side), step_deg=step_deg)
    )


def _proved_to_the_end(sectors: Sequence[Sector], sweep: Sweep | None, *, step_deg: float) -> bool:
    """Whether lifting is allowed as far as a sweep came, less what rounding takes."""
    if sweep is None:
        return False
    allowed_deg = max((s.to_deg for s in sectors if s.percent > 0), default=0.0)
    return allowed_deg + step_deg + _AT_THE_END_DEG >= sweep.outward_deg(sweep.reached_deg)


def _proved_in(sector: Sector, counted: tuple[Counted, ...]) -> list[Stretch]:
    """The stretches whose moments a sector's percentage was made of."""
    sweep = counting_sweep(counted, sector.side)
    if sweep is None or sector.basis == "untested":
        return []
    return [
        stretch
        for part in covered_stretches(sweep)
        for stretch in part
        if stretch.from_deg < sector.to_deg and sector.from_deg < stretch.to_deg
    ]


def _least_sure(counted: tuple[Counted, ...], *, required_nm: float) -> dict[str, Any] | None:
    """The percentage that is known worst, and what makes it so; None without any moment."""
    budgets = [
        (percentage_budget(hold.moment_budget, required_nm), c.sweep, hold)
        for c in counted
        if c.counts
        for hold in c.sweep.holds
        if hold.moment_budget is not None and not hold.moving
    ]
    if not budgets:
        return None
    budget, sweep, hold = max(budgets, key=lambda b: b[0].expanded)
    most = budget.contributions[0] if budget.contributions else None
    mostly = (
        "" if most is None else f", {100 * most.share:.0f} % of the variance from {most.input.name}"
    )
    return {
        "text": f"{sweep.side} at {hold.radius_m:.2f} m: {budget.value:.1f} % ± "
        f"{budget.expanded:.1f} % of the required moment (k = {budget.k:.2f}){mostly}",
        "side": str(sweep.side),
        "budget": budget.document(),
    }


def _why(evidence: Evidence, result: dict[str, Any]) -> list[dict[str, Any]]:
    """Why each first lift happened, by the truck model; empty where the test file has none."""
    model = evidence.test.model
    if model is None:
        return []
    names = {s.name for s in model.supports}
    lifts, _ = observations_from_result(result)
    return [
        {
            "side": lift.side,
            "wheel": lift.wheel,
            "slew_deg": round(lift.slew_deg, 3),
            "text": why_it_lifted(model, lift),
        }
        for lift in lifts
        if lift.wheel in names
    ]
