"""The simulated truck, its operator and its sensors, without a wire or a wall clock."""

import csv
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.demo.operator import STEP_S
from dashboard.demo.scenario import (
    SCENARIOS,
    Rates,
    Scenario,
    Wiring,
    demo_rig_toml,
    expected_lifts,
    read_scenario_test,
)
from dashboard.demo.sensors import CHATTER_S, GLITCH_S, contact_changes_s
from dashboard.demo.simulation import csv_rows, simulate
from dashboard.demo.swing import ROPE_M, Hanging, natural_frequency_rads, swing
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.rig_file import read_rig
from logger.readings.test_file import check_wheels_are_wired, read_test

REQUIRED_NM = 1.18 * 45_000.0
LIFTS = {"steady": (0, 0), "one-side": (1, 0), "both-sides": (2, 1)}


@pytest.fixture(scope="module", params=list(SCENARIOS))
def simulation(request):
    """Each scenario, simulated once."""
    return simulate(request.param)


def calibrated(simulation, channel):
    """A channel's readings in SI, the slew unwrapped."""
    calibration = read_rig(simulation.rig_toml).wired(channel).calibration
    raw = simulation.blocks[channel].value
    if calibration.wraps_at:
        raw = np.unwrap(raw, period=calibration.wraps_at)
    return calibration.apply(raw)


def test_files_are_what_the_recorder_takes(simulation):
    """Rig and test file pass their checks, and every wheel of the truck is wired."""
    rig = read_rig(simulation.rig_toml)
    test = read_test(simulation.test_toml)

    check_wheels_are_wired(rig, test)
    assert {c.id for c in rig.channel} == set(simulation.blocks)


def test_lifts_of_each_scenario(simulation):
    """No lift, one on the right, two on the right and one on the left: as the scenarios say."""
    right = sum(lift.side == "right" for lift in simulation.truth.lifts)

    assert (right, len(simulation.truth.lifts) - right) == LIFTS[simulation.scenario.name]
    assert len(simulation.truth.radius_changes) == len(simulation.truth.lifts)


def test_lifts_are_those_that_the_model_foresees(simulation):
    """Each simulated lift is near the model's for a load at rest, which does not swing."""
    lifts = simulation.truth.lifts
    expected = expected_lifts(simulation.scenario)

    assert [(lift.side, lift.wheel) for lift in lifts] == [(e.side, e.wheel) for e in expected]
    assert [lift.slew_deg for lift in lifts] == pytest.approx(
        [e.slew_deg for e in expected], abs=1.0
    )
    assert [lift.radius_m for lift in lifts] == pytest.approx(
        [e.radius_m for e in expected], abs=1e-6
    )


def test_first_lifts_and_reductions_make_a_sensible_test(simulation):
    """First lifts fall between 60 and 110 degrees; no hold proves less than 75 % of the moment."""
    test, _ = read_scenario_test(simulation.scenario)
    percent = [
        100 * h.radius_m * test.load.mass_kg * STANDARD_GRAVITY_MPS2 / REQUIRED_NM
        for h in simulation.truth.holds
    ]
    firsts = [simulation.truth.first_lift(side) for side in ("right", "left")]

    assert all(60 <= abs(lift.slew_deg) <= 110 for lift in firsts if lift)
    assert all(75 <= p <= 93 or 100 < p < 103 for p in percent)


def test_every_sweep_ends_at_its_limit(simulation):
    """Both sweeps reach the truck's slew limits with the load hanging."""
    assert simulation.truth.reached_deg["right"] == pytest.approx(172)
    assert simulation.truth.reached_deg["left"] == pytest.approx(-168)


def test_length_of_a_test(simulation):
    """A test takes 6 to 9 minutes."""
    assert 360 <= simulation.truth.duration_s <= 540


def test_no_wheel_opens_while_the_load_is_on_the_ground(simulation):
    """Contacts open only with at least a tenth of the load on the hook."""
    course = simulation.truth.course
    slack = course.hung < 0.1

    assert (course.closure_m[slack] > 0).all()


def test_readings_follow_the_motion(simulation):
    """Calibrated slew, load and radius are the true ones within the sensors' noise."""
    course = simulation.truth.course
    weight = 1360.0
    for channel, true, noise in (
        ("slew", course.slew_deg, 0.2),
        ("load", weight * course.hung * course.pull, 8.0),
        ("radius", course.radius_m, 0.02),
    ):
        t_s = simulation.blocks[channel].t_ns / 1e9
        error = calibrated(simulation, channel) - np.interp(t_s, course.t_s, true)

        assert np.abs(error).max() < noise, channel
        assert abs(error.mean()) < noise / 20, channel


