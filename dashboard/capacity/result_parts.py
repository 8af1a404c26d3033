"""Sweeps, lifts, holds and sectors as they stand in a result: rounded, in s, m, kg, N·m, deg."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.first_lift import LiftAngle
from dashboard.capacity.proof.holds import Hold
from dashboard.capacity.proof.sweeps import RadiusStep, Sweep
from dashboard.capacity.rounding import round_down
from dashboard.capacity.sectors.counting import Counted
from dashboard.capacity.sectors.levels import Stretch
from dashboard.capacity.sectors.sectors import Sector
from dashboard.capacity.uncertainty.budgets import percentage_budget
from dashboard.capacity.uncertainty.interval import interval
from logger.readings.bins import SLICE_NS
from logger.readings.rig_file import WHEEL


def sweep_document(counted: Counted, evidence: Evidence, *, required_nm: float) -> dict[str, Any]:
    """A sweep with its lifts, radius changes and holds.

    Args:
        counted: the sweep and whether it counts.
        evidence: what the run shows.
        required_nm: required moment M_q, N·m.
    """
    sweep = counted.sweep
    first = sweep.first_lift
    return {
        "side": str(sweep.side),
        "start_s": _seconds(sweep.start_ns),
        "end_s": _seconds(sweep.end_ns),
        "reached_deg": round(sweep.reached_deg, 3),
        "counts": counted.counts,
        "reason": counted.reason,
        "first_lift": None if first is None else _lift(first, evidence),
        "lifts": [_lift(lift, evidence) for lift in sweep.lifts[1:]],
        "radius_changes": [_radius_step(step, evidence) for step in sweep.radius_steps],
        "holds": [
            _hold(h, sweep, required_nm=required_nm)
            for h in sweep.holds
            if not h.moving and h.covered
        ],
    }


def sector_document(
    sector: Sector, *, proved: Sequence[Stretch], required_nm: float
) -> dict[str, Any]:
    """A sector, and the least moment that was proved in it.

    Args:
        sector: the sector.
        proved: the stretches that it was made of; none for an untested one.
        required_nm: required moment M_q, N·m.
    """
    least_nm = min((s.proved_nm for s in proved), default=None)
    return {
        "side": str(sector.side),
        "from_deg": _whole(sector.from_deg),
        "to_deg": _whole(sector.to_deg),
        "percent": _whole(sector.percent),
        "basis": sector.basis,
        "least_proved_nm": None if least_nm is None else round(least_nm, 1),
        "least_proved_percent": None if least_nm is None else _percent(least_nm, required_nm),
    }


def _lift(lift: LiftAngle, evidence: Evidence) -> dict[str, Any]:
    return {
        "wheel": lift.wheel,
        "t_s": _seconds(lift.t_ns),
        "u_t_s": _rounded_u(evidence.u_time_s.get(f"{WHEEL}{lift.wheel}")),
        "slew_deg": round(lift.slew_deg, 3),
        "slew_low_deg": round(lift.low_deg, 3),
        "slew_high_deg": round(lift.high_deg, 3),
        "estimate_deg": round(lift.estimate_deg, 3),
        "u_slew_deg": round(lift.budget.u, 4),
        "interval_deg": [round(end, 3) for end in lift.interval_deg],
        "travel_unknown": lift.travel_unknown,
        "budget": lift.budget.document(),
    }


def _radius_step(step: RadiusStep, evidence: Evidence) -> dict[str, Any]:
    told_by = {"sensor": "radius", "geometry": "boom_angle"}.get(step.by, "")
    u_s = evidence.u_time_s.get(told_by)
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


def _hold(hold: Hold, sweep: Sweep, *, required_nm: float) -> dict[str, Any]:
    budget, load = hold.moment_budget, hold.load
    known, swung = hold.radius_m is not None, load.swing_period_s is not None
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
        "swing_deg": round(load.swing_deg, 2) if swung else None,
        "swing_period_s": round(load.swing_period_s, 3) if load.swing_period_s else None,
        "load_amplitude_kg": round(load.amplitude_kg, 2),
        "beyond_parts_kg": round(load.beyond_parts_kg, 2),
        "moment_nm": round(hold.moment_nm, 1) if known else None,
        "u_moment_nm": round(hold.u_moment_nm, 1) if known else None,
        "proved_moment_nm": round(hold.proved_nm, 1),
        "proved_percent": _percent(hold.proved_nm, required_nm) if known else None,
        "percent_interval": _percent_interval(hold, required_nm),
        "moment_budget": None if budget is None else budget.document(),
    }


def _percent_interval(hold: Hold, required_nm: float) -> list[float] | None:
    """The percentage of the required moment that was hung, 95 % interval; None without radius."""
    if hold.moment_budget is None:
        return None
    ends = interval(percentage_budget(hold.moment_budget, required_nm))
    return [round(end, 3) for end in ends]


def _percent(moment_nm: float, required_nm: float) -> float:
    # Rounded down, so that 99.999 % never reads as what it does not reach.
    return round_down(100 * moment_nm / required_nm, 0.01)


def _rounded_u(u_s: float | None) -> float | None:
    """A time's standard uncertainty, s, to the µs; None where no clock was fitted."""
    return None if u_s is None else round(u_s, 6)


def _seconds(t_ns: int) -> float:
    return round(t_ns * 1e-9, 6)


def _whole(value: float) -> float | int:
    """74 rather than 74.0 where nothing follows the point."""
    return int(value) if float(value).is_integer() else value
