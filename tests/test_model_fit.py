"""The truck model fitted to measured lifts, and what the lifts can tell."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from dashboard.capacity.fit.fit_parameters import (
    FitLimits,
    all_fixed_centre_m,
    changed,
    free_parameters,
)
from dashboard.capacity.fit.fit_spread import possible_departures
from dashboard.capacity.fit.held_down import HeldDown
from dashboard.capacity.fit.identifiability import identify
from dashboard.capacity.fit.lift_explanation import why_it_lifted
from dashboard.capacity.fit.many_trucks import ManyTrucks
from dashboard.capacity.fit.measured_lifts import (
    LEAST_U_DEG,
    MeasuredLift,
    MeasuredStay,
    observations_from_result,
)
from dashboard.capacity.fit.model_fit import fit_model
from dashboard.capacity.truck.truck_model import first_lift, stand_with
from dashboard.cli.fit_text import fit_text
from logger.errors import BadInput, FileInvalid
from tests.campaigns.fit_coverage import one_truck
from tests.fitted_trucks import demo_truck, ideal_test, with_outriggers

SCALES = FitLimits(u_centre_m=0.02, u_stiffness=0.1)
"""A truck that was weighed and whose springs are known to a tenth."""


# ------------------------------------------------------------------ wheels held down


@settings(max_examples=20, deadline=None)
@given(
    suspension=st.sampled_from([(0.0, 0.0), (150.0, 0.0), (150.0, 0.02)]),
    outriggers=st.booleans(),
    twist=st.sampled_from([None, 3e5, 2e6]),
    load_kg=st.floats(200, 2000),
    radius_m=st.floats(1, 6),
)
def test_held_wheels_stand_as_the_truck_does_until_one_lifts(
    suspension, outriggers, twist, load_kg, radius_m
):
    """Closures are those of the one-sided truck while all are above zero, and no longer.

    Source: the one-sided solver, which is checked against trying every set of contacts.
    """
    unsprung_kg, droop_m = suspension
    model = demo_truck()
    wheels = tuple(
        s.model_copy(update={"unsprung_kg": unsprung_kg, "droop_m": droop_m})
        for s in model.supports
    )
    model = model.model_copy(update={"supports": wheels, "twist_nmprad": twist})
    model = with_outriggers(model) if outriggers else model
    slew = np.arange(-180.0, 180.0, 5.0)
    real = stand_with(model, slew, load_kg, radius_m).closure_m[:, :4]
    held = HeldDown(model).closure_m(slew, load_kg, radius_m)
    down = (np.nan_to_num(real, nan=-1.0) > 1e-7).all(axis=1)

    assert held[down] == pytest.approx(real[down], abs=1e-9)
    assert (held[down] > 0).all()
    assert (held[~down] < 1e-6).any(axis=1).all()


def test_a_held_wheel_crosses_zero_without_a_kink():
    """Beyond its lift a wheel's closure goes on as straight with the load as before it."""
    held = HeldDown(demo_truck())
    load = np.linspace(500, 4000, 9)
    closure = held.closure_m(np.full(9, 100.0), load, 3.9)[:, 2]

    assert closure[0] > 0 > closure[-1]
    assert np.diff(closure, 2) == pytest.approx(np.zeros(7), abs=1e-12)


@pytest.mark.parametrize("kind", ["wheels", "outriggers", "twisting", "droop"])
def test_many_trucks_stand_each_as_it_does_alone(kind):
    """Trucks with departures solved together are the ones that are solved one by one."""
    model = demo_truck() if kind == "wheels" else with_outriggers(demo_truck())
    if kind in ("twisting", "droop"):
        springs = {"unsprung_kg": 120.0, "droop_m": 0.02 if kind == "droop" else 0.0}
        wheels = [s.model_copy(update=springs if s.kind == "wheel" else {}) for s in model.supports]
        model = model.model_copy(update={"supports": tuple(wheels), "twist_nmprad": 5e5})
    free = free_parameters(model, FitLimits())
    half = np.array([p.half_width for p in free])
    departures = np.random.default_rng(5).uniform(-half, half, (12, len(free)))
    slew, load = np.arange(-180.0, 180.0, 7.0), 1300.0
    radius = np.linspace(3.0, 5.0, 12)[:, np.newaxis]
    many = ManyTrucks(model, free)
    together = many.closure_m(departures, slew, load, radius)

    assert many.together == (kind != "droop")
    for departure, own_m, closure in zip(departures, radius, together, strict=True):
        alone = HeldDown(changed(model, free, departure))
        assert closure == pytest.approx(alone.closure_m(slew, load, own_m), abs=1e-12)
        assert many.wheels == alone.wheels


