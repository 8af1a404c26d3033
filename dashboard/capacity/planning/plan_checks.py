"""Whether a plan can be carried out: each check a number against its limit.

A check says *fine* or *look*; *look* asks a person, it forbids nothing. What can't be checked
because the test file does not say enough is listed with the key that would say it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from dashboard.capacity.planning.expectation import TippingMargin
from dashboard.capacity.planning.methods import required_moment
from dashboard.capacity.planning.plan import Plan
from logger.readings.load_chart import LoadChart
from logger.readings.test_file import TestFile

NEAR_TIPPING = 0.90
"""Share of the rigid tipping load beyond which a plan asks for a look (our own figure; common
practice, no source)."""

CHART_ROUNDING = 0.02
"""Share by which rounding up to the tape may exceed the method's factor on the chart (our own)."""

HAND_M = 0.1
"""How high a test load hangs above the ground: a hand's breadth, m."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One check of a plan.

    Attributes:
        code: name for programs.
        what: what is checked, in a few words.
        value: the plan's number; None where the check has none.
        limit: what it is held to; None where there is none.
        bound: which side of the limit is fine.
        unit: of both, ``""`` for none.
        verdict: fine or look.
        says: what it means and what to do, one sentence.
    """

    code: str
    what: str
    value: float | None = None
    limit: float | None = None
    bound: Literal["at most", "at least", ""] = ""
    unit: str = ""
    verdict: Literal["fine", "look"]
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NotChecked:
    """A check that needs what the test file does not say.

    Attributes:
        what: what was not checked.
        give: what would let it be checked.
    """

    what: str
    give: str


def check_plan(
    test: TestFile, plan: Plan, *, chart: LoadChart | None, tipping: TippingMargin | None
) -> tuple[Check | NotChecked, ...]:
    """All checks of a plan at its guarded radius, in the order of a person's questions.

    Args:
        test: the test file.
        plan: its plan.
        chart: the crane's load chart, where there is one.
        tipping: the margin to rigid tipping, where there is a model.
    """
    checks: tuple[Callable[[], Check | NotChecked], ...] = (
        lambda: _basis(test),
        lambda: _parts(test),
        lambda: _chart(test, plan, chart),
        lambda: _reach(test, plan),
        lambda: _head_room(test),
        lambda: _tipping(test, plan, tipping),
    )
    return tuple(check() for check in checks)


def chart_capacity_kg(test: TestFile, chart: LoadChart, radius_m: float) -> float | None:
    """What the crane's chart allows at a radius, by its boom length where that is fixed, kg."""
    geometry = test.crane.geometry
    return chart.capacity_kg(radius_m, None if geometry is None else geometry.length_m)


def _basis(test: TestFile) -> Check:
    basis = required_moment(test)
    unsure = "from memory" in basis.basis
    if not basis.stated:
        says = "the method states no basis: name the rule, manual or procedure in [method] basis"
    elif unsure:
        says = "the basis is given from memory: hold it against your edition before the test"
    else:
        says = "the method states its basis"
    fine = basis.stated and not unsure
    return Check(
        code="basis", what="basis of the method", verdict="fine" if fine else "look", says=says
    )


def _parts(test: TestFile) -> Check:
    bare = [p.name for p in test.load.parts if not p.u_kg]
    says = (
        f"no uncertainty is stated for {', '.join(bare)}: weigh it, or give u"
        if bare
        else "every part of the load states its uncertainty"
    )
    return Check(
        code="parts",
        what="parts without uncertainty",
        value=len(bare),
        limit=0,
        bound="at most",
        verdict="look" if bare else "fine",
        says=says,
    )


def _chart(test: TestFile, plan: Plan, chart: LoadChart | None) -> Check | NotChecked:
    what = "test load on the chart"
    if chart is None:
        return NotChecked(what=what, give="--chart FILE or [crane] chart")
    rated_kg = chart_capacity_kg(test, chart, plan.guarded_radius_m)
    most = 100 * plan.moment_factor * (1 + CHART_ROUNDING)
    if not rated_kg:
        return Check(
            code="chart",
            what=what,
            limit=most,
            bound="at most",
            unit="%",
            verdict="look",
            says=f"the chart allows nothing at {plan.guarded_radius_m:.2f} m: plan another load",
        )
    percent = 100 * plan.test_load_kg / rated_kg
    fine = percent <= most
    says = f"{plan.test_load_kg:g} kg where the chart allows {rated_kg:g} kg"
    if not fine:
        says += ": more than the method asks for there; plan another load or ask the crane's maker"
    return Check(
        code="chart",
        what=what,
        value=percent,
        limit=most,
        bound="at most",
        unit="%",
        verdict="fine" if fine else "look",
        says=says,
    )


def _reach(test: TestFile, plan: Plan) -> Check | NotChecked:
    reach_m = test.crane.reach_m
    if reach_m is None:
        return NotChecked(what="radius within reach", give="[crane] reach")
    fine = plan.guarded_radius_m <= reach_m
    return Check(
        code="reach",
        what="radius within reach",
        value=plan.guarded_radius_m,
        limit=reach_m,
        bound="at most",
        unit="m",
        verdict="fine" if fine else "look",
        says="the crane reaches that far" if fine else "out of reach: take a heavier load",
    )


def _head_room(test: TestFile) -> Check | NotChecked:
    crane, what = test.crane, "head room above the hook"
    missing = [
        key
        for key, value in (
            ("tip_height", crane.tip_height_m),
            ("hanging_height", crane.hanging_height_m),
        )
        if value is None
    ]
    if crane.tip_height_m is None or crane.hanging_height_m is None:
        return NotChecked(what=what, give=f"[crane] {' and '.join(missing)}")
    room_m = crane.tip_height_m - crane.hanging_height_m - HAND_M
    least_m = crane.head_room_m or 0.0
    fine = room_m >= least_m
    return Check(
        code="head_room",
        what=what,
        value=room_m,
        limit=least_m,
        bound="at least",
        unit="m",
        verdict="fine" if fine else "look",
        says=f"boom tip at {crane.tip_height_m:g} m, {crane.hanging_height_m:g} m hang below the "
        "hook, a hand's breadth off the ground"
        + ("" if fine else ": shorten the rigging or raise the boom"),
    )


def _tipping(test: TestFile, plan: Plan, tipping: TippingMargin | None) -> Check | NotChecked:
    what = "share of the tipping load"
    if test.model is None:
        return NotChecked(what=what, give="a [model] table")
    if tipping is None:
        return Check(
            code="tipping",
            what=what,
            value=0.0,
            limit=100 * NEAR_TIPPING,
            bound="at most",
            unit="%",
            verdict="fine",
            says="by the model no load can tip the truck at this radius",
        )
    fine = tipping.share <= NEAR_TIPPING
    says = (
        f"by the model {tipping.tipping_kg:.0f} kg would begin to tip the truck at "
        f"{tipping.slew_deg:.0f}°, {plan.guarded_radius_m:.2f} m"
    )
    return Check(
        code="tipping",
        what=what,
        value=100 * tipping.share if tipping.tipping_kg > 0 else None,
        limit=100 * NEAR_TIPPING,
        bound="at most",
        unit="%",
        verdict="fine" if fine else "look",
        says=says if fine else f"{says}: ballast the truck or test at a lower rating first",
    )
