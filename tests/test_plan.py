"""The plan: radius, guarded radius and the table."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.capacity.plan import (
    COVERAGE_FACTOR,
    make_plan,
    moment_nm,
    plan_table,
    round_down,
    round_up,
    u_moment_nm,
)
from logger.readings.test_file import read_test
from tests.made_run import TEST_TOML


def test_the_design_example_comes_out():
    """1400 kg and 1.18 × 45 kN·m need 53 100 N·m and 3.87 m (3.8677 rounded up to 10 mm)."""
    plan = make_plan(read_test(TEST_TOML))

    assert plan.test_load_kg == 1400.0
    assert plan.required_moment_nm == pytest.approx(53_100.0)
    assert plan.test_radius_m == 3.87
    assert plan.guarded_radius_m > plan.test_radius_m


def test_constant_moment_gives_the_published_lift_truck_figure():
    """3000 lb at 24 in is 72 000 in·lb, so 30 in allows 2400 lb (29 CFR 1910.178, Appendix A).

    The plan asked for a moment of 72 000 in·lbf with 2400 lb must answer 30 in.
    """
    text = TEST_TOML.replace('rated_moment = "45 kN·m"', 'rated_moment = "72 000 in·lbf"')
    text = text.replace("moment_factor = 1.18", 'moment_factor = 1.0\ntape_step = "1 in"')
    text = text.replace('mass = "1360 kg", u = "1 kg"', 'mass = "2300 lb"')
    text = text.replace('mass = "40 kg"', 'mass = "100 lb"')
    plan = make_plan(read_test(text))

    assert plan.test_radius_m / 0.0254 == pytest.approx(30.0)


def test_the_guarded_radius_is_the_first_tape_step_that_still_proves_the_moment():
    """One step less would not reach the moment after its expanded uncertainty is taken off."""
    test = read_test(TEST_TOML)
    plan = make_plan(test)

    def proved(radius_m):
        u_nm = u_moment_nm(
            load_kg=plan.test_load_kg,
            radius_m=radius_m,
            u_load_kg=plan.u_test_load_kg,
            u_radius_m=plan.u_radius_m,
        )
        return moment_nm(load_kg=plan.test_load_kg, radius_m=radius_m) - COVERAGE_FACTOR * u_nm

    assert proved(plan.guarded_radius_m) >= plan.required_moment_nm
    assert proved(plan.guarded_radius_m - plan.tape_step_m) < plan.required_moment_nm
    assert plan.u_radius_m == pytest.approx(0.01 / math.sqrt(12))


def test_the_table_trades_weight_for_radius():
    """More weight needs less radius; the planned load is in the table with the planned radius."""
    test = read_test(TEST_TOML)
    rows = plan_table(test)

    assert [r[0] for r in rows] == sorted(r[0] for r in rows)
    assert [r[1] for r in rows] == sorted((r[1] for r in rows), reverse=True)
    assert (1400.0, 3.87) in [(load, radius) for load, radius, _ in rows]


@given(st.floats(0.001, 1e4), st.sampled_from([0.01, 0.0254, 0.5, 1.0, 5.0]))
def test_rounding_is_only_ever_to_the_side_it_says(value, step):
    """Up is never less and down never more, and neither by a whole step."""
    assert value - 1e-6 <= round_up(value, step) < value + step + 1e-6
    assert value - step - 1e-6 < round_down(value, step) <= value + 1e-6
    assert round_up(387 * 0.01, 0.01) == 3.87
    assert round_down(90.0, 1.0) == 90.0