# ------------------------------------------------------------------ what a run tells


def hold(start_s, end_s, from_deg, to_deg, radius_m=3.9):
    return {
        "start_s": start_s,
        "end_s": end_s,
        "from_deg": from_deg,
        "to_deg": to_deg,
        "radius_m": radius_m,
        "load_kg": 1400.0,
        "u_load_kg": 1.5,
        "u_radius_m": 0.003,
    }


def lift(t_s, slew_deg, wheel="rear_left"):
    return {
        "wheel": wheel,
        "t_s": t_s,
        "slew_deg": slew_deg,
        "slew_low_deg": slew_deg - 0.6,
        "slew_high_deg": slew_deg + 0.4,
        "estimate_deg": slew_deg - 0.1,
        "u_slew_deg": 0.25,
        "budget": {
            "contributions": [
                {"name": "encoder step", "u_y": 0.2},
                {"name": "slew zero and scale", "u_y": 0.15},
            ]
        },
    }


RESULT = {
    "sweeps": [
        {
            "side": "right",
            "first_lift": lift(60.0, 80.0),
            # The second opens on a truck that leans already, the fourth at once after hanging.
            "lifts": [lift(61.0, 81.0, "front_left"), lift(160.0, 100.0), lift(250.0, 100.3)],
            "holds": [
                hold(0, 70, 0.0, 80.0),
                hold(100, 200, 80.0, 100.0, 3.5),
                hold(240, 260, 100.0, 100.2, 3.2),
                hold(300, 400, 100.0, 170.0, 2.9),
                hold(410, 420, 170.0, 171.0, None),
            ],
        },
        {"side": "left", "first_lift": None, "lifts": [], "holds": [hold(500, 600, 0.0, -168.0)]},
    ]
}


def test_a_result_gives_the_first_lift_of_each_hold():
    """Each hold's first lift comes with its hold's load and radius, and a middle angle."""
    lifts, _ = observations_from_result(RESULT)

    assert [(m.wheel, m.slew_deg, m.radius_m) for m in lifts] == [
        ("rear_left", pytest.approx(79.9), 3.9),
        ("rear_left", pytest.approx(99.9), 3.5),
    ]
    assert lifts[0].u_deg == pytest.approx(0.25)
    assert (lifts[0].u_zero_deg, lifts[0].u_own_deg) == pytest.approx((0.15, 0.2))
    assert (lifts[0].load_kg, lifts[0].u_load_kg, lifts[0].u_radius_m) == (1400.0, 1.5, 0.003)


def test_a_result_gives_the_angles_where_no_wheel_lifted():
    """A stay ends short of the lift that ended it; a hold without a radius tells nothing."""
    _, stays = observations_from_result(RESULT)

    assert [(s.side, s.from_deg, round(s.to_deg, 2), s.radius_m) for s in stays] == [
        ("right", 0.0, 79.15, 3.9),
        ("right", 80.0, 99.15, 3.5),
        ("right", 100.0, 170.0, 2.9),
        ("left", 0.0, -168.0, 3.9),
    ]
    assert {(s.u_load_kg, s.u_radius_m) for s in stays} == {(1.5, 0.003)}


def test_no_lift_is_better_known_than_frames_and_tyres_are():
    """However sharp an encoder, an angle's own uncertainty is not taken below 0.05°."""
    sharp = json.loads(json.dumps(RESULT))
    sharp["sweeps"][0]["first_lift"] |= {"u_slew_deg": 0.15}
    (first, *_), _ = observations_from_result(sharp)

    assert first.u_own_deg == pytest.approx(LEAST_U_DEG)
    assert first.u_deg == pytest.approx(math.hypot(0.15, LEAST_U_DEG))


