"""The test plan: which radius makes this load's moment the required moment.

W = Σ parts, M_q by the test's method, R_t = M_q / (W g) rounded up to a step of the tape. The
guarded radius is the smallest tape step at which the moment reaches M_q even after its expanded
uncertainty is taken off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from dashboard.capacity.planning.methods import required_moment
from dashboard.capacity.rounding import multiple, round_up, steps_up
from dashboard.capacity.uncertainty.budget import Budget, Input
from dashboard.capacity.uncertainty.budgets import moment_budget, test_load_inputs
from dashboard.capacity.uncertainty.tape_measure import tape_inputs
from logger.errors import FileInvalid
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.test_file import TestFile

TABLE_SHARES = (0.8, 0.9, 1.0, 1.1, 1.2, 1.3)
"""Test loads of the plan's table, as shares of the planned one."""

_MOST_UNCERTAIN = 0.5
"""Expanded uncertainty of a load, as a share of it, beyond which no plan is made of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to hang and how far out.

    Attributes:
        test_load_kg: all that hangs below the boom tip, kg.
        u_test_load_kg: its standard uncertainty, kg.
        moment_factor: k, required moment over rated moment.
        required_moment_nm: M_q, N·m.
        tape_step_m: step to which a radius is set by tape, m.
        test_radius_m: R_t, rounded up to the tape step, m.
        guarded_radius_m: smallest tape step whose moment less its expanded uncertainty
            reaches M_q, m.
        u_radius_m: standard uncertainty of a radius that the guard allows for, m.
        guarded_moment_nm: moment of the test load at the guarded radius, N·m.
        expanded_moment_nm: its expanded uncertainty, N·m.
        coverage_factor: k of that expanded uncertainty.
    """

    test_load_kg: float
    u_test_load_kg: float
    moment_factor: float
    required_moment_nm: float
    tape_step_m: float
    test_radius_m: float
    guarded_radius_m: float
    u_radius_m: float
    guarded_moment_nm: float
    expanded_moment_nm: float
    coverage_factor: float


def make_plan(test: TestFile, *, u_radius_m: float | None = None) -> Plan:
    """Plans a test.

    Args:
        test: the test file.
        u_radius_m: standard uncertainty of a radius, m; by default what the method's tape gives.

    Raises:
        FileInvalid: where the load is too uncertain to plan with.
    """
    load_kg, step_m = test.load.mass_kg, test.method.tape_step_m
    required = required_moment(test)
    guarded_m = _guarded_radius_m(test, load_kg, u_radius_m=u_radius_m)
    moment = planned_moment(test, load_kg=load_kg, radius_m=guarded_m, u_radius_m=u_radius_m)
    radius_inputs = _radius_inputs(test, guarded_m, u_radius_m)
    return Plan(
        test_load_kg=load_kg,
        u_test_load_kg=test.load.u_kg,
        moment_factor=required.factor,
        required_moment_nm=required.moment_nm,
        tape_step_m=step_m,
        test_radius_m=round_up(bare_radius_m(test, load_kg), step_m),
        guarded_radius_m=guarded_m,
        u_radius_m=math.hypot(*(i.u for i in radius_inputs)),
        guarded_moment_nm=moment.value,
        expanded_moment_nm=moment.expanded,
        coverage_factor=moment.k,
    )


def plan_table(test: TestFile) -> list[tuple[float, float, float]]:
    """Other test loads and the radii they need.

    Returns:
        (test load kg, test radius m, guarded radius m) for loads around the planned one.
    """
    rows = []
    for share in TABLE_SHARES:
        load_kg = share * test.load.mass_kg
        radius_m = round_up(bare_radius_m(test, load_kg), test.method.tape_step_m)
        rows.append((load_kg, radius_m, _guarded_radius_m(test, load_kg, u_radius_m=None)))
    return rows


def planned_moment(
    test: TestFile, *, load_kg: float, radius_m: float, u_radius_m: float | None = None
) -> Budget:
    """The moment of a load at a radius by tape, with its uncertainty.

    Args:
        test: the test file; a load other than its own is as uncertain, in proportion.
        load_kg: the load, kg.
        radius_m: its radius, m.
        u_radius_m: standard uncertainty of the radius, m; by default what the tape gives.
    """
    return moment_budget(
        load_kg=load_kg,
        load_inputs=load_inputs(test, load_kg),
        radius_m=radius_m,
        radius_inputs=_radius_inputs(test, radius_m, u_radius_m),
    )


