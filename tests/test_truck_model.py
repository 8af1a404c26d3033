"""The truck as a rigid frame on one-sided springs."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from scipy.optimize import linprog

from dashboard.capacity.truck.truck_model import (
    first_lift,
    model_result,
    reactions_n,
    stand,
    tipping_load_kg,
)
from logger.errors import FileInvalid
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.test_file import read_test
from tests.made_trucks import corners, loads, radii, slews, truck, trucks, weight_and_centre

# Textbook statics; each case in the file names its source.
STATICS = json.loads(
    (Path(__file__).parent / "check_values" / "statics.json").read_text(encoding="utf-8")
)
CASES = {case["id"]: case for case in STATICS["cases"]}
VECTORS = STATICS["elastic_supports"]["vectors"]


def at_rest(model):
    """Reactions without a load."""
    return reactions_n(model, np.array([0.0]), 0.0, 0.0)[0]


@pytest.mark.parametrize("vector", VECTORS[:3], ids=lambda v: f"{v.get('x')},{v.get('y')}")
def test_equal_springs_at_four_corners(vector):
    """Reactions agree with the table of equal springs, also after a corner has lifted.

    Source: statics.json, elastic_supports, vectors 1 to 3 (recomputed there).
    """
    mass = vector["W"] / STANDARD_GRAVITY_MPS2
    model = truck(
        supports=corners(vector["L"], vector["B"]), masses=[(mass, vector["x"], vector["y"])]
    )
    expected = vector.get("three_support_after_lift", vector.get("plane"))

    assert at_rest(model) == pytest.approx(expected, abs=1e-9 * vector["W"])


@pytest.mark.parametrize("vector", VECTORS[:2])
def test_rectangle_formula(vector):
    """Inside the kern the reactions are W/4 · (1 ± 2x/L ± 2y/B).

    Source: statics.json, elastic_supports, "rectangle".
    """
    weight, length, width = vector["W"], vector["L"], vector["B"]
    mass = weight / STANDARD_GRAVITY_MPS2
    model = truck(supports=corners(length, width), masses=[(mass, vector["x"], vector["y"])])
    lean = 2 * vector["x"] / length, 2 * vector["y"] / width
    expected = [weight / 4 * (1 + sx * lean[0] + sy * lean[1]) for sx in (1, -1) for sy in (1, -1)]

    assert at_rest(model) == pytest.approx(expected, abs=1e-9 * weight)


def test_three_supports_are_determinate():
    """Three supports carry what statics alone says, whatever their stiffness.

    Source: statics.json, elastic_supports, vector 4.
    """
    vector = VECTORS[3]
    stiffness = (2e5, 5e5, 9e4)
    model = truck(
        supports=[
            (x, y, k, 0.0, "wheel") for (x, y), k in zip(vector["supports"], stiffness, strict=True)
        ],
        masses=[(vector["W"] / STANDARD_GRAVITY_MPS2, vector["x"], vector["y"])],
    )

    assert at_rest(model) == pytest.approx(vector["reactions"], abs=1e-9)


def test_car_on_two_axles():
    """A car whose front axle carries 52 % has its centre of mass at 1.3 m from the rear axle.

    Source: OpenStax University Physics vol. 1, ch. 12.1 worked example (statics.json).
    """
    case = CASES["openstax_car_cg"]
    base = case["given"]["wheelbase_m"]
    model = truck(
        supports=[(x, y, 2e5, 0.0, "wheel") for x in (0.0, base) for y in (0.7, -0.7)],
        masses=[(1500.0, case["answer"]["cg_from_rear_axle_m"], 0.0)],
    )
    reactions = at_rest(model)

    assert reactions[2:].sum() / reactions.sum() == pytest.approx(
        case["given"]["front_fraction"], abs=case["tolerance"]
    )


def test_person_on_a_scaffold():
    """The ropes of a scaffold with a person on it carry 711 N and 466 N.

    Source: OpenStax University Physics vol. 1, ch. 12.2, Check Your Understanding
    (statics.json); published with g = 9.8, so held to 1 N.
    """
    case = CASES["openstax_scaffold_person"]
    given = case["given"]
    length = given["length_m"]
    # Slew axis at the near end, the "boom" over the far one: the person is the load.
    model = truck(
        supports=[(x, y, 3e4, 0.0, "wheel") for x in (0.0, -length) for y in (0.5, -0.5)],
        masses=[(float(given["scaffold_kg"]), -length / 2, 0.0)],
    )
    reactions = reactions_n(model, [0.0], given["person_kg"], given["person_from_end_m"])[0]

    assert reactions[:2].sum() == pytest.approx(case["answer"]["near_N"], abs=case["tolerance_N"])
    assert reactions[2:].sum() == pytest.approx(case["answer"]["far_N"], abs=case["tolerance_N"])


def test_first_lift_where_the_kern_ends():
    """On equal corners a wheel lifts where |x|/L + |y|/B = 1/2, long before tipping.

    Source: statics.json, elastic_supports, "first_lift_condition". With L = 4 m, B = 2 m and
    the centre of all masses 1 m from the middle, cos ψ/4 + sin ψ/2 = 1/2 has the root
    (cos, sin) = (0.8, 0.6), by hand.
    """
    model = truck(supports=corners(4, 2), masses=[(1000.0, 0.0, 0.0)])
    angle = math.degrees(math.atan2(0.6, 0.8))

    # 500 kg at 3 m on 1,000 kg: the centre is 1 m out. Over the right rear, the left front lifts.
    assert first_lift(model, "right", 500.0, 3.0) == ("s0", pytest.approx(angle, abs=1e-6))
    assert first_lift(model, "left", 500.0, 3.0) == ("s1", pytest.approx(-angle, abs=1e-6))
    assert tipping_load_kg(model, angle, 3.0) > 500.0


def test_no_lift_where_the_kern_is_not_left():
    """A load that stays inside the kern lifts no wheel to 180 degrees."""
    model = truck(supports=corners(4, 2), masses=[(1000.0, 0.0, 0.0)])
    least = 1 / math.hypot(1 / 4, 1 / 2) / 2  # distance from the middle to the kern's edge, m

    assert first_lift(model, "right", 500.0, 3 * least * 0.999) is None
    assert first_lift(model, "right", 500.0, 3 * least * 1.001) is not None


def test_a_wheel_that_only_just_touches_zero_is_found():
    """A lift that lasts for less than the scan's step is not skipped."""
    model = truck(supports=corners(4, 2), masses=[(1000.0, 0.0, 0.0)])
    least = 1 / math.hypot(1 / 4, 1 / 2) / 2
    lift = first_lift(model, "right", 500.0, 3 * least * (1 + 1e-8))

    assert lift is not None
    assert lift[1] == pytest.approx(math.degrees(math.atan2(2, 1)), abs=0.02)