def test_the_encoder_wraps():
    """The left sweep runs through the encoder's zero, so unwrapping is put to the test."""
    raw = simulate("steady").blocks["slew"].value

    assert raw.min() >= 0
    assert raw.max() < 4096
    assert np.abs(np.diff(raw)).max() > 4000


def test_switches_show_the_contacts_with_bounces_and_blinks(simulation):
    """A switch differs from the tyre's contact only just after a change or for a short blink."""
    for wheel, changes_ns in simulation.truth.contact_changes_ns.items():
        block = simulation.blocks[f"wheel/{wheel}"]
        closed = np.searchsorted(changes_ns, block.t_ns, side="right") % 2 == 0
        wrong = block.t_ns[(block.value > 0) != closed]
        after_ns = np.array([(t - changes_ns[changes_ns <= t]).min(initial=10**18) for t in wrong])
        blinks = wrong[after_ns > CHATTER_S * 1e9]
        stretches = np.split(blinks, np.flatnonzero(np.diff(blinks) > 1e8) + 1)

        assert all(s[-1] - s[0] < GLITCH_S * 1e9 for s in stretches if s.size)


def test_there_are_bounces_and_blinks_at_all():
    """Over a few tests, switches have bounced after a lift and blinked without a cause."""
    bounced = blinked = 0
    for seed in range(6):
        one = simulate("both-sides", seed)
        for wheel, changes_ns in one.truth.contact_changes_ns.items():
            block = one.blocks[f"wheel/{wheel}"]
            closed = np.searchsorted(changes_ns, block.t_ns, side="right") % 2 == 0
            for t in block.t_ns[(block.value > 0) != closed]:
                near = ((t >= changes_ns) & (t - changes_ns <= CHATTER_S * 1e9)).any()
                bounced += near
                blinked += not near

    assert bounced >= 3
    assert blinked >= 3


def test_holds_and_changes_fit_together(simulation):
    """A hold ends at the lift that ended it; the next one begins where the boom came in."""
    truth = simulation.truth
    for change in truth.radius_changes:
        before = max((h for h in truth.holds if h.end_s < change.start_s), key=lambda h: h.end_s)
        after = min((h for h in truth.holds if h.start_s >= change.end_s), key=lambda h: h.start_s)

        assert before.end_s in [lift.t_s for lift in truth.lifts]
        assert before.radius_m - after.radius_m == pytest.approx(simulation.scenario.step_m)
        assert 0 < abs(after.from_deg) - abs(before.to_deg) < 2.5


def test_phases_cover_the_test_without_a_hole(simulation):
    """Each stretch of the operator's work begins where the one before ends."""
    phases = simulation.truth.phases

    assert phases[0].start_s == 0
    assert [p.end_s for p in phases[:-1]] == [p.start_s for p in phases[1:]]
    assert phases[-1].end_s == pytest.approx(simulation.truth.duration_s + STEP_S)


def test_the_same_seed_gives_the_same_readings():
    """Readings depend on scenario and seed alone."""
    one, again, other = simulate("one-side", 4), simulate("one-side", 4), simulate("one-side", 5)

    for channel, block in one.blocks.items():
        assert np.array_equal(block.value, again.blocks[channel].value)
        assert np.array_equal(block.t_ns, again.blocks[channel].t_ns)
    assert not np.array_equal(one.blocks["load"].value, other.blocks["load"].value)


def test_rates_are_a_choice():
    """Any sampling rate can be had, for large runs."""
    one = simulate("steady", rates=Rates(slew_hz=10, load_hz=1000, radius_hz=5, wheel_hz=2000))
    seconds = one.truth.duration_s

    assert len(one.blocks["load"]) == pytest.approx(1000 * seconds, abs=2)
    assert len(one.blocks["wheel/rear_left"]) == pytest.approx(2000 * seconds, abs=2)
    assert len(one.blocks["slew"]) == pytest.approx(10 * seconds, abs=2)