# ------------------------------------------------------------------ the fit


def hidden(model, departure):
    return changed(model, free_parameters(model, FitLimits()), np.array(departure))


@settings(max_examples=4, deadline=None)
@given(st.floats(-0.06, 0.06), st.floats(-0.04, 0.04), st.floats(-0.3, 0.3), st.floats(0.25, 0.4))
def test_a_fit_meets_every_lift(dx, dy, stiffness, step_m):
    """Whatever the hidden departure, the fitted truck lifts the same wheels at the same angles."""
    model = demo_truck()
    lifts, stays = ideal_test(hidden(model, [dx, dy, stiffness]), step_m=step_m)
    assume(lifts)
    fit = fit_model(model, lifts, stays)

    assert fit.explains
    for measured, off in zip(lifts, fit.off_deg, strict=True):
        wheel, slew_deg = first_lift(fit.model, measured.side, measured.load_kg, measured.radius_m)
        assert wheel == measured.wheel
        # What was known before pulls a little.
        assert slew_deg == pytest.approx(measured.slew_deg, abs=2 * measured.u_deg)
        assert off == pytest.approx(slew_deg - measured.slew_deg, abs=0.05)


def test_many_sharp_lifts_find_the_hidden_truck():
    """Lifts at several radii and loads that are known to a hundredth of a degree tell it all."""
    model, departure = demo_truck(), [0.03, -0.02, 0.12]
    truth = hidden(model, departure)
    lifts = []
    for load_kg, radius_m in ((1400, 3.92), (1400, 4.6), (900, 5.6), (2200, 2.8), (700, 7.5)):
        some, _ = ideal_test(truth, load_kg=load_kg, radius_m=radius_m, u_deg=0.01)
        lifts += [
            MeasuredLift(
                side=m.side,
                wheel=m.wheel,
                slew_deg=m.slew_deg,
                u_deg=m.u_deg,
                load_kg=m.load_kg,
                radius_m=m.radius_m,
            )
            for m in some
        ]
    fit = fit_model(model, lifts)

    assert fit.departure == pytest.approx(departure, abs=0.004)
    assert {p.told for p in fit.parameters} == {"determined"}
    assert abs(fit.departure - departure) == pytest.approx(
        [0, 0, 0], abs=2 * math.sqrt(max(np.diag(fit.covariance)))
    )


def test_the_covariance_is_that_of_repeated_tests():
    """Departures of fits to lifts with noise spread as the covariance says, prior included."""
    model = demo_truck()
    rng = np.random.default_rng(3)
    free = free_parameters(model, SCALES)
    pulls = []
    for _ in range(14):
        departure = rng.standard_normal(3) * [p.u_before for p in free]
        lifts, _ = ideal_test(changed(model, free, departure))
        moved = [
            MeasuredLift(
                side=m.side,
                wheel=m.wheel,
                slew_deg=m.slew_deg + m.u_deg * rng.standard_normal(),
                u_deg=m.u_deg,
                load_kg=m.load_kg,
                radius_m=m.radius_m,
            )
            for m in lifts
        ]
        if not moved:
            continue
        fit = fit_model(model, moved, limits=SCALES)
        pulls.append(
            (fit.departure - departure)
            @ np.linalg.inv(fit.covariance)
            @ (fit.departure - departure)
        )

    # Each is chi-square with 3 degrees of freedom: a mean of 3, of 12 or more known to ±0.7.
    assert len(pulls) >= 12
    assert np.mean(pulls) == pytest.approx(3.0, abs=1.5)