def test_outriggers_do_not_count_as_wheels():
    """The first lift names a wheel although an outrigger opens earlier."""
    wheels = corners(4, 2)
    outrigger = (1.0, 1.5, 1e5, -0.001, "outrigger")
    model = truck(supports=[outrigger, *wheels], masses=[(1000.0, 0.0, 0.0)])
    wheel, angle = first_lift(model, "right", 500.0, 3.0)
    reactions = reactions_n(model, [angle - 0.01], 500.0, 3.0)[0]

    assert wheel == "s1"
    assert reactions[0] == 0
    assert (reactions[1:] > 0).all()


def test_a_wheel_open_over_the_rear_lifts_at_zero():
    """A wheel that never touched is a lift at 0 degrees on both sides."""
    wheels = [*corners(4, 2), (0.0, 0.0, 1e5, -0.5, "wheel")]
    model = truck(supports=wheels, masses=[(1000.0, 0.0, 0.0)])

    assert first_lift(model, "right", 10.0, 1.0) == ("s4", 0.0)
    assert first_lift(model, "left", 10.0, 1.0) == ("s4", 0.0)


def test_directions_of_slew():
    """Over the rear presses the rear, +90 degrees the right side, 180 degrees the front."""
    model = truck(supports=corners(4, 2), masses=[(1000.0, 0.0, 0.0)])
    front_left, front_right, rear_left, rear_right = reactions_n(
        model, [0.0, 90.0, 180.0, -90.0], 100.0, 2.0
    ).T

    assert (rear_left[0] > front_left[0]) & (rear_right[0] > front_right[0])
    assert (front_right[1] > front_left[1]) & (rear_right[1] > rear_left[1])
    assert (front_left[2] > rear_left[2]) & (front_right[2] > rear_right[2])
    assert (front_left[3] > front_right[3]) & (rear_left[3] > rear_right[3])


def test_slewing_masses_turn_with_the_boom():
    """A slewing mass acts like a load of its mass at its radius."""
    still = truck(supports=corners(4, 2), masses=[(1000.0, 0.1, 0.0)], column=(-0.3, 0.2))
    turning = truck(
        supports=corners(4, 2),
        masses=[(1000.0, 0.1, 0.0)],
        slewing=[(150.0, 1.5)],
        column=(-0.3, 0.2),
    )
    slew = np.arange(-180.0, 181.0, 7.0)

    assert reactions_n(turning, slew, 0.0, 0.0) == pytest.approx(
        reactions_n(still, slew, 150.0, 1.5), abs=1e-6
    )


# ------------------------------------------------------------------ properties


