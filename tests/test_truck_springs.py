"""Unsprung weight, droop and twist of the truck model; second opinions; awkward trucks."""

import itertools
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from scipy.optimize import brentq, minimize

from dashboard.capacity.truck.truck_model import (
    first_lift,
    load_position_m,
    reactions_n,
    stand,
    stand_with,
    with_mass,
)
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from tests.made_trucks import (
    bodies,
    corners,
    loads,
    radii,
    slews,
    truck,
    trucks,
    weight_and_centre,
)

# statics.json names its sources; each test says which of them it uses.
STATICS = json.loads(
    (Path(__file__).parent / "check_values" / "statics.json").read_text(encoding="utf-8")
)
VECTORS = STATICS["elastic_supports"]["vectors"]


def on_corners(vector, **features):
    """The truck of a vector: equal springs, one mass."""
    wheel = {k: features.pop(k) for k in ("unsprung", "droop") if k in features}
    mass = vector["W"] / STANDARD_GRAVITY_MPS2
    return truck(
        supports=corners(vector["L"], vector["B"], **wheel),
        masses=[(mass, vector["x"], vector["y"])],
        **features,
    )


def at_rest(model):
    return reactions_n(model, [0.0], 0.0, 0.0)[0]


# ------------------------------------------------------------------ unsprung weight


def test_a_fixed_suspension_pulls_its_wheel():
    """Without droop a spring pulls until it has taken the wheel's whole weight.

    Source: statics.json, elastic_supports, vector 3, "plane_unclamped": the spring that would
    pull with 2.5 does so, since the wheel below it weighs 3.
    """
    vector = VECTORS[2]
    wheel_n = 3.0
    model = on_corners(vector, unsprung=wheel_n / STANDARD_GRAVITY_MPS2)

    assert at_rest(model) == pytest.approx(
        np.array(vector["plane_unclamped"]) + wheel_n, abs=1e-9 * vector["W"]
    )


def test_a_hanging_suspension_leaves_its_wheel_on_the_ground():
    """Before the suspension has run down to its stop a wheel stands by its own weight alone.

    Source: statics.json, elastic_supports, vector 3, "three_support_after_lift", and the
    wheels' weights by themselves.
    """
    vector = VECTORS[2]
    wheel_n = 3.0
    model = on_corners(vector, unsprung=wheel_n / STANDARD_GRAVITY_MPS2, droop=0.5)
    found = stand_with(model, [0.0], 0.0, 0.0)

    assert found.reactions_n[0] == pytest.approx(
        np.array(vector["three_support_after_lift"]) + wheel_n, abs=1e-9 * vector["W"]
    )
    assert found.closure_m[0].min() > 0


@pytest.mark.parametrize("droop", [0.0, 0.001])
def test_a_wheel_lifts_when_its_weight_is_taken(droop):
    """The wheel lifts where its spring has risen by droop and pull, and not before.

    By hand: three supports carry W = (M + m) g at (x, y); the fourth corner of a plane through
    them is opposite to one and beside two, so its sinking is s2 + s3 − s1, with s = R/k. The
    lift is where s4 = −droop − m g / k.
    """
    length, width, stiffness, wheel_kg, body_kg = 4.0, 2.0, 1e5, 40.0, 1000.0
    g = STANDARD_GRAVITY_MPS2
    supports = corners(length, width, stiffness, unsprung=wheel_kg, droop=droop)
    model = truck(supports=supports, masses=[(body_kg, 0.0, 0.0)])
    load_kg, radius = 500.0, 3.0

    def beyond_lift(psi):
        x, y = -load_kg * radius * np.cos(psi), -load_kg * radius * np.sin(psi)
        # Springs carry the body and the load; the pulling fourth one adds its wheel's weight.
        pull = wheel_kg * g
        weight = (body_kg + load_kg) * g + pull
        moment_x = x * g + pull * length / 2
        moment_y = y * g + pull * width / 2
        # Over the right rear: (+,−), (−,+) and (−,−) carry, (+,+) is the one that lifts.
        front = moment_x / length + weight / 2
        left = moment_y / width + weight / 2
        opposite = weight - front - left
        sinking = (front + left - opposite) / stiffness
        return sinking + droop + pull / stiffness

    expected = math.degrees(brentq(beyond_lift, 0.0, math.atan2(2, 1)))
    wheel, angle = first_lift(model, "right", load_kg, radius)

    assert wheel == "s0"
    assert angle == pytest.approx(expected, abs=1e-6)


