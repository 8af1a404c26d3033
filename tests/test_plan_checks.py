"""What a plan checks and expects: chart, reach, head room, tipping, first lifts, slew rate."""

from __future__ import annotations

import json
import math

import pytest

from dashboard.capacity.planning.expectation import expectations, tipping_margin
from dashboard.capacity.planning.plan import make_plan, planned_moment
from dashboard.capacity.planning.plan_document import plan_document
from dashboard.capacity.planning.slew_rate import rate_by_contacts_dps, rate_by_swing_dps
from dashboard.capacity.truck.truck_model import first_lift
from dashboard.cli.plan_text import plan_text
from dashboard.demo.scenario import SCENARIOS, demo_test_toml
from dashboard.demo.swing import ROPE_M
from logger.readings.chart_table import read_load_chart
from logger.readings.test_file import read_test
from tests.made_run import TEST_TOML

CHART = "radius m,load kg\n2,2200\n3,1500\n4,1190\n5,900\n"
CRANE = 'rated_moment = "45 kN·m"'
BOX = """
[model]
column = ["0 m", "0 m"]
masses = [{ mass = "MASS", at = ["0 m", "0 m"] }]
supports = [
  { name = "fl", kind = "wheel", at = ["2 m", "1 m"], stiffness = "100 N/mm" },
  { name = "fr", kind = "wheel", at = ["2 m", "-1 m"], stiffness = "100 N/mm" },
  { name = "rl", kind = "wheel", at = ["-2 m", "1 m"], stiffness = "100 N/mm" },
  { name = "rr", kind = "wheel", at = ["-2 m", "-1 m"], stiffness = "100 N/mm" },
]
"""
HANGING_WHEEL = '"-1 m"], stiffness = "100 N/mm", preload = "-400 mm" },\n]'


def box_test(mass_kg):
    """A box of a mass on four equal springs, the column in its middle."""
    return read_test(TEST_TOML + BOX.replace("MASS", f"{mass_kg} kg"))


def check(code, *, crane="", chart=CHART, text=TEST_TOML):
    """One check of a test file with more in its [crane]."""
    test = read_test(text.replace(CRANE, f"{CRANE}\n{crane}"))
    document = plan_document(test, chart=read_load_chart(chart) if chart else None)
    return next((c for c in document["checks"] if c["code"] == code), document["not_checked"])


def test_the_radius_must_lie_within_reach():
    """3.88 m of 3.88 m is fine, of 3.87 m asks for a look; the numbers stand beside."""
    radius_m = make_plan(read_test(TEST_TOML)).guarded_radius_m
    near, far = check("reach", crane='reach = "3.88 m"'), check("reach", crane='reach = "3.87 m"')

    assert radius_m == 3.88
    assert (near["verdict"], near["value"], near["limit"]) == ("fine", 3.88, 3.88)
    assert far["verdict"] == "look"
    assert {"what": "radius within reach", "give": "[crane] reach"} in check("reach")


def test_the_load_is_held_against_the_chart_at_the_next_larger_radius():
    """1400 kg where the chart has 1190 kg at 4 m is 117.6 %, and 118 % is what is asked."""
    fine = check("chart")
    heavy = check("chart", chart=CHART.replace("1190", "1150"))

    assert fine["value"] == pytest.approx(100 * 1400 / 1190)
    assert fine["limit"] == pytest.approx(118 * 1.02)
    assert (fine["verdict"], heavy["verdict"]) == ("fine", "look")
    assert heavy["value"] == pytest.approx(100 * 1400 / 1150)


def test_beyond_the_chart_there_is_nothing_to_hold_against():
    """A radius that the chart does not list asks for another plan, not for a guess."""
    beyond = check("chart", chart="radius m,load kg\n2,2200\n3,1500\n")

    assert beyond["verdict"] == "look"
    assert beyond["value"] is None
    assert "allows nothing at 3.88 m" in beyond["says"]
    assert any("--chart" in n["give"] for n in check("none", chart=""))


