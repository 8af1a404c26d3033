"""The test plan: which radius makes this load's moment the required moment.

W = Σ parts, M_q = k · M_r, R_t = M_q / (W g) rounded up to a step of the tape. The guarded
radius is the smallest tape step at which the moment reaches M_q even after its expanded
uncertainty is taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.test_file import TestFile

COVERAGE_FACTOR = 2.0
"""k = 2, about 95 % for a normal distribution (JCGM 100:2008, 6.3.3; from memory)."""

TABLE_SHARES = (0.8, 0.9, 1.0, 1.1, 1.2, 1.3)
"""Test loads of the plan's table, as shares of the planned one."""

_EXACT_ENOUGH = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to hang and how far out.

    Attributes:
        test_load_kg: all that hangs below the boom tip, kg.
        u_test_load_kg: its standard uncertainty, kg.
        moment_factor: k.
        required_moment_nm: M_q, N·m.
        tape_step_m: step to which a radius is set by tape, m.
        test_radius_m: R_t, rounded up to the tape step, m.
        guarded_radius_m: smallest tape step whose moment less its expanded uncertainty
            reaches M_q, m.
        u_radius_m: standard uncertainty of a radius that the guard allows for, m.
    """

    test_load_kg: float
    u_test_load_kg: float
    moment_factor: float
    required_moment_nm: float
    tape_step_m: float
    test_radius_m: float
    guarded_radius_m: float
    u_radius_m: float


def make_plan(test: TestFile, *, u_radius_m: float | None = None) -> Plan:
    """Plans a test.

    Args:
        test: the test file.
        u_radius_m: standard uncertainty of a radius, m; by default that of a reading rounded
            to the tape's step (rectangular: step / √12, JCGM 100:2008 4.3.7).
    """
    step_m = test.method.tape_step_m
    u_m = step_m / math.sqrt(12) if u_radius_m is None else u_radius_m
    required_nm = test.method.moment_factor * test.crane.rated_moment_nm
    load_kg, u_kg = test.load.mass_kg, test.load.u_kg
    radius_m = round_up(required_nm / (load_kg * STANDARD_GRAVITY_MPS2), step_m)
    return Plan(
        test_load_kg=load_kg,
        u_test_load_kg=u_kg,
        moment_factor=test.method.moment_factor,
        required_moment_nm=required_nm,
        tape_step_m=step_m,
        test_radius_m=radius_m,
        guarded_radius_m=_guarded_radius_m(
            required_nm=required_nm, load_kg=load_kg, u_kg=u_kg, u_m=u_m, step_m=step_m
        ),
        u_radius_m=u_m,
    )


def plan_table(test: TestFile) -> list[tuple[float, float, float]]:
    """Other test loads and the radii they need.

    Returns:
        (test load kg, test radius m, guarded radius m) for loads around the planned one.
    """
    plan = make_plan(test)
    rows = []
    for share in TABLE_SHARES:
        load_kg = share * plan.test_load_kg
        radius_m = plan.required_moment_nm / (load_kg * STANDARD_GRAVITY_MPS2)
        guarded_m = _guarded_radius_m(
            required_nm=plan.required_moment_nm,
            load_kg=load_kg,
            u_kg=share * plan.u_test_load_kg,
            u_m=plan.u_radius_m,
            step_m=plan.tape_step_m,
        )
        rows.append((load_kg, round_up(radius_m, plan.tape_step_m), guarded_m))
    return rows


def moment_nm(*, load_kg: float, radius_m: float) -> float:
    """Moment of a hanging load about the slew axis, N·m."""
    return load_kg * STANDARD_GRAVITY_MPS2 * radius_m


def u_moment_nm(*, load_kg: float, radius_m: float, u_load_kg: float, u_radius_m: float) -> float:
    """Standard uncertainty of a moment, load and radius independent (JCGM 100:2008 eq. 12)."""
    return STANDARD_GRAVITY_MPS2 * math.hypot(radius_m * u_load_kg, load_kg * u_radius_m)


def round_up(value: float, step: float) -> float:
    """The smallest multiple of a step that is not less than the value."""
    return _multiple(math.ceil(value / step - _EXACT_ENOUGH), step)


def round_down(value: float, step: float) -> float:
    """The largest multiple of a step that is not more than the value."""
    return _multiple(math.floor(value / step + _EXACT_ENOUGH), step)


def _multiple(count: int, step: float) -> float:
    # 387 × 0.01 is 3.8700000000000001; nine decimals bring back what a person would write.
    return round(count * step, 9)


def _guarded_radius_m(
    *, required_nm: float, load_kg: float, u_kg: float, u_m: float, step_m: float
) -> float:
    """Smallest tape step R with W g R − k u(W g R) ≥ M_q.

    Raises:
        ValueError: where the load is so uncertain that no radius would do.
    """
    if COVERAGE_FACTOR * u_kg >= load_kg:
        raise ValueError(f"a load of {load_kg:g} kg known to ±{COVERAGE_FACTOR * u_kg:g} kg")
    steps = math.ceil(required_nm / (load_kg * STANDARD_GRAVITY_MPS2) / step_m - _EXACT_ENOUGH)
    while True:
        radius_m = _multiple(steps, step_m)
        u_nm = u_moment_nm(load_kg=load_kg, radius_m=radius_m, u_load_kg=u_kg, u_radius_m=u_m)
        if moment_nm(load_kg=load_kg, radius_m=radius_m) - COVERAGE_FACTOR * u_nm >= required_nm:
            return radius_m
        steps += 1