def test_without_droop_unsprung_weight_is_only_weight():
    """A wheel that is pulled at once is like a mass on the frame and as much preload."""
    plain = truck(
        supports=[
            (x, y, k, preload + 40.0 * STANDARD_GRAVITY_MPS2 / k, "wheel")
            for x, y, k, preload in ((0, 1, 4e5, 0.0), (0, -1, 6e5, 0.002), (3, 0.5, 2e5, 0.0))
        ],
        masses=[(900.0, 1.2, 0.0), (40.0, 0.0, 1.0), (40.0, 0.0, -1.0), (40.0, 3.0, 0.5)],
    )
    unsprung = truck(
        supports=[
            (x, y, k, preload, "wheel", 40.0, 0.0)
            for x, y, k, preload in ((0, 1, 4e5, 0.0), (0, -1, 6e5, 0.002), (3, 0.5, 2e5, 0.0))
        ],
        masses=[(900.0, 1.2, 0.0)],
    )
    slew = np.arange(-180.0, 181.0, 5.0)

    assert stand_with(unsprung, slew, 90.0, 2.0).closure_m == pytest.approx(
        stand_with(plain, slew, 90.0, 2.0).closure_m, nan_ok=True
    )


# ------------------------------------------------------------------ twist


def test_a_frame_without_stiffness_against_twist_shares_by_the_lever_rule():
    """A frame that twists freely carries as the bilinear formula says.

    Source: statics.json, elastic_supports, "bilinear_alternative" and vector 1 (formula given
    at physics.stackexchange 276007).
    """
    vector = VECTORS[0]
    model = on_corners(vector, twist=1e-6)

    assert at_rest(model) == pytest.approx(vector["bilinear"], abs=1e-6 * vector["W"])


def test_a_frame_stiff_against_twist_is_rigid():
    """With a very great stiffness the reactions are those of the rigid frame.

    Source: statics.json, elastic_supports, vector 1, "plane".
    """
    vector = VECTORS[0]
    model = on_corners(vector, twist=1e13)

    assert at_rest(model) == pytest.approx(vector["plane"], abs=1e-6 * vector["W"])


def test_a_frame_in_between():
    """On equal corners the twist moves W·x·y/(L·B) / (1 + 4·K/(k·B²)) between the diagonals.

    By hand: warp of the frame is τ·x·y, the weight's force on it W·x·y, the springs' stiffness
    k·L²·B²/4 and the frame's K·L².
    """
    vector, twist, stiffness = VECTORS[0], 3e4, 1e5
    weight, length, width = vector["W"], vector["L"], vector["B"]
    moved = weight * vector["x"] * vector["y"] / (length * width)
    moved /= 1 + 4 * twist / (stiffness * width**2)
    expected = np.array(vector["plane"]) + moved * np.array([1, -1, -1, 1])
    found = stand_with(on_corners(vector, twist=twist), [0.0], 0.0, 0.0)

    assert found.reactions_n[0] == pytest.approx(expected, abs=1e-9 * weight)
    # Twist from axle to axle: each diagonal's spring gives moved / k at ± L/2, ± B/2.
    tau = moved / stiffness / (length * width / 4)
    assert found.twist_deg[0] == pytest.approx(math.degrees(tau * length))


def test_the_cranes_moment_acts_on_the_section_at_its_column():
    """A free frame gives each axle its lever's share of the crane's moment over the side.

    By hand: column 1 m ahead of the rear axle, wheelbase 4 m, load over the side at 90°: the
    rear axle takes 3/4 of the moment W·R, the front axle 1/4, as their difference of reactions
    times the track of 2 m.
    """
    supports = [(x, y, 3e5, 0.0, "wheel") for x in (0.0, 4.0) for y in (1.0, -1.0)]
    model = truck(supports=supports, masses=[(3000.0, 2.0, 0.0)], column=(1.0, 0.0), twist=1e-6)
    rear_left, rear_right, front_left, front_right = reactions_n(model, [90.0], 100.0, 3.0)[0]
    moment = 100.0 * STANDARD_GRAVITY_MPS2 * 3.0

    assert 2.0 * (rear_right - rear_left) / 2 == pytest.approx(0.75 * moment, rel=1e-6)
    assert 2.0 * (front_right - front_left) / 2 == pytest.approx(0.25 * moment, rel=1e-6)