def test_csv_holds_every_reading_in_order_of_time():
    """The rows give back each channel's times to 1 ns and its raw values exactly."""
    one = simulate("steady", rates=Rates(slew_hz=5, load_hz=5, radius_hz=2, wheel_hz=10))
    rows = list(csv.DictReader(csv_rows(one)))

    assert list(rows[0]) == ["t_s", "channel", "value"]
    assert [float(r["t_s"]) for r in rows] == sorted(float(r["t_s"]) for r in rows)
    for channel, block in one.blocks.items():
        mine = [r for r in rows if r["channel"] == channel]
        assert [round(float(r["t_s"]) * 1e9) for r in mine] == block.t_ns.tolist()
        assert [float(r["value"]) for r in mine] == block.value.tolist()


def test_an_unknown_scenario_names_the_known_ones():
    """A misspelt scenario is refused with those that exist."""
    with pytest.raises(ValueError, match="steady, one-side, both-sides"):
        simulate("nothing")


def test_a_truck_that_no_radius_keeps_down_is_refused():
    """A scenario in which the operator would have to come in without end is an error."""
    hopeless = Scenario(name="h", title="t", radius_m=3.92, step_m=3.0)

    with pytest.raises(ValueError, match="a wheel lifts even at"):
        simulate(hopeless)


def test_stale_age_follows_the_speed_and_says_why():
    """At 20 times the wall's speed two seconds of this machine are 40 s of the run."""
    text = demo_rig_toml(Wiring.accelerated(port="/dev/x", url="mqtt://127.0.0.1:9", speed=20))
    rig = read_rig(text)

    assert {c.stale_after_s for c in rig.channel} == {40.0}
    assert "runs 20 times faster" in text


# ------------------------------------------------------------------ the swinging load


def test_period_of_a_swing():
    """The load swings with T = 2π√(L/g), and loses what the damping takes.

    Source: simple pendulum, as in design formula T ≈ 2π√(L/g).
    """
    period = 2 * math.pi * math.sqrt(ROPE_M / STANDARD_GRAVITY_MPS2)
    steps = round(8 * period / STEP_S)
    offset, _, _ = swing(
        np.zeros(steps, dtype=complex), np.ones(steps), STEP_S, Hanging(offset=0.02 + 0j)
    )
    falls = np.flatnonzero((offset.real[:-1] > 0) & (offset.real[1:] <= 0))

    assert np.diff(falls).mean() * STEP_S == pytest.approx(period, rel=0.005)
    assert np.abs(offset.real[-round(period / STEP_S) :]).max() == pytest.approx(
        0.02 * math.exp(-0.012 * natural_frequency_rads() * 7.5 * period), rel=0.1
    )


def test_a_load_lags_behind_a_tip_that_speeds_up():
    """Under a steady acceleration a the load settles a·L/g behind the tip."""
    steps, acceleration = 20_000, 0.05
    t = np.arange(steps) * STEP_S
    offset, _, _ = swing(
        (0.5 * acceleration * t**2).astype(complex), np.ones(steps), STEP_S, Hanging()
    )

    assert offset.real[-2000:].mean() == pytest.approx(
        -acceleration * ROPE_M / STANDARD_GRAVITY_MPS2, rel=0.02
    )


def test_on_the_ground_nothing_swings():
    """A load that is set down is still, and starts from rest when it is taken up."""
    hung = np.concatenate([np.ones(50), np.zeros(50), np.ones(50)])
    offset, speed, _ = swing(np.zeros(150, dtype=complex), hung, STEP_S, Hanging(offset=0.02j))

    assert np.abs(offset[:50]).min() > 0
    assert not offset[50:].any()
    assert not speed[50:].any()


# ------------------------------------------------------------------ contacts


@settings(deadline=None)
@given(st.lists(st.floats(-5, 5).filter(lambda x: abs(x) > 1e-3), min_size=2, max_size=40))
def test_contact_changes_lie_where_the_closure_crosses_zero(closures):
    """Between two changes the closure's sign stays."""
    closure = np.array([1.0, *closures])
    t_s = np.arange(len(closure), dtype=float)
    changes = contact_changes_s(t_s, closure)
    fine = np.linspace(0, len(closure) - 1, 4001)
    away = np.abs(fine[:, None] - np.append(changes, -10)).min(axis=1) > 1e-6
    open_ = np.searchsorted(changes, fine, side="right") % 2 == 1

    assert (np.diff(changes) >= 0).all()
    assert ((np.interp(fine, t_s, closure) < 0) == open_)[away].all()


def test_a_wheel_that_hangs_at_the_start_is_refused():
    """A simulated test begins with every tyre on the ground."""
    with pytest.raises(ValueError, match="off the ground"):
        contact_changes_s(np.arange(3.0), np.array([-1.0, 1.0, 1.0]))
