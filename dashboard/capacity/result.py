"""The result of a run: evidence in, the ``slewtrace.result/1`` document out."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from dashboard.capacity.evidence import Evidence
from dashboard.capacity.findings import Finding, find_findings
from dashboard.capacity.first_lift import LiftAngle
from dashboard.capacity.holds import Hold
from dashboard.capacity.plan import COVERAGE_FACTOR, make_plan
from dashboard.capacity.sectors import Sector, covered_stretches, sectors_of_side
from dashboard.capacity.sweeps import RadiusStep, Sweep, find_sweeps
from logger.events.sweep import Side
from logger.readings.bins import SLICE_NS
from logger.readings.rig_file import WHEEL
from logger.safety_words import SAFETY_SENTENCES

FORMAT = "slewtrace.result/1"
METHOD_VERSION = "2"
"""Changes whenever the same recording may give another result."""

CARRIED_THROUGH = 0.9
"""Share of a side's farthest sweep that another must reach to count as a repeat of it."""


def make_result(evidence: Evidence, *, run_id: str, recording_sha256: str) -> dict[str, Any]:
    """The result of a run.

    Args:
        evidence: what the run shows.
        run_id: id of the run.
        recording_sha256: hash of its header and samples, hex.

    Returns:
        The document, ready for JSON. Angles of sectors count from over the rear on their side,
        0 to 180; every other angle is signed, right positive.
    """
    plan = make_plan(evidence.test)
    sweeps = find_sweeps(evidence)
    counting = {side: _counting(sweeps, side) for side in Side}
    sectors = [
        sector
        for side in Side
        for sector in sectors_of_side(
            side,
            counting[side],
            u_end_deg=_u_end_deg(evidence, counting[side]),
            required_nm=plan.required_moment_nm,
            method=evidence.test.method,
        )
    ]
    findings = find_findings(evidence, sweeps, required_nm=plan.required_moment_nm)
    return {
        "format": FORMAT,
        "method_version": METHOD_VERSION,
        "run_id": run_id,
        "recording_sha256": recording_sha256,
        "truck": evidence.test.truck.id,
        "test": evidence.test.test.id,
        "decision_rule": f"guarded: the proved moment is the measured one less {COVERAGE_FACTOR:g}"
        " standard uncertainties",
        "plan": asdict(plan),
        "sweeps": [_sweep(s, evidence, counts=s is counting[s.side]) for s in sweeps],
        "sectors": [_sector(s) for s in sectors],
        "findings": [_finding(f) for f in findings],
        "cautions": list(SAFETY_SENTENCES),
    }


def proves_something(result: dict[str, Any]) -> bool:
    """Whether any sector of a result allows any lifting."""
    return any(sector["percent"] > 0 for sector in result["sectors"])


def _counting(sweeps: tuple[Sweep, ...], side: Side) -> Sweep | None:
    """The latest sweep of a side that was carried through; else the latest.

    One that ends short of the others without a lift was broken off, or was no test at all.
    """
    of_side = [s for s in sweeps if s.side is side]
    farthest_deg = max((abs(s.reached_deg) for s in of_side), default=0.0)
    valid = [
        s
        for s in of_side
        if any(covered_stretches(s))
        and (s.lifts or abs(s.reached_deg) >= CARRIED_THROUGH * farthest_deg)
    ]
    return next(reversed(valid or of_side), None)


def _u_end_deg(evidence: Evidence, sweep: Sweep | None) -> float:
    """How far the farthest angle of a sweep may be overstated, deg.

    A counter may round either way, so a whole step, as for a lift.
    """
    if sweep is None or evidence.slew is None:
        return 0.0
    slew = evidence.slew
    return slew.step_deg + COVERAGE_FACTOR * slew.u_at(sweep.end_ns)


def _sweep(sweep: Sweep, evidence: Evidence, *, counts: bool) -> dict[str, Any]:
    first = sweep.first_lift
    return {
        "side": str(sweep.side),
        "start_s": _seconds(sweep.start_ns),
        "end_s": _seconds(sweep.end_ns),
        "reached_deg": round(sweep.reached_deg, 3),
        "counts": counts,
        "first_lift": None if first is None else _lift(first, evidence),
        "lifts": [_lift(lift, evidence) for lift in sweep.lifts[1:]],
        "radius_changes": [_radius_step(step, evidence) for step in sweep.radius_steps],
        "holds": [_hold(h, sweep) for h in sweep.holds if not h.moving and h.covered],
    }


def _lift(lift: LiftAngle, evidence: Evidence) -> dict[str, Any]:
    return {
        "wheel": lift.wheel,
        "t_s": _seconds(lift.t_ns),
        "u_t_s": _rounded_u(evidence.u_time_s.get(f"{WHEEL}{lift.wheel}")),
        "slew_deg": round(lift.slew_deg, 3),
        "slew_low_deg": round(lift.low_deg, 3),
        "slew_high_deg": round(lift.high_deg, 3),
    }


def _radius_step(step: RadiusStep, evidence: Evidence) -> dict[str, Any]:
    u_s = evidence.u_time_s.get("radius") if step.by == "sensor" else None
    if u_s is not None:
        # The moment is found in slices, so it may lie anywhere in one.
        u_s = math.hypot(u_s, SLICE_NS * 1e-9 / math.sqrt(12))
    return {
        "t_s": _seconds(step.t_ns),
        "u_t_s": _rounded_u(u_s),
        "slew_deg": round(step.slew_deg, 3),
        "from_m": round(step.from_m, 4),
        "to_m": round(step.to_m, 4),
        "by": step.by,
        "set_down": step.set_down,
    }


def _hold(hold: Hold, sweep: Sweep) -> dict[str, Any]:
    known = hold.radius_m is not None
    return {
        "from_deg": round(sweep.side.sign * hold.from_deg, 3) + 0.0,
        "to_deg": round(sweep.side.sign * hold.to_deg, 3) + 0.0,
        "start_s": _seconds(hold.start_ns),
        "end_s": _seconds(hold.end_ns),
        "radius_m": None if hold.radius_m is None else round(hold.radius_m, 4),
        "u_radius_m": round(hold.u_radius_m, 5) if known else None,
        "radius_by": hold.radius_by or None,
        "load_kg": round(hold.load_kg, 2),
        "u_load_kg": round(hold.u_load_kg, 3),
        "moment_nm": round(hold.moment_nm, 1) if known else None,
        "u_moment_nm": round(hold.u_moment_nm, 1) if known else None,
        "proved_moment_nm": round(hold.proved_nm, 1),
    }


def _sector(sector: Sector) -> dict[str, Any]:
    return {
        "side": str(sector.side),
        "from_deg": _whole(sector.from_deg),
        "to_deg": _whole(sector.to_deg),
        "percent": _whole(sector.percent),
        "basis": sector.basis,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code,
        "severity": str(finding.severity),
        "t_s": None if finding.t_ns is None else _seconds(finding.t_ns),
        "text": finding.text,
    }


def _rounded_u(u_s: float | None) -> float | None:
    """A time's standard uncertainty, s, to the µs; None where no clock was fitted."""
    return None if u_s is None else round(u_s, 6)


def _seconds(t_ns: int) -> float:
    return round(t_ns * 1e-9, 6)


def _whole(value: float) -> float | int:
    """74 rather than 74.0 where nothing follows the point."""
    return int(value) if float(value).is_integer() else value