def test_the_slew_zero_errs_alike_on_both_sides():
    """One zero behind all lifts tells less of across and more of along than one for each lift.

    An error of the zero turns the right lift away from the rear and the left one towards it, as a
    centre farther to a side would; a centre farther along turns both away.
    """
    model = demo_truck()
    lifts, stays = ideal_test(model)
    exact = {"u_load_kg": 0.0, "u_radius_m": 0.0}
    common = [replace(m, u_deg=math.hypot(0.05, 0.5), u_zero_deg=0.5, **exact) for m in lifts]
    alone = [replace(m, u_zero_deg=0.0) for m in common]
    (along, across), (along_alone, across_alone) = (
        [p.u for p in fit_model(model, seen, stays).parameters[:2]] for seen in (common, alone)
    )

    assert {m.side for m in lifts} == {"right", "left"}
    assert across > 1.1 * across_alone
    assert along < 0.8 * along_alone


def test_a_shifted_zero_is_told_from_a_truck_that_leans():
    """Lifts that all lie a zero's error off are explained by it where it is stated, else not so."""
    model = demo_truck()
    lifts, stays = ideal_test(model, u_deg=0.05)
    shifted = [replace(m, slew_deg=m.slew_deg + 1.0) for m in lifts]
    stated = [replace(m, u_deg=math.hypot(0.05, 1.0), u_zero_deg=1.0) for m in shifted]
    with_zero, without = (fit_model(model, seen, stays) for seen in (stated, shifted))

    assert with_zero.chi_square < without.chi_square
    assert with_zero.unknown[-1] < -0.3
    assert without.unknown[-1] == 0


def test_a_test_that_tells_nothing_leaves_every_truck_within_the_bounds_as_likely():
    """Possible trucks are then spread evenly: what was known before is all that is known."""
    model = demo_truck()
    nothing = MeasuredStay(side="right", from_deg=0, to_deg=1, load_kg=1.0, radius_m=0.5)
    fit = fit_model(model, (), [nothing])
    half = np.array([p.half_width for p in fit.free])
    share = (possible_departures(fit) / half + 1) / 2

    assert (share >= 0).all()
    assert (share <= 1).all()
    for of_one in share.T:
        # Two-sided Kolmogorov–Smirnov test at 0.1 %: 1.95/√n (from memory).
        off = np.abs(np.sort(of_one) - (np.arange(len(of_one)) + 0.5) / len(of_one)).max()
        assert off < 1.95 / math.sqrt(len(of_one))
        # A fifth lies in the outer tenths; of a normal distribution cut off there, a twenty-fifth.
        assert 0.1 < (np.abs(of_one - 0.5) > 0.4).mean() < 0.3


def test_a_wrong_wheel_is_not_explained():
    """A lift that no truck within the bounds does is said not to be explained, by its name."""
    model = demo_truck()
    lifts, stays = ideal_test(model)
    wrong = MeasuredLift(
        side="right", wheel="front_right", slew_deg=40.0, u_deg=0.2, load_kg=1400, radius_m=3.92
    )
    fit = fit_model(model, [*lifts[1:], wrong], stays)

    assert not fit.explains
    assert "NOT explain" in fit.verdict
    assert "front_right at 40.0°" in fit.verdict


def test_a_parameter_at_its_bound_is_said_to_be():
    """A centre farther off than the bounds allow ends at the bound, and that is told."""
    model = demo_truck()
    truth = hidden(model, [0.0, -0.05, 0.0])
    lifts, stays = ideal_test(truth)
    fit = fit_model(model, lifts, stays, limits=FitLimits(centre_m=0.01, stiffness_factor=1.02))

    assert any(p.at_bound for p in fit.parameters)
    assert "at its bound" in fit_text(fit)


def test_a_test_without_a_lift_bounds_the_truck_from_one_side():
    """Every wheel down tells the centre is not over there; no parameter is called determined."""
    model = demo_truck()
    # The given truck would lift on the right at 84°; the true one, leaning left, does not.
    stay = MeasuredStay(side="right", from_deg=0, to_deg=170, load_kg=1400, radius_m=3.92)
    fit = fit_model(model, (), [stay])
    across = possible_departures(fit)[:, 1]

    assert first_lift(model, "right", 1400, 3.92) is not None
    assert {p.told for p in fit.parameters} == {"not determined"}
    assert fit.departure[1] > 0
    assert across.mean() > 0.03
    for departure in possible_departures(fit, count=40)[::8]:
        truck = changed(model, fit.free, departure)
        assert HeldDown(truck).closure_m(np.arange(0, 170, 4.0), 1400, 3.92).min() > -2e-4


