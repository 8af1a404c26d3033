"""What the truck model expects of a planned test: first lifts, and the reduction they would mean.

The model is a reckoning from the masses and springs of the test file. It tells where to look and
whether ballast is worth loading before the test; it proves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from dashboard.capacity.planning.plan import Plan, planned_moment
from dashboard.capacity.rounding import round_down
from dashboard.capacity.truck.truck_model import Side, first_lift, tipping_load_kg
from dashboard.capacity.uncertainty.budgets import decided
from logger.readings.model_table import TruckModel
from logger.readings.test_file import TestFile

_SIDES: tuple[Side, ...] = ("right", "left")
_TIPPING_STEP_DEG = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What is to be expected on one side.

    Attributes:
        side: right or left.
        limit_deg: how far the boom may slew, deg from over the rear.
        wheel: the first wheel to lift at the guarded radius; empty where none does.
        lift_deg: at which angle from over the rear, deg; None where none does.
        reduced_radius_m: the farthest tape step at which no wheel lifts up to the limit, at most
            the guarded radius, m; None where a wheel lifts at any radius.
        percent: what that radius would prove by the test's decision rule, rounded down, at most
            100.
    """

    side: Side
    limit_deg: float
    wheel: str
    lift_deg: float | None
    reduced_radius_m: float | None
    percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TippingMargin:
    """How near the test load comes to rigid tipping.

    Attributes:
        tipping_kg: the least tipping load at the guarded radius within the slew limits, kg.
        slew_deg: where that is, deg, right positive.
        share: test load over tipping load; infinite where the truck tips without a load.
    """

    tipping_kg: float
    slew_deg: float
    share: float


def expectations(test: TestFile, plan: Plan) -> tuple[Expectation, ...]:
    """What the model expects on each side; empty where the test file has no model."""
    if test.model is None:
        return ()
    return tuple(_expectation(test, test.model, plan, side) for side in _SIDES)


def tipping_margin(test: TestFile, plan: Plan) -> TippingMargin | None:
    """The nearest to rigid tipping that the planned load comes, or None without a model.

    None also where no load can tip the truck. Looked up every 2 degrees and at both slew limits.
    """
    if test.model is None:
        return None
    low, high = -test.truck.slew_limit_left_deg, test.truck.slew_limit_right_deg
    steps = math.floor((high - low) / _TIPPING_STEP_DEG)
    angles = [*(low + _TIPPING_STEP_DEG * n for n in range(steps + 1)), high]
    found = [
        (load_kg, angle)
        for angle in angles
        if (load_kg := tipping_load_kg(test.model, angle, plan.guarded_radius_m)) is not None
    ]
    if not found:
        return None
    least_kg, at_deg = min(found)
    share = plan.test_load_kg / least_kg if least_kg > 0 else math.inf
    return TippingMargin(tipping_kg=least_kg, slew_deg=at_deg, share=share)


def _expectation(test: TestFile, model: TruckModel, plan: Plan, side: Side) -> Expectation:
    limit_deg = (
        test.truck.slew_limit_right_deg if side == "right" else test.truck.slew_limit_left_deg
    )

    def lift(radius_m: float) -> tuple[str, float] | None:
        found = first_lift(model, side, plan.test_load_kg, radius_m)
        return found if found is not None and abs(found[1]) <= limit_deg else None

    first = lift(plan.guarded_radius_m)
    reduced_m = plan.guarded_radius_m
    if first is not None:
        reduced_m = _farthest_m(lambda r: lift(r) is None, plan)
    return Expectation(
        side=side,
        limit_deg=limit_deg,
        wheel="" if first is None else first[0],
        lift_deg=None if first is None else abs(first[1]),
        reduced_radius_m=reduced_m or None,
        percent=_percent(test, plan, reduced_m),
    )


def _farthest_m(stands: Callable[[float], bool], plan: Plan) -> float:
    """The farthest tape step that stands, by bisection; 0 where none does."""
    low, high = 0, round(plan.guarded_radius_m / plan.tape_step_m)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if stands(middle * plan.tape_step_m) else (low, middle)
    return round_down(low * plan.tape_step_m, plan.tape_step_m)


def _percent(test: TestFile, plan: Plan, radius_m: float) -> float:
    if radius_m <= 0:
        return 0.0
    moment = planned_moment(test, load_kg=plan.test_load_kg, radius_m=radius_m)
    percent = 100 * decided(moment, test.method.rule) / plan.required_moment_nm
    return min(100.0, round_down(percent, test.method.percent_step))