def margin_by_linear_programme(model, centre_m):
    """How far the centre can be pushed away from the supports' middle and still be carried."""
    place = np.array([s.at_m for s in model.supports])
    away = np.array(centre_m) - place.mean(axis=0)
    # Greatest factor f such that middle + f · away is a mixture of the supports.
    count = len(place)
    equal = np.zeros((3, count + 1))
    equal[:2, :count], equal[:2, count] = place.T, -away
    equal[2, :count] = 1.0
    found = linprog(
        np.array([0.0] * count + [-1.0]),
        A_eq=equal,
        b_eq=np.array([*place.mean(axis=0), 1.0]),
        bounds=[(0, None)] * count + [(0, 1e6)],
    )
    return found.x[-1]


@settings(max_examples=100, deadline=None)
@given(model=trucks(), slew=slews, load=loads, radius=radii)
def test_forces_and_moments_balance(model, slew, load, radius):
    """Reactions sum to the weight, balance its moments and never pull."""
    weight, centre = weight_and_centre(model, slew, load, radius)
    reactions = reactions_n(model, [slew], load, radius)[0]
    place = np.array([s.at_m for s in model.supports])

    if np.isnan(reactions).any():
        assert np.isnan(reactions).all()
        assert margin_by_linear_programme(model, centre) < 1 + 1e-6
    else:
        assert margin_by_linear_programme(model, centre) > 1 - 1e-6
        assert (reactions >= 0).all()
        assert reactions.sum() == pytest.approx(weight, rel=1e-9)
        assert reactions @ place == pytest.approx(weight * np.array(centre), abs=1e-9 * weight)


@settings(max_examples=50, deadline=None)
@given(model=trucks(), slew=slews, load=loads, radius=radii)
def test_a_support_pushes_only_where_it_is_pressed(model, slew, load, radius):
    """Reaction is stiffness times closure where that is above zero, and zero where it is not."""
    at_m = np.array(model.column_m) - radius * np.array(
        [[math.cos(math.radians(slew)), math.sin(math.radians(slew))]]
    )
    found = stand(model, np.array([slew]), np.array([load]), at_m)
    closure, reactions = found.closure_m[0], found.reactions_n[0]
    if np.isnan(closure).any():
        return
    stiffness = np.array([s.stiffness_npm for s in model.supports])
    place = np.column_stack(
        [np.ones(len(model.supports)), np.array([s.at_m for s in model.supports])]
    )
    sinking = closure - np.array([s.preload_m for s in model.supports])
    plane = np.linalg.lstsq(place, sinking, rcond=None)[0]

    assert reactions == pytest.approx(stiffness * np.maximum(closure, 0))
    # The frame is rigid: the sinkings lie on one plane.
    assert place @ plane == pytest.approx(sinking, abs=1e-6 * max(1.0, np.abs(sinking).max()))


def mirrored(model):
    """The truck with left and right changed over."""
    flip = {"at_m": lambda s: (s.at_m[0], -s.at_m[1])}
    return model.model_copy(
        update={
            "column_m": (model.column_m[0], -model.column_m[1]),
            "masses": tuple(m.model_copy(update={"at_m": flip["at_m"](m)}) for m in model.masses),
            "supports": tuple(
                s.model_copy(update={"at_m": flip["at_m"](s)}) for s in model.supports
            ),
        }
    )


@settings(max_examples=30, deadline=None)
@given(model=trucks(), slew=slews, load=loads, radius=radii)
def test_a_mirrored_truck_does_the_mirrored_thing(model, slew, load, radius):
    """Left and right changed over, reactions stay and first lifts change sign."""
    one = reactions_n(model, [slew], load, radius)
    other = reactions_n(mirrored(model), [-slew], load, radius)
    lift = first_lift(model, "right", load, radius)
    image = first_lift(mirrored(model), "left", load, radius)
    weight, _ = weight_and_centre(model, slew, load, radius)

    assert np.isnan(one).tolist() == np.isnan(other).tolist()
    assert one == pytest.approx(other, abs=1e-6 * weight, nan_ok=True)
    assert (lift is None) == (image is None)
    if lift is not None:
        assert image == (lift[0], pytest.approx(-lift[1], abs=1e-5))


@settings(max_examples=30, deadline=None)
@given(model=trucks(), load=loads, radius=radii)
def test_before_the_first_lift_every_wheel_presses(model, load, radius):
    """Up to the first lift all reactions are above zero; at it, one has gone."""
    lift = first_lift(model, "right", load, radius)
    end = 180.0 if lift is None else lift[1] - 1e-5
    before = reactions_n(model, np.linspace(0, max(end, 0), 300), load, radius)

    if lift is None or lift[1] > 1e-4:
        assert (before > 0).all()
    if lift is not None:
        names = [s.name for s in model.supports]
        at = reactions_n(model, [lift[1]], load, radius)[0]
        weight, _ = weight_and_centre(model, lift[1], load, radius)
        assert np.isnan(at).all() or at[names.index(lift[0])] == pytest.approx(0, abs=1e-3 * weight)