# ------------------------------------------------------------------ second opinions


def in_numbers(model, slew_deg, load_kg, radius_m):
    """Levers, forces and the frame's own stiffness against twist, about the origin."""
    at = np.array([s.at_m for s in model.supports])
    carried = np.array(bodies(model, slew_deg, load_kg, radius_m))
    lever = np.column_stack([np.ones(len(at)), at])
    weight = STANDARD_GRAVITY_MPS2 * carried[:, 0]
    force = np.array([weight.sum(), weight @ carried[:, 1], weight @ carried[:, 2]])
    own = np.zeros(3)
    if model.twist_nmprad is not None:
        # Sinking y · x · τ; the frame resists with K (τ · wheelbase)² / 2.
        base = np.ptp([s.at_m[0] for s in model.supports if s.kind == "wheel"])
        base = base or np.ptp(at[:, 0])
        lever = np.column_stack([lever, at[:, 0] * at[:, 1]])
        force = np.append(force, weight @ (carried[:, 2] * carried[:, 3]))
        own = np.append(own, model.twist_nmprad * base**2)
    return lever, force, own


def reactions_by_trying_every_state(model, slew_deg, load_kg, radius_m):
    """Brute force: each support off the ground, pulled, slack or pressed, until all fit.

    Reactions by state, with c how far the spring is pressed in: off 0, pulled
    m·g + k·(c + droop), slack m·g, pressed m·g + k·c.
    """
    lever, force, own = in_numbers(model, slew_deg, load_kg, radius_m)
    states = []
    for s in model.supports:
        k, own_n = s.stiffness_npm, s.unsprung_kg * STANDARD_GRAVITY_MPS2
        lift_m = -s.droop_m - own_n / k
        mine = [(0.0, 0.0, -math.inf, lift_m)]
        if own_n:
            mine.append((k, own_n + k * s.droop_m, lift_m, -s.droop_m))
        if s.droop_m:
            mine.append((0.0, own_n, -s.droop_m, 0.0))
        mine.append((k, own_n, 0.0, math.inf))
        states.append(mine)
    preload = np.array([s.preload_m for s in model.supports])
    best, fault = None, math.inf
    for chosen in itertools.product(*states):
        slope, rest, low, high = np.array(chosen).T
        matrix = (lever.T * slope) @ lever + np.diag(own)
        if np.linalg.cond(matrix) > 1e13:
            continue
        unknown = np.linalg.solve(matrix, force - lever.T @ (slope * preload + rest))
        pressed = lever @ unknown + preload
        wrong = max((low - pressed).max(), (pressed - high).max())
        if wrong < fault:
            best, fault = rest + slope * pressed, wrong
    return best, fault


@settings(max_examples=60, deadline=None)
@given(model=trucks(most=4, whole=True), slew=slews, load=loads, radius=radii)
def test_agrees_with_trying_every_state(model, slew, load, radius):
    """Reactions are those of the one state of all supports that balances, with every feature."""
    reactions = reactions_n(model, [slew], load, radius)[0]
    assume(not np.isnan(reactions).any())
    twin, fault = reactions_by_trying_every_state(model, slew, load, radius)
    assume(fault < 1e-9)
    weight, _ = weight_and_centre(model, slew, load, radius)

    assert reactions == pytest.approx(twin, abs=1e-6 * weight)


@settings(max_examples=60, deadline=None)
@given(model=trucks(), slew=slews, load=loads, radius=radii)
def test_agrees_with_trying_every_set(model, slew, load, radius):
    """Plain trucks agree with the one set of closed supports that balances."""
    reactions = reactions_n(model, [slew], load, radius)[0]
    assume(not np.isnan(reactions).any())
    twin, fault = reactions_by_trying_every_state(model, slew, load, radius)
    weight, _ = weight_and_centre(model, slew, load, radius)
    if fault > 1e-9:
        # Only two supports carry: no set of three closed ones is a balance to compare with.
        assert (reactions > 1e-4 * weight).sum() <= 2
        return

    assert reactions == pytest.approx(twin, abs=1e-6 * weight)