def test_nothing_to_fit_to_is_the_persons_error():
    """No lift and no stay, and a wheel that the model lacks, are each told in one line."""
    model = demo_truck()
    strange = MeasuredLift(
        side="right", wheel="third_left", slew_deg=80, u_deg=0.2, load_kg=1400, radius_m=3.9
    )

    with pytest.raises(BadInput, match="no wheel lift"):
        fit_model(model, ())
    with pytest.raises(FileInvalid, match="third_left"):
        fit_model(model, [strange])


@pytest.mark.parametrize(
    "wrong",
    [{"centre_m": 0.0}, {"stiffness_factor": 1.0}, {"preload_m": -1.0}, {"u_centre_m": 0.0}],
    ids=str,
)
def test_limits_that_leave_no_room_are_refused(wrong):
    """A bound of nothing is a ValueError."""
    with pytest.raises(ValueError, match="above"):
        FitLimits(**wrong)


# ------------------------------------------------------------------ what the lifts can't tell


def test_one_lift_tells_one_combination():
    """A single lift leaves two of three directions open, and says what looks the same."""
    model = demo_truck("one-side")
    lifts, stays = ideal_test(model)
    fit = fit_model(model, lifts, stays)
    singular = fit.identifiability.singular_values

    assert len(lifts) == 1
    assert singular[0] > 3
    assert singular[1] < 1e-6
    assert "determined" not in {p.told for p in fit.parameters}
    assert any("looks the same as" in s for s in fit.identifiability.sentences)


def test_what_looks_the_same_is_the_same():
    """Along a direction that the lifts can't tell the lift stays where it is."""
    model = demo_truck("one-side")
    (measured,), stays = ideal_test(model)
    fit = fit_model(model, [measured], stays)
    weak = np.linalg.svd(np.linalg.inv(fit.covariance))[2][-1]
    u = np.sqrt(np.diag(fit.covariance))
    direction = 0.1 * weak / np.abs(weak / u).max()
    moved = changed(model, fit.free, fit.departure + direction)
    across = changed(model, fit.free, fit.departure + np.array([0.0, 0.01, 0.0]))

    assert first_lift(moved, "right", 1400, 3.92)[1] == pytest.approx(measured.slew_deg, abs=0.3)
    assert abs(first_lift(across, "right", 1400, 3.92)[1] - measured.slew_deg) > 1.0


def test_identifiability_in_plain_numbers():
    """One direction sharp, one mixed, one untouched: each parameter is told for what it is."""
    model = with_outriggers(demo_truck())
    free = free_parameters(model, FitLimits())
    assert [p.name for p in free] == [
        "centre_x_m",
        "centre_y_m",
        "stiffness_front",
        "stiffness_outriggers",
        "preload_outriggers_m",
    ]
    jacobian = np.array([[0, 50.0, 0, 0, 0], [20.0, 0, 20.0, 0, 0]])
    covariance = np.linalg.inv(jacobian.T @ jacobian + np.eye(5))
    u_after = np.sqrt(np.diag(covariance)) * [p.u_before for p in free]
    told = identify(free, jacobian, u_after)

    assert told.told == (
        "in combination",
        "determined",
        "in combination",
        "not determined",
        "not determined",
    )
    assert told.partners[0] == ("stiffness_front",)
    assert told.sentences[0] == "The lifts tell the centre's place across the truck (±3.5 mm)."
    assert any("looks the same as" in s for s in told.sentences)
    assert "outriggers' preload" in told.sentences[-1]


def test_the_common_scale_of_stiffness_changes_no_lift():
    """All springs twice as stiff, and the lift comes at the same angle: why one group is held."""
    model = demo_truck()
    stiffer = model.model_copy(
        update={
            "supports": tuple(
                s.model_copy(update={"stiffness_npm": 2 * s.stiffness_npm}) for s in model.supports
            )
        }
    )

    assert first_lift(stiffer, "right", 1400, 3.92)[1] == pytest.approx(
        first_lift(model, "right", 1400, 3.92)[1], abs=1e-6
    )