def test_a_boom_of_one_length_is_held_against_its_own_lines():
    """Of a chart with two boom lengths the one of the geometry counts, not the least of both."""
    chart = "boom_length m,radius m,load kg\n5,3,1800\n5,4,1190\n9,3,1400\n9,4,1000\n"
    own = check(
        "chart",
        chart=chart,
        text=TEST_TOML.replace(
            "[load]", '[crane.geometry]\nfoot_pin_offset = "0 m"\nlength = "5 m"\n[load]'
        ),
    )

    assert own["value"] == pytest.approx(100 * 1400 / 1190)
    assert check("chart", chart=chart)["value"] == pytest.approx(100 * 1400 / 1000)


def test_head_room_is_what_is_left_above_the_hook():
    """5 m of tip less 3 m hanging less a hand's breadth is 1.9 m; 2 m of it are too many."""
    crane = 'tip_height = "5 m"\nhanging_height = "3 m"\nhead_room = "{} m"'
    room = check("head_room", crane=crane.format(1.8))

    assert room["value"] == pytest.approx(1.9)
    assert room["verdict"] == "fine"
    assert check("head_room", crane=crane.format(2))["verdict"] == "look"
    assert check("head_room", crane='tip_height = "2.5 m"\nhanging_height = "3 m"')["value"] < 0


def test_a_part_without_uncertainty_and_a_basis_from_memory_ask_for_a_look():
    """What nobody weighed and what nobody looked up is named."""
    preset = TEST_TOML.replace("moment_factor = 1.18", 'preset = "85-percent-of-tipping"')
    weighed = TEST_TOML.replace('mass = "40 kg"', 'mass = "40 kg", u = "0.1 kg"')

    assert "hook block" in check("parts")["says"]
    assert check("parts")["value"] == 1
    assert check("parts", text=weighed)["verdict"] == "fine"
    assert check("basis")["verdict"] == "fine"
    assert check("basis", text=preset)["verdict"] == "look"
    bare = TEST_TOML.replace('basis = "1/0.85, rounded"', "")
    assert check("basis", text=bare)["verdict"] == "look"


def test_the_margin_to_tipping_is_the_hand_computed_one():
    """A box of M tips over its side at M · 1 m / (R − 1 m): 4500 kg at 3.88 m hold 1562 kg."""
    test = box_test(4500)
    margin = tipping_margin(test, make_plan(test))

    assert margin.tipping_kg == pytest.approx(4500 / (3.88 - 1))
    assert abs(margin.slew_deg) == 90
    assert margin.share == pytest.approx(1400 * 2.88 / 4500)
    assert check("tipping", text=TEST_TOML + BOX.replace("MASS", "4500 kg"))["verdict"] == "fine"
    light = check("tipping", text=TEST_TOML + BOX.replace("MASS", "4400 kg"))
    assert light["verdict"] == "look"
    assert light["value"] == pytest.approx(100 * 1400 * 2.88 / 4400)


def test_a_truck_that_tips_by_itself_is_no_division_by_zero():
    """Its column of weight outside its wheels: tipping load 0, a look, and JSON without inf."""
    text = TEST_TOML + BOX.replace("MASS", "4500 kg").replace(
        'at = ["0 m", "0 m"]', 'at = ["0 m", "1.5 m"]'
    )
    document = plan_document(read_test(text))
    tipping = next(c for c in document["checks"] if c["code"] == "tipping")

    assert tipping["verdict"] == "look"
    assert document["tipping"]["share"] is None
    assert json.loads(json.dumps(document, allow_nan=False))["tipping"]["tipping_kg"] == 0
    assert "—   at most 90 %" in plan_text(document)


def demo_test(name):
    """The test file of one of the demo's scenarios."""
    return read_test(demo_test_toml(SCENARIOS[name]))


def test_the_expected_reduction_is_the_first_radius_that_goes_round():
    """There no wheel lifts up to the slew limit, one tape step farther out one does."""
    test = demo_test("both-sides")
    plan = make_plan(test)
    right, left = expectations(test, plan)

    for side in (right, left):
        at = first_lift(test.model, side.side, 1400.0, plan.guarded_radius_m)
        assert (side.wheel, side.lift_deg) == (at[0], abs(at[1]))
        step_m = side.reduced_radius_m + plan.tape_step_m
        assert first_lift(test.model, side.side, 1400.0, side.reduced_radius_m) is None
        assert first_lift(test.model, side.side, 1400.0, step_m) is not None
        moment = planned_moment(test, load_kg=1400.0, radius_m=side.reduced_radius_m)
        proved_percent = 100 * (moment.value - moment.expanded) / plan.required_moment_nm
        assert proved_percent - 1 < side.percent <= proved_percent
    assert right.limit_deg == 172
    assert left.limit_deg == 168


