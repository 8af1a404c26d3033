"""The plan: radius, guarded radius and the table."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.capacity.planning.plan import (
    make_plan,
    moment_nm,
    needed_load_kg,
    plan_table,
    planned_moment,
    u_moment_nm,
)
from dashboard.capacity.rounding import round_down, round_up
from dashboard.capacity.uncertainty.budget import COVERAGE_FACTOR
from logger.errors import FileInvalid
from logger.readings.test_file import read_test
from tests.made_run import TEST_TOML

CHECK_VALUES = Path(__file__).parent / "check_values"


def planned_test(*, load_kg=1400.0, u_kg=1.0, step_mm=10.0, tape_class="", factor=1.18):
    """A test file of one part."""
    text = TEST_TOML.replace("moment_factor = 1.18", f"moment_factor = {factor!r}")
    start, end = text.index("parts ="), text.index("above_cell")
    part = f'parts = [{{ name = "block", mass = "{load_kg!r} kg", u = "{u_kg!r} kg" }}]\n'
    text = text[:start] + part + text[end:].replace('above_cell = "40 kg"', "")
    method = f'[method]\ntape_step = "{step_mm!r} mm"\n'
    method += f'tape_class = "{tape_class}"\n' if tape_class else ""
    return read_test(text.replace("[method]\n", method))


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


@given(
    load_kg=st.floats(50, 20_000),
    u_share=st.floats(0, 0.2),
    step_mm=st.sampled_from([1.0, 5.0, 10.0, 25.4, 100.0]),
    tape_class=st.sampled_from(["", "I", "II", "III"]),
    factor=st.floats(1, 3),
)
def test_a_guarded_radius_proves_and_a_step_less_does_not(
    load_kg, u_share, step_mm, tape_class, factor
):
    """For any load, tape and factor: guarded ≥ bare; less U it reaches M_q; a step less, not."""
    test = planned_test(
        load_kg=load_kg,
        u_kg=u_share * load_kg,
        step_mm=step_mm,
        tape_class=tape_class,
        factor=factor,
    )
    plan = make_plan(test)

    def proved_nm(radius_m):
        budget = planned_moment(test, load_kg=plan.test_load_kg, radius_m=radius_m)
        return budget.value - budget.expanded

    bare_nm = moment_nm(load_kg=plan.test_load_kg, radius_m=plan.test_radius_m)
    assert plan.guarded_radius_m >= plan.test_radius_m
    assert bare_nm >= plan.required_moment_nm * (1 - 1e-9)
    assert proved_nm(plan.guarded_radius_m) >= plan.required_moment_nm
    if plan.guarded_radius_m > plan.tape_step_m:
        assert proved_nm(plan.guarded_radius_m - plan.tape_step_m) < plan.required_moment_nm
    proved = plan.guarded_moment_nm - plan.expanded_moment_nm
    assert proved == pytest.approx(proved_nm(plan.guarded_radius_m))


@given(st.floats(0.5, 30), st.floats(0, 0.2), st.sampled_from(["", "III"]))
def test_the_curve_is_the_plan_read_the_other_way(radius_m, u_share, tape_class):
    """The load that a radius needs, hung there, has the required moment, bare and guarded."""
    test = planned_test(u_kg=1400 * u_share, tape_class=tape_class)
    required_nm = make_plan(test).required_moment_nm
    bare_kg, guarded_kg = needed_load_kg(test, radius_m)

    assert moment_nm(load_kg=bare_kg, radius_m=radius_m) == pytest.approx(required_nm)
    budget = planned_moment(test, load_kg=guarded_kg, radius_m=radius_m)
    assert budget.value - budget.expanded == pytest.approx(required_nm)
    assert guarded_kg > bare_kg


def test_a_moment_comes_out_as_published():
    """500 lb at the end of a 40 ft boom that rises 1 in 2: 17 885 ft·lb as printed.

    The book's ch. 4 example in statics.json (read there; recomputed 17 888.5).
    """
    cases = json.loads((CHECK_VALUES / "statics.json").read_text())["cases"]
    case = next(c for c in cases if c["id"] == "engstatics_boom_moment")
    factors = json.loads((CHECK_VALUES / "units.json").read_text())["factors"]
    load_kg = case["given"]["W_lb"] * float(factors["lb_to_kg"])
    radius_m = case["given"]["boom_ft"] * 2 / math.sqrt(5) * float(factors["ft_to_m"])
    moment_ftlb = moment_nm(load_kg=load_kg, radius_m=radius_m) / float(factors["ft_lbf_to_N_m"])

    assert moment_ftlb == pytest.approx(case["answer"]["M1_ftlb"], rel=case["tolerance_rel"])
    assert moment_ftlb == pytest.approx(case["recomputed"]["M1_ftlb"], rel=1e-12)


def test_parts_of_one_scale_need_more_radius():
    """Their errors add up: 6 kg and 8 kg are 14 kg where one scale weighed both, else 10 kg."""
    parts = (
        '{ name = "a", mass = "700 kg", u = "6 kg"SCALE }, '
        '{ name = "b", mass = "700 kg", u = "8 kg"SCALE }'
    )
    start, end = TEST_TOML.index("parts ="), TEST_TOML.index("above_cell")

    def plan(scale):
        new = f"parts = [{parts.replace('SCALE', scale)}]\n"
        return make_plan(read_test(TEST_TOML[:start] + new + TEST_TOML[end:]))

    apart, together = plan(""), plan(', scale = "crane scale 3"')
    assert apart.u_test_load_kg == pytest.approx(10)
    assert together.u_test_load_kg == pytest.approx(14)
    # 53 100 N·m / (1380 kg · g) = 3.924 m and / (1372 kg · g) = 3.947 m, then the tape's share.
    assert apart.guarded_radius_m == 3.93
    assert together.guarded_radius_m == 3.95


def test_a_load_that_nobody_knows_is_refused_in_one_line():
    """Known to ± half of itself it proves nothing, and no radius would help."""
    with pytest.raises(FileInvalid, match=r"1400 kg known to ± 700 kg proves nothing"):
        make_plan(planned_test(u_kg=350.0))

    assert make_plan(planned_test(u_kg=349.0)).guarded_radius_m > 7.7


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