def reactions_by_quadratic_programme(model, slew_deg, load_kg, radius_m):
    """The least complementary energy of reactions in balance, by scipy's SLSQP.

    A support's energy is R²/(2k) − R·preload and, beyond its wheel's weight, what droop adds;
    the pieces below and above the wheel's weight are unknowns of their own. A twisting frame
    adds the square of the force on it over twice its stiffness.
    """
    lever, force, own = in_numbers(model, slew_deg, load_kg, radius_m)
    weight = force[0]
    own_n = np.array([s.unsprung_kg for s in model.supports]) * STANDARD_GRAVITY_MPS2 / weight
    give = np.array([1 / s.stiffness_npm for s in model.supports]) * weight
    droop = np.array([s.droop_m for s in model.supports])
    start = np.array([s.preload_m for s in model.supports]) + droop + own_n * give
    count = len(give)
    scale = give.mean()
    balance = lever.T / weight * weight

    def energy(both):
        pushed, beyond = both[:count], both[count:]
        total = pushed + beyond
        value = (total**2 * give / 2 - total * start + beyond * droop).sum()
        slope = total * give - start
        slope = np.concatenate([slope, slope + droop])
        if own.size > 3:
            left = force[3] / weight - balance[3] @ total
            value += left**2 * weight / own[3] / 2
            slope -= np.tile(balance[3] * left * weight / own[3], 2)
        return value / scale, slope / scale

    three = np.hstack([balance[:3], balance[:3]])
    high = [*np.where(own_n > 0, own_n, 0.0), *np.full(count, 100.0)]
    found = minimize(
        energy,
        np.full(2 * count, 0.5 / count),
        jac=True,
        method="SLSQP",
        bounds=[(0.0, top) for top in high],
        constraints={
            "type": "eq",
            "fun": lambda r: three @ r - force[:3] / weight,
            "jac": lambda _: three,
        },
        options={"ftol": 1e-16, "maxiter": 1000},
    )
    return (found.x[:count] + found.x[count:]) * weight, found


def usual_truck(rng, *, features):
    """An invented truck of usual sizes on four wheels and two outriggers."""
    soft, hard = rng.uniform(2e5, 4e5), rng.uniform(4e5, 9e5)
    unsprung = rng.uniform(50, 250) if features else 0.0
    droop = float(rng.choice([0.0, 0.03])) if features else 0.0
    wheels = [
        (x, y * rng.uniform(0.9, 1.1), k * rng.uniform(0.9, 1.1), 0.0, "wheel", unsprung, droop)
        for x, k in ((rng.uniform(3, 4.5), soft), (0.0, hard))
        for y in (1, -1)
    ]
    pads = [
        (-1.1, y * rng.uniform(1.2, 1.8), rng.uniform(2e6, 6e6), rng.uniform(0, 3e-3), "outrigger")
        for y in (1, -1)
    ]
    return truck(
        supports=[*wheels, *[(*p, 0.0, 0.0) for p in pads]],
        masses=[(rng.uniform(4000, 8000), rng.uniform(1.6, 2.6), rng.uniform(-0.1, 0.1))],
        slewing=[(rng.uniform(300, 900), rng.uniform(0.5, 1.8))],
        column=(rng.uniform(-0.8, 0.2), rng.uniform(-0.3, 0.3)),
        twist=rng.uniform(3e4, 3e6) if features else None,
    )


@pytest.mark.parametrize("number", range(24))
def test_agrees_with_a_quadratic_programme(number):
    """Reactions of usual trucks agree to 1e-6 of the weight with scipy's quadratic programme."""
    rng = np.random.default_rng(number)
    model = usual_truck(rng, features=number % 2 == 1)
    slew, load, radius = rng.uniform(-180, 180), rng.uniform(500, 1800), rng.uniform(2, 4.5)
    ours = reactions_n(model, [slew], load, radius)[0]
    theirs, found = reactions_by_quadratic_programme(model, slew, load, radius)
    weight, _ = weight_and_centre(model, slew, load, radius)

    assert not np.isnan(ours).any()
    assert abs(found.x.sum() - 1) < 1e-9
    assert ours == pytest.approx(theirs, abs=1e-6 * weight)