def test_departures_do_what_they_say():
    """The centre moves by the departure, front stiffness by its factor, preload by its change."""
    model = with_outriggers(demo_truck())
    free = free_parameters(model, FitLimits())
    other = changed(model, free, np.array([0.1, -0.05, math.log(1.5), math.log(0.8), 0.002]))
    before, after = all_fixed_centre_m(model), all_fixed_centre_m(other)

    assert after == pytest.approx((before[0] + 0.1, before[1] - 0.05))
    ratio = [
        b.stiffness_npm / a.stiffness_npm
        for a, b in zip(model.supports, other.supports, strict=True)
    ]
    assert ratio == pytest.approx([1.5, 1.5, 1, 1, 0.8, 0.8])
    assert [s.preload_m for s in other.supports] == pytest.approx([0] * 4 + [0.003] * 2)


# ------------------------------------------------------------------ in words


def test_the_document_is_plain_json():
    """The fit's document survives JSON and holds what a program needs."""
    model = demo_truck()
    fit = fit_model(model, *ideal_test(model))
    back = json.loads(json.dumps(fit.document(), allow_nan=False))

    assert back["format"] == "slewtrace.model-fit/1"
    assert [p["name"] for p in back["parameters"]] == [
        "centre_x_m",
        "centre_y_m",
        "stiffness_front",
    ]
    assert len(back["covariance"]) == 3
    assert len(back["lifts"]) == 3
    assert back["explains"] is True


def test_why_a_wheel_lifted():
    """The explanation names reactions, centre, tipping and how far the model is off."""
    model = demo_truck()
    (measured, *_), _ = ideal_test(model)
    text = why_it_lifted(model, measured)
    x, y = stand_centre(model, measured)

    assert "rear left 0.0" in text
    assert f"{x:.2f} m before the rear axle and {abs(y):.2f} m right" in text
    assert "First lift is not tipping" in text
    assert "from rear right to front right" in text
    assert "2020 kg" in text or "times the load" in text
    assert "they agree" in text


def stand_centre(model, measured):
    """The centre of all masses, from the masses themselves."""
    psi = math.radians(measured.slew_deg)
    column = np.array(model.column_m)
    along = -np.array([math.cos(psi), math.sin(psi)])
    parts = [(m.mass_kg, np.array(m.at_m)) for m in model.masses]
    parts += [(m.mass_kg, column + m.radius_m * along) for m in model.slewing]
    parts.append((measured.load_kg, column + measured.radius_m * along))
    return sum(m * at for m, at in parts) / sum(m for m, _ in parts)


def test_why_says_when_the_model_foresaw_something_else():
    """Another wheel, another angle, or no lift at all is said plainly."""
    model = demo_truck()
    at = {"side": "right", "u_deg": 0.2, "load_kg": 1400}

    late = MeasuredLift(wheel="rear_left", slew_deg=95.0, radius_m=3.92, **at)
    other = MeasuredLift(wheel="front_left", slew_deg=84.0, radius_m=3.92, **at)
    none = MeasuredLift(wheel="rear_left", slew_deg=84.0, radius_m=2.0, **at)
    assert "10.7° sooner, 53.3 standard uncertainties" in why_it_lifted(model, late)
    assert "another wheel" in why_it_lifted(model, other)
    assert "foresees no lift" in why_it_lifted(model, none)


# ------------------------------------------------------------------ coverage, short form


def test_intervals_hold_the_truth():
    """Of hidden trucks the determined parameters and predicted lifts lie in their intervals.

    Short form of ``tests.campaigns.fit_coverage``: at 95 % each, fewer than 80 % of these would
    come about once in thousands of times.
    """
    found = [one_truck(n) for n in (1, 3)]
    inside = [p[2] for f in found for p in f.get("parameters", ()) if p[1] == "determined"]
    predicted = [p[0] for f in found for p in f.get("predicted", ())]

    assert len(inside) >= 2
    assert len(predicted) >= 6
    assert np.mean(inside) > 0.6
    assert np.mean(predicted) >= 0.8