def test_a_truck_that_stands_is_expected_to_go_round_whole():
    """No lift, the guarded radius kept, 100 %; without a model nothing is expected."""
    steady = demo_test("steady")
    plan = make_plan(steady)

    for side in expectations(steady, plan):
        assert (side.wheel, side.lift_deg) == ("", None)
        assert (side.reduced_radius_m, side.percent) == (plan.guarded_radius_m, 100)
    assert expectations(read_test(TEST_TOML), plan) == ()
    assert tipping_margin(read_test(TEST_TOML), plan) is None


def test_a_lift_beyond_the_slew_limit_is_none():
    """What the boom never reaches lifts nothing in the test."""
    text = demo_test_toml(SCENARIOS["one-side"])
    test = read_test(text.replace('slew_limit_right = "172 deg"', 'slew_limit_right = "80 deg"'))
    right, _ = expectations(test, make_plan(test))

    assert first_lift(test.model, "right", 1400.0, 3.89)[1] > 80
    assert (right.wheel, right.percent) == ("", 100)


def test_no_radius_goes_round_where_a_wheel_hangs_already():
    """A truck whose wheel is off the ground without a load gets no percentage."""
    text = TEST_TOML + BOX.replace("MASS", "9000 kg").replace(
        'at = ["0 m", "0 m"] }]', 'at = ["1 m", "0.5 m"] }]'
    ).replace('"-1 m"], stiffness = "100 N/mm" },\n]', HANGING_WHEEL)
    document = plan_document(read_test(text))
    right, _ = document["expected"]

    assert right["wheel"] == "rr"
    assert (right["reduced_radius_m"], right["percent"]) == (None, 0)
    assert "no radius goes round" in " ".join(plan_text(document).split())


def test_contacts_set_the_slew_rate_by_hand():
    """0.5° in 1/50 s + 5 ms is 20°/s; 10 readings a second with a perfect clock make 5°/s."""
    assert rate_by_contacts_dps(0.5, contact_rate_hz=50) == pytest.approx(20)
    assert rate_by_contacts_dps(0.5, contact_rate_hz=10, clock_u_s=0) == pytest.approx(5)


@pytest.mark.parametrize("rope_m", [1.5, 3.6, 12.0])
def test_an_abrupt_slew_swings_the_load_as_a_pendulum_integrated_step_by_step(rope_m):
    """The boom tip set off at the advised rate runs ahead of its load by the resolution."""
    resolution_deg, radius_m, step_s = 0.5, 4.0, 1e-4
    period_s = math.tau * math.sqrt(rope_m / 9.80665)
    rate_dps = rate_by_swing_dps(resolution_deg, period_s=period_s)
    tip = load = speed = farthest = 0.0
    for _ in range(round(2 * period_s / step_s)):
        tip += radius_m * math.radians(rate_dps) * step_s
        speed += 9.80665 / rope_m * (tip - load) * step_s
        load += speed * step_s
        farthest = max(farthest, abs(tip - load))

    assert math.degrees(farthest / radius_m) == pytest.approx(resolution_deg, rel=2e-3)


def test_the_advised_rate_is_the_least_of_contacts_swing_and_method():
    """Each of the three can be the one that sets it."""
    rope = TEST_TOML.replace(CRANE, f'{CRANE}\nrope_length = "3.6 m"')
    slow = TEST_TOML.replace("[method]", '[method]\nslew_rate_limit = "0.4 deg/s"')

    def advised(text, hz):
        slewing = plan_document(read_test(text), contact_rate_hz=hz)["slewing"]
        (pace,) = slewing["by_contacts"]
        return pace["advised_dps"]

    swing_dps = 0.5 * math.tau / (math.tau * math.sqrt(3.6 / 9.80665))
    assert advised(TEST_TOML, 1.0) == pytest.approx(0.5 / 1.005)
    assert advised(TEST_TOML, 200.0) == 3.0
    assert advised(rope, 200.0) == pytest.approx(swing_dps)
    assert advised(slow, 200.0) == pytest.approx(0.4)