@settings(max_examples=80, deadline=None)
@given(model=trucks(whole=True), slew=slews, load=loads, radius=radii)
def test_forces_and_moments_balance_with_every_feature(model, slew, load, radius):
    """Reactions balance weight and moments to 1e-9, with unsprung weight, droop and twist."""
    weight, centre = weight_and_centre(model, slew, load, radius)
    reactions = reactions_n(model, [slew], load, radius)[0]
    assume(not np.isnan(reactions).any())
    place = np.array([s.at_m for s in model.supports])

    assert (reactions >= 0).all()
    assert reactions.sum() == pytest.approx(weight, rel=1e-9)
    assert reactions @ place == pytest.approx(weight * np.array(centre), abs=1e-9 * weight)


@settings(max_examples=60, deadline=None)
@given(model=trucks(whole=True), slew=slews, load=loads, radius=radii)
def test_an_open_contact_carries_nothing(model, slew, load, radius):
    """Contacts that are open carry nothing, closed ones something."""
    found = stand_with(model, [slew], load, radius)
    closure, reactions = found.closure_m[0], found.reactions_n[0]
    assume(not np.isnan(closure).any())

    assert (reactions[closure <= 0] == 0).all()
    assert (reactions[closure > 0] > 0).all()


# ------------------------------------------------------------------ awkward trucks


def assert_balanced(model, slew_deg, load_kg, radius_m):
    reactions = reactions_n(model, slew_deg, load_kg, radius_m)
    place = np.array([s.at_m for s in model.supports])
    for slew, row in zip(slew_deg, reactions, strict=True):
        weight, centre = weight_and_centre(model, slew, load_kg, radius_m)
        assert row.sum() == pytest.approx(weight, rel=1e-9)
        assert row @ place == pytest.approx(weight * np.array(centre), abs=1e-9 * weight)


ROUND = np.arange(-180.0, 180.0, 7.5)


def test_stiffnesses_of_one_to_ten_thousand():
    """Very soft wheels beside very stiff pads still balance to 1e-9."""
    pads = [(x, y, 2e7, 0.0, "outrigger") for x in (-1.0, 3.0) for y in (1.5, -1.5)]
    wheels = [(x, y, 2e3, 0.0, "wheel") for x in (0.0, 4.0) for y in (1.0, -1.0)]

    assert_balanced(truck(supports=[*pads, *wheels], masses=[(8000.0, 1.2, 0.0)]), ROUND, 1500.0, 4)


def test_two_supports_at_nearly_one_place():
    """Two supports a thousandth of a millimetre apart share what one would carry."""
    one = truck(supports=corners(4, 2), masses=[(1000.0, 0.1, 0.0)])
    first, *others = corners(4, 2)
    halves = [(first[0] + d, *first[1:2], 5e4, 0.0, "wheel") for d in (0.0, 1e-6)]
    plain = [s[:5] for s in others]
    two = truck(supports=[*halves, *plain], masses=[(1000.0, 0.1, 0.0)])
    whole = reactions_n(one, ROUND, 200.0, 3.0)
    split = reactions_n(two, ROUND, 200.0, 3.0)

    assert split[:, :2].sum(axis=1) == pytest.approx(whole[:, 0], abs=0.01)
    assert split[:, 2:] == pytest.approx(whole[:, 1:], abs=0.01)
    assert_balanced(two, ROUND, 200.0, 3.0)


def test_supports_on_an_edge_of_the_polygon():
    """A middle axle between two others carries its share and is no corner."""
    model = truck(
        supports=[(x, y, 3e5, 0.0, "wheel") for x in (0.0, 1.5, 3.0) for y in (1.0, -1.0)],
        masses=[(6000.0, 1.5, 0.0)],
    )

    assert at_rest(model) == pytest.approx(6000 * STANDARD_GRAVITY_MPS2 / 6)
    assert_balanced(model, ROUND, 1000.0, 3.0)