def test_many_angles_at_once_are_one_angle_each():
    """Rows do not depend on their neighbours, but for rounding."""
    model = truck(supports=corners(4, 2), masses=[(1000.0, 0.0, 0.0)])
    slew = np.arange(-180.0, 180.0, 11.0)
    single = np.vstack([reactions_n(model, [a], 600.0, 3.0) for a in slew])

    assert reactions_n(model, slew, 600.0, 3.0) == pytest.approx(single, abs=1e-8, nan_ok=True)


# ------------------------------------------------------------------ the result

TEST_TOML = """
[test]
id = "t"
[truck]
id = "invented"
wheels = ["fl", "fr", "rl", "rr"]
[crane]
rated_moment = "10 kN·m"
[load]
parts = [{ name = "block", mass = "500 kg" }]
"""
MODEL_TOML = """
[model]
column = ["0 m", "0 m"]
masses = [{ mass = "1000 kg", at = ["0 m", "0 m"] }]
supports = [
  { name = "fl", kind = "wheel", at = ["2 m", "1 m"], stiffness = "100 N/mm" },
  { name = "fr", kind = "wheel", at = ["2 m", "-1 m"], stiffness = "100 N/mm" },
  { name = "rl", kind = "wheel", at = ["-2 m", "1 m"], stiffness = "100 N/mm" },
  { name = "rr", kind = "wheel", at = ["-2 m", "-1 m"], stiffness = "100 N/mm" },
]
"""


def test_result_has_the_promised_keys():
    """The result holds a row of reactions and a tipping load for each angle, as plain JSON."""
    test = read_test(TEST_TOML + MODEL_TOML)
    result = model_result(test, radius_m=3.0, load_kg=500.0, step_deg=10)
    back = json.loads(json.dumps(result, allow_nan=False))

    assert back["format"] == "slewtrace.model/1"
    assert back["supports"] == ["fl", "fr", "rl", "rr"]
    assert back["slew_deg"] == list(range(-180, 181, 10))
    assert {len(row) for row in back["reactions_n"]} == {4}
    assert len(back["reactions_n"]) == len(back["tipping_load_kg"]) == len(back["slew_deg"])
    assert back["first_lift"]["right"] == {
        "wheel": "fl",
        "slew_deg": pytest.approx(36.8698976, abs=1e-6),
    }
    assert back["first_lift"]["left"]["wheel"] == "fr"
    # Over the side, 1,000 kg with 1 m of lever hold 500 kg with 2 m: on the brink at 500 kg.
    assert back["tipping_load_kg"][back["slew_deg"].index(90)] == pytest.approx(500.0)


def test_result_says_none_where_the_truck_overturns_or_cannot_tip():
    """Reactions are null where nothing balances; so is a tipping load that does not exist."""
    test = read_test(TEST_TOML + MODEL_TOML)
    far = model_result(test, radius_m=3.5, load_kg=500.0, step_deg=90)
    near = model_result(test, radius_m=0.5, load_kg=500.0, step_deg=90)
    over_the_side = far["slew_deg"].index(90)

    assert far["reactions_n"][over_the_side] == [None] * 4
    assert near["tipping_load_kg"] == [None] * 5
    assert near["first_lift"] == {"right": None, "left": None}


def test_a_step_that_does_not_divide_the_circle():
    """Angles are multiples of the step on either side of the rear."""
    test = read_test(TEST_TOML + MODEL_TOML)

    assert model_result(test, radius_m=1.0, load_kg=1.0, step_deg=70)["slew_deg"] == [
        -140,
        -70,
        0,
        70,
        140,
    ]


def test_no_model_is_the_persons_error():
    """A test file without a model is told in one line."""
    with pytest.raises(FileInvalid, match=r"\[model\]: is missing"):
        model_result(read_test(TEST_TOML), radius_m=3.0, load_kg=1.0)


@pytest.mark.parametrize(
    "wrong",
    [{"step_deg": 0}, {"step_deg": 181}, {"load_kg": -1.0}, {"radius_m": math.inf}],
    ids=str,
)
def test_sizes_that_make_no_sense_are_refused(wrong):
    """A step, load or radius out of range is a ValueError."""
    test = read_test(TEST_TOML + MODEL_TOML)

    with pytest.raises(ValueError, match="won't do"):
        model_result(test, **({"radius_m": 1.0, "load_kg": 1.0} | wrong))