FULL = (
    demo_test_toml(SCENARIOS["both-sides"])
    .replace(
        CRANE,
        'rated_load = "1140 kg"\nrated_radius = "4 m"\nboom_tip_mass = "130 kg"\n'
        'reach = "3 m"\ntip_height = "5.2 m"\nhanging_height = "2.4 m"\nhead_room = "3.5 m"',
    )
    .replace(f'rope_length = "{ROPE_M} m"\n', "")
    .replace("moment_factor = 1.18", 'preset = "five-quarters-load-and-tenth-of-boom"')
)


@pytest.mark.parametrize("text", [TEST_TOML, FULL, TEST_TOML + BOX.replace("MASS", "9 t")])
@pytest.mark.parametrize("chart", [None, CHART])
def test_a_plan_is_read_in_a_terminal_of_80_columns(text, chart):
    """No line is wider; every number that decides stands in it; the caution ends it."""
    document = plan_document(read_test(text), chart=chart and read_load_chart(chart))
    told = plan_text(document)

    assert max(map(len, told.splitlines())) <= 80
    assert f"{document['guarded_radius_m']:.2f} m   use this one" in told
    assert f"{document['required_moment_nm'] / 1000:.2f} kN·m" in told
    for entry in (*document["checks"], *document["not_checked"]):
        assert entry["what"] in told
    for found in document["checks"]:
        assert (found["says"].split()[0] in told) or found["verdict"] == "fine"
    assert told.endswith("local code.")
    assert told.count("▲ LOOK") == sum(c["verdict"] == "look" for c in document["checks"])


def test_a_plan_sends_no_control_character_to_the_terminal():
    """A hostile name is shown without its escape sequences, and stays on its line."""
    text = TEST_TOML.replace('id = "Bench truck"', 'id = "red\\u001b[31m"')
    told = plan_text(plan_document(read_test(text)))

    assert "\x1b" not in told
    assert "truck red�[31m" in told


def test_a_plan_by_a_fine_tape_shows_all_its_decimals():
    """Set to the millimetre, a radius is told to the millimetre, also against the reach."""
    text = TEST_TOML.replace("[method]", '[method]\ntape_step = "1 mm"')
    document = plan_document(read_test(text.replace(CRANE, f'{CRANE}\nreach = "3.871 m"')))
    told = plan_text(document)

    assert document["test_radius_m"] == 3.868
    assert document["guarded_radius_m"] == 3.874
    assert "3.874 m   use this one" in told
    assert "3.874 m   at most 3.871 m" in told


def test_a_plan_by_the_simple_rule_says_that_the_bare_radius_would_do():
    """The guarded radius stays the advice, and the rule is named."""
    simple = TEST_TOML.replace("[method]", '[method]\nrule = "simple"')

    assert "simple acceptance" in plan_text(plan_document(read_test(simple)))
    assert "simple acceptance" not in plan_text(plan_document(read_test(TEST_TOML)))


def test_the_document_keeps_its_keys_and_is_plain_json():
    """Programs find the plan's numbers, the table and the budget, with no infinity in them."""
    document = json.loads(json.dumps(plan_document(read_test(FULL)), allow_nan=False))

    assert document["format"] == "slewtrace.plan/1"
    assert {"test_load_kg", "moment_factor", "required_moment_nm", "test_radius_m"} <= set(document)
    assert set(document["table"][0]) == {"test_load_kg", "test_radius_m", "guarded_radius_m"}
    assert sum(c["share"] for c in document["budget"]["contributions"]) == pytest.approx(1)
    assert document["budget"]["expanded"] == document["expanded_moment_nm"]
    assert document["slewing"]["pendulum_is_bound"]
    planned = [r for r in document["table"] if r["test_load_kg"] == document["test_load_kg"]]
    assert [r["guarded_radius_m"] for r in planned] == [document["guarded_radius_m"]]