def test_outriggers_that_lift_the_wheels_at_once():
    """Preload that takes the wheels off the ground is a lift over the rear on both sides."""
    pads = [(x, y, 5e6, 0.2, "outrigger") for x in (-1.0, 3.0) for y in (1.5, -1.5)]
    wheels = [(x, y, 2e5, 0.0, "wheel") for x in (0.0, 4.0) for y in (1.0, -1.0)]
    model = truck(supports=[*pads, *wheels], masses=[(8000.0, 1.2, 0.0)])

    assert (reactions_n(model, [0.0], 500.0, 3.0)[0, 4:] == 0).all()
    assert first_lift(model, "right", 500.0, 3.0)[1] == 0.0
    assert first_lift(model, "left", 500.0, 3.0)[1] == 0.0


def test_a_truck_on_two_diagonal_supports_is_about_to_tip():
    """A centre just inside an edge still balances; just outside nothing does."""
    model = truck(supports=corners(4, 2), masses=[(1000.0, 0.0, 0.0)])
    # 1,000 kg with 1 m of lever hold 500 kg at 3 m: the centre is 1 m out, on the edge.
    inside = stand_with(model, [90.0], 500.0 * (1 - 1e-7), 3.0).reactions_n
    outside = stand_with(model, [90.0], 500.0 * (1 + 1e-7), 3.0).reactions_n

    assert inside[0, [1, 3]].sum() == pytest.approx(1500 * STANDARD_GRAVITY_MPS2, rel=1e-6)
    assert np.isnan(outside).all()


# ------------------------------------------------------------------ angles and masses


def test_the_lift_is_where_an_independent_solver_opens_the_wheel():
    """First lifts of usual trucks are where the brute force opens the wheel, to 0.001°.

    Load and radius are such that each of these trucks lifts a wheel.
    """
    for number in range(3):
        model = usual_truck(np.random.default_rng(100 + number), features=False)
        wheel, angle = first_lift(model, "right", 2200.0, 4.5)
        index = [s.name for s in model.supports].index(wheel)
        before, _ = reactions_by_trying_every_state(model, angle - 0.001, 2200.0, 4.5)
        after, _ = reactions_by_trying_every_state(model, angle + 0.001, 2200.0, 4.5)

        assert angle > 0
        assert before[index] > 0
        assert after[index] == 0


def test_ballast_is_one_more_mass():
    """with_mass puts a mass on, moves it, and takes it off again."""
    model = truck(supports=corners(4, 2), masses=[(1000.0, 0.1, 0.0)])
    loaded = with_mass(model, "ballast", 300.0, (1.0, -0.4))
    moved = with_mass(loaded, "ballast", 200.0, (0.5, 0.2))
    same = truck(supports=corners(4, 2), masses=[(1000.0, 0.1, 0.0), (200.0, 0.5, 0.2)])

    assert at_rest(moved) == pytest.approx(at_rest(same))
    assert with_mass(moved, "ballast", 0.0, (0.0, 0.0)).masses == model.masses
    assert len(loaded.masses) == 2


@pytest.mark.parametrize("wrong", [-1.0, math.nan, math.inf])
def test_masses_that_make_no_sense_are_refused(wrong):
    """A mass below zero or not finite is a ValueError."""
    model = truck(supports=corners(4, 2), masses=[(1000.0, 0.1, 0.0)])

    with pytest.raises(ValueError, match="won't do"):
        with_mass(model, "ballast", wrong, (0.0, 0.0))


def test_a_truck_needs_some_mass():
    """Taking the only mass off is refused."""
    model = with_mass(truck(supports=corners(4, 2), masses=[(1.0, 0.0, 0.0)]), "", 5.0, (0.0, 0.0))

    with pytest.raises(ValueError, match="weigh nothing"):
        with_mass(model, "", 0.0, (0.0, 0.0))


def test_a_swinging_load_hangs_where_it_hangs():
    """A load beside the hoist line counts where it is, not where the boom points."""
    model = truck(supports=corners(4, 2), masses=[(1000.0, 0.0, 0.0)])
    at_m = load_position_m(model, [30.0], 2.0)
    turned = stand(model, np.array([75.0]), np.array([100.0]), at_m)

    assert turned.reactions_n == pytest.approx(reactions_n(model, [30.0], 100.0, 2.0))