def load_inputs(test: TestFile, load_kg: float) -> tuple[Input, ...]:
    """A load made of the test's parts in proportion, as input quantities, kg."""
    share = load_kg / test.load.mass_kg
    return tuple(
        replace(i, value=share * i.value, u=share * i.u) for i in test_load_inputs(test.load)
    )


def bare_radius_m(test: TestFile, load_kg: float) -> float:
    """The radius at which a load's moment is the required one, before any rounding, m."""
    return required_moment(test).moment_nm / (load_kg * STANDARD_GRAVITY_MPS2)


def needed_load_kg(test: TestFile, radius_m: float) -> tuple[float, float | None]:
    """The load that a radius needs, before any rounding: bare, and with the guard, kg.

    Moment and uncertainty both grow with the load, so the guarded one follows from any load's.
    The guarded one is None where the radius is too uncertain for any load to do.
    """
    load_kg, required_nm = test.load.mass_kg, required_moment(test).moment_nm
    moment = planned_moment(test, load_kg=load_kg, radius_m=radius_m)
    sure_nm = moment.value - moment.expanded
    bare_kg = load_kg * required_nm / moment.value
    return bare_kg, load_kg * required_nm / sure_nm if sure_nm > 0 else None


def moment_nm(*, load_kg: float, radius_m: float) -> float:
    """Moment of a hanging load about the slew axis, N·m."""
    return load_kg * STANDARD_GRAVITY_MPS2 * radius_m


def u_moment_nm(*, load_kg: float, radius_m: float, u_load_kg: float, u_radius_m: float) -> float:
    """Standard uncertainty of a moment, load and radius independent (JCGM 100:2008 eq. 12)."""
    return STANDARD_GRAVITY_MPS2 * math.hypot(radius_m * u_load_kg, load_kg * u_radius_m)


def radius_digits(step_m: float) -> int:
    """Decimals, two at least, that show a multiple of the tape step in metres."""
    whole = (n for n in range(2, 6) if abs(step_m * 10**n - round(step_m * 10**n)) < 1e-6)
    return next(whole, 5)


def _radius_inputs(test: TestFile, radius_m: float, u_radius_m: float | None) -> Sequence[Input]:
    if u_radius_m is None:
        return tape_inputs(test.method, radius_m)
    return (Input(name="radius", u=u_radius_m, value=radius_m, unit="m"),)


def _guarded_radius_m(test: TestFile, load_kg: float, *, u_radius_m: float | None) -> float:
    """Smallest tape step R with W g R − U(R) ≥ M_q.

    U grows with R, so each round's (M_q + U) / (W g) is still too small or just right: the
    rounds climb to the first step that will do.

    Raises:
        FileInvalid: where the load is too uncertain to plan with.
    """
    required_nm, step_m = required_moment(test).moment_nm, test.method.tape_step_m
    per_metre_nm = load_kg * STANDARD_GRAVITY_MPS2
    steps = steps_up(required_nm / per_metre_nm, step_m)
    while True:
        radius_m = multiple(steps, step_m)
        moment = planned_moment(test, load_kg=load_kg, radius_m=radius_m, u_radius_m=u_radius_m)
        if moment.value - moment.expanded >= required_nm:
            return radius_m
        _check_load_is_known(test, k=moment.k)
        needed = steps_up((required_nm + moment.expanded) / per_metre_nm, step_m)
        steps = max(needed, steps + 1)


def _check_load_is_known(test: TestFile, *, k: float) -> None:
    load_kg, expanded_kg = test.load.mass_kg, k * test.load.u_kg
    if expanded_kg >= _MOST_UNCERTAIN * load_kg:
        raise FileInvalid(
            where="test file, [load] parts",
            what=f"a load of {load_kg:g} kg known to ± {expanded_kg:g} kg proves nothing",
            would_do="weigh the parts; u is a standard uncertainty",
        )
