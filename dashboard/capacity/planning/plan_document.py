"""The plan of a test as the ``slewtrace.plan/1`` document: test file in, plain values out."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from dashboard.capacity.planning.expectation import TippingMargin, expectations, tipping_margin
from dashboard.capacity.planning.methods import required_moment
from dashboard.capacity.planning.plan import (
    Plan,
    make_plan,
    needed_load_kg,
    plan_table,
    planned_moment,
)
from dashboard.capacity.planning.plan_checks import Check, NotChecked, chart_capacity_kg, check_plan
from dashboard.capacity.planning.slew_rate import (
    CLOCK_U_S,
    USUAL_CONTACT_RATES_HZ,
    rate_by_contacts_dps,
    rate_by_swing_dps,
)
from dashboard.capacity.proof.quasi_static import swing_period_s
from dashboard.capacity.uncertainty.budget import Budget
from logger.readings.load_chart import LoadChart
from logger.readings.test_file import TestFile
from logger.safety_words import SAFETY_SENTENCES

FORMAT = "slewtrace.plan/1"

_CURVE_SHARES = (0.5, 1.6)
"""Radii of the curve, as shares of the guarded one."""
_CURVE_STEPS = 44


def plan_document(
    test: TestFile,
    *,
    chart: LoadChart | None = None,
    resolution_deg: float | None = None,
    contact_rate_hz: float | None = None,
) -> dict[str, Any]:
    """Everything a plan says.

    Args:
        test: the test file.
        chart: the crane's load chart, where there is one.
        resolution_deg: how finely the angle of a lift is wanted, deg; half the step to which
            sectors are rounded by default.
        contact_rate_hz: how often the wheel contacts are read, 1/s; usual rates where unknown.

    Raises:
        FileInvalid: where the load is too uncertain to plan with.
    """
    plan = make_plan(test)
    tipping = tipping_margin(test, plan)
    checks = check_plan(test, plan, chart=chart, tipping=tipping)
    moment = planned_moment(test, load_kg=plan.test_load_kg, radius_m=plan.guarded_radius_m)
    resolution = test.method.angle_step_deg / 2 if resolution_deg is None else resolution_deg
    return {
        "format": FORMAT,
        "test": test.test.id,
        "truck": test.truck.id,
        **asdict(plan),
        "rule": test.method.rule,
        "method": asdict(required_moment(test)) | {"preset": test.method.preset},
        "budget": _budget(moment),
        "table": [
            _row(load, radius, guarded, test, chart) for load, radius, guarded in plan_table(test)
        ],
        "curve": _curve(test, plan),
        "chart": None if chart is None else _chart(test, chart),
        "reach_m": test.crane.reach_m,
        "expected": [asdict(e) for e in expectations(test, plan)],
        "tipping": _tipping(tipping),
        "slewing": _slewing(test, plan, resolution, contact_rate_hz),
        "checks": [asdict(c) for c in checks if isinstance(c, Check)],
        "not_checked": [asdict(c) for c in checks if isinstance(c, NotChecked)],
        "cautions": list(SAFETY_SENTENCES),
    }


def _row(
    load_kg: float, radius_m: float, guarded_m: float, test: TestFile, chart: LoadChart | None
) -> dict[str, Any]:
    row = {"test_load_kg": load_kg, "test_radius_m": radius_m, "guarded_radius_m": guarded_m}
    return row if chart is None else row | {"chart_kg": chart_capacity_kg(test, chart, guarded_m)}


def _curve(test: TestFile, plan: Plan) -> dict[str, Any]:
    """Load against radius: what makes the required moment, bare and guarded."""
    low, high = _CURVE_SHARES
    step_m = (high - low) * plan.guarded_radius_m / _CURVE_STEPS
    radii = [low * plan.guarded_radius_m + n * step_m for n in range(_CURVE_STEPS + 1)]
    needed = [needed_load_kg(test, radius_m) for radius_m in radii]
    return {
        "radius_m": [round(r, 4) for r in radii],
        "load_kg": [round(bare, 3) for bare, _ in needed],
        "guarded_load_kg": [None if g is None else round(g, 3) for _, g in needed],
    }


def _chart(test: TestFile, chart: LoadChart) -> dict[str, Any]:
    """What the chart allows at each of its radii, by the boom length where that is fixed."""
    radii = sorted({row.radius_m for row in chart.rows})
    return {"radius_m": radii, "load_kg": [chart_capacity_kg(test, chart, r) for r in radii]}


def _budget(budget: Budget) -> dict[str, Any]:
    return {
        "name": budget.name,
        "unit": budget.unit,
        "value": budget.value,
        "u": budget.u,
        "degrees_of_freedom": _finite(budget.dof),
        "coverage_factor": budget.k,
        "expanded": budget.expanded,
        "contributions": [
            asdict(c.input)
            | {
                "dof": _finite(c.input.dof),
                "sensitivity": c.sensitivity,
                "u_y": c.u_y,
                "share": c.share,
            }
            for c in budget.contributions
        ],
    }


def _tipping(tipping: TippingMargin | None) -> dict[str, Any] | None:
    return None if tipping is None else asdict(tipping) | {"share": _finite(tipping.share)}


def _slewing(
    test: TestFile, plan: Plan, resolution_deg: float, contact_rate_hz: float | None
) -> dict[str, Any]:
    length_m = test.crane.rope_length_m or test.crane.tip_height_m
    period_s = None if length_m is None else swing_period_s(length_m)
    by_swing = None if period_s is None else rate_by_swing_dps(resolution_deg, period_s=period_s)
    rates = USUAL_CONTACT_RATES_HZ if contact_rate_hz is None else (contact_rate_hz,)
    return {
        "resolution_deg": resolution_deg,
        "clock_u_s": CLOCK_U_S,
        "pendulum_m": length_m,
        "pendulum_is_bound": test.crane.rope_length_m is None,
        "swing_period_s": period_s,
        "by_swing_dps": by_swing,
        "limit_dps": test.method.slew_rate_limit_dps,
        "by_contacts": [_pace(test, resolution_deg, hz, by_swing) for hz in rates],
        "arc_mm": 1000 * plan.guarded_radius_m * math.radians(resolution_deg),
    }


def _pace(
    test: TestFile, resolution_deg: float, contact_rate_hz: float, by_swing: float | None
) -> dict[str, Any]:
    """What contacts of a rate allow, and the least of that, the swing and the method's limit."""
    by_contacts = rate_by_contacts_dps(resolution_deg, contact_rate_hz=contact_rate_hz)
    limits = (by_contacts, by_swing, test.method.slew_rate_limit_dps)
    return {
        "contact_rate_hz": contact_rate_hz,
        "by_contacts_dps": by_contacts,
        "advised_dps": min(limit for limit in limits if limit is not None),
    }


def _finite(value: float) -> float | None:
    """A number for JSON, which knows no infinity."""
    return value if math.isfinite(value) else None
