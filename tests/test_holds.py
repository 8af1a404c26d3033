"""Holds: radius by sensor, geometry or tape, and the load, in made runs with known truth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from dashboard.capacity.proof.hold_load import load_disagreement
from dashboard.capacity.proof.hold_radius import _stands_still
from dashboard.capacity.proof.holds import find_holds
from dashboard.capacity.proof.sweeps import find_sweeps
from dashboard.gathering import gather_evidence
from logger.events.sweep import Side
from logger.readings.block import Block
from logger.readings.boom_geometry import BoomGeometry
from logger.recording.header import Note, RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.made_run import (
    RIG_TOML,
    TEST_TOML,
    MadeRun,
    boom_rig_toml,
    full_sweep,
    quiet_toml,
    reduced_sweep,
)

RATES_HZ = (20, 50, 20, 50)
BOOM_KEYS = """
foot_pin_offset = "-0.3 m"
foot_pin_height = "2.2 m"
tip_along = "0.1 m"
tip_perpendicular = "0.15 m"
sheave_radius = "0.12 m"
length = "5.6 m"
u = "1 mm"
"""
BOOM = BoomGeometry.model_validate(
    dict(line.replace('"', "").split(" = ") for line in BOOM_KEYS.strip().splitlines())
)


def with_boom(keys=BOOM_KEYS):
    return TEST_TOML.replace("[load]", f"[crane.geometry]{keys}\n[load]")


@pytest.fixture
def evidence_of(tmp_path):
    """Seals a made run and gathers what it shows."""

    def gathered(made, *, rig_toml=RIG_TOML, test_toml=TEST_TOML, taped=()):
        blocks = [
            Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64), value=raw)
            for c, (t, raw) in sorted(made.signals(rates_hz=RATES_HZ).items())
        ]
        notes = tuple(
            Note(t_ns=round(t_s * 1e9), kind="radius", text="", value_m=m) for t_s, m in taped
        )
        header = RunHeader(
            run_id="made",
            started_utc=None,
            software="test",
            rig_toml=rig_toml,
            test_toml=test_toml,
            notes=notes,
        )
        path = tmp_path / f"made-{len(list(tmp_path.iterdir()))}.parquet"
        write_sealed(path, header, blocks)
        return gather_evidence(open_run(path))

    return gathered


def boomed(**keys):
    return MadeRun(boom=BOOM, **keys)


def holds_of(evidence):
    (sweep,) = find_sweeps(evidence)
    return [h for h in sweep.holds if h.to_deg - h.from_deg > 1]


def short_sweep(made):
    return full_sweep(made, 1, limit=60.0)


# ------------------------------------------------------------------ radius


def test_angle_and_length_tell_the_radius_and_its_change(evidence_of):
    """Without a radius sensor: both holds' radii within their uncertainty, the change between."""
    made = reduced_sweep(boomed(), 1, lift_at=40.0, wheel="rear_left", radius_m=3.50, limit=70.0)
    evidence = evidence_of(made, rig_toml=boom_rig_toml(), test_toml=with_boom())
    (sweep,) = find_sweeps(evidence)
    first, last = holds_of(evidence)

    assert evidence.radius_by == "geometry"
    assert {h.radius_by for h in sweep.holds} == {"geometry"}
    for hold, true_m in ((first, 3.92), (last, 3.50)):
        assert hold.radius_m == pytest.approx(true_m, abs=0.003)
        assert abs(hold.radius_m - true_m) < 2 * hold.u_radius_m < 0.1
    assert [(s.by, s.set_down) for s in sweep.radius_steps] == [("geometry", True)]
    assert sweep.radius_steps[0].from_m == pytest.approx(3.92, abs=0.004)
    assert sweep.radius_steps[0].to_m == pytest.approx(3.50, abs=0.004)


def test_the_geometry_s_uncertainty_is_its_inputs_by_their_sensitivities(evidence_of):
    """Moving one input of the computing by its u moves the radius by the input's share."""
    evidence = evidence_of(short_sweep(boomed()), rig_toml=boom_rig_toml(), test_toml=with_boom())
    (hold,) = holds_of(evidence)
    inputs = {i.name: i for i in hold.radius.inputs}
    angle = np.radians(np.median(evidence.boom_angle.median))
    by_angle = np.radians(1) * (5.7 * np.sin(angle) + 0.15 * np.cos(angle))
    by_tilt = np.radians(1) * 2.2

    # u of the rig file with the channel's resolution; level to 1 %, rectangular.
    assert inputs["boom angle"].u == pytest.approx(
        by_angle * math.hypot(0.05, 0.01 / 12**0.5), rel=0.01
    )
    assert inputs["boom length"].u == pytest.approx(0.003 * np.cos(angle), rel=0.01)
    assert inputs["tip off the boom"].u == pytest.approx(0.001 * np.sin(angle), rel=0.01)
    assert inputs["foot pin offset"].u == inputs["sheave radius"].u == pytest.approx(0.001)
    assert inputs["tilt of the truck"].u == pytest.approx(
        by_tilt * math.degrees(0.01) / 3**0.5, rel=0.01
    )
    assert hold.u_radius_m == pytest.approx(math.hypot(*(i.u for i in hold.radius.inputs)))
    assert evidence.u_radius_m == pytest.approx(hold.u_radius_m, rel=0.05)


def test_a_sensor_that_speaks_counts_before_the_geometry(evidence_of):
    """With both, the sensor's radius is the hold's."""
    made = short_sweep(MadeRun())
    made.quiet = {"boom_angle": 50.0, "boom_length": 5.0}
    rig = RIG_TOML + quiet_toml("boom_angle", "deg") + quiet_toml("boom_length", "m")
    evidence = evidence_of(made, rig_toml=rig, test_toml=with_boom())
    (hold,) = holds_of(evidence)

    assert (hold.radius_by, evidence.radius_by) == ("sensor", "sensor")
    assert hold.radius_m == pytest.approx(3.92, abs=0.003)


def test_the_tape_tells_the_radius_where_the_boom_s_angle_is_not_known(evidence_of):
    """A geometry without an angle is no radius: the tape's counts, with its step's uncertainty."""
    made = short_sweep(MadeRun())
    signals = {c: s for c, s in made.signals(rates_hz=RATES_HZ).items() if c != "radius"}
    made.signals = lambda **_: signals
    evidence = evidence_of(made, test_toml=with_boom(), taped=[(3.0, 3.93)])
    (hold,) = holds_of(evidence)

    assert (hold.radius_by, hold.radius_m) == ("tape", 3.93)
    assert hold.u_radius_m == pytest.approx(0.01 / math.sqrt(12))


def test_a_boom_that_stands_fixed_needs_no_channel(evidence_of):
    """Angle and length from the test file alone tell the radius."""
    made = short_sweep(MadeRun())
    signals = {c: s for c, s in made.signals(rates_hz=RATES_HZ).items() if c != "radius"}
    made.signals = lambda **_: signals
    keys = 'foot_pin_offset = "0 m"\nlength = "5 m"\nangle = "40 deg"\nangle_u = "0.1 deg"'
    (hold,) = holds_of(evidence_of(made, test_toml=with_boom(f"\n{keys}")))

    assert hold.radius_by == "geometry"
    assert hold.radius_m == pytest.approx(5 * math.cos(math.radians(40)))


@pytest.mark.parametrize("level", [True, False])
def test_an_angle_against_the_frame_needs_the_truck_s_level(evidence_of, level):
    """Pitch and roll over the slew angle give the radius; without them it is less sure by far."""
    made = short_sweep(MadeRun(slew_noise_deg=0.0))
    rig, test = (
        RIG_TOML.replace('id = "radius"', 'id = "boom_length"'),
        with_boom('\nfoot_pin_offset = "0 m"\nangle_from = "frame"\nlength_u = "1 mm"'),
    )

    def frame_angle(t):
        psi = np.radians(np.interp(t, made.t_s, made.slew))
        return 45.0 - (0.3 * np.cos(psi) - 0.2 * np.sin(psi))

    signals = made.signals(rates_hz=RATES_HZ)
    t, _ = signals.pop("radius")
    signals["boom_length"] = (t, np.full(t.size, 5000.0))
    signals["boom_angle"] = (t, np.round(frame_angle(t) / 0.001))
    rig += quiet_toml("boom_angle", "deg", u="0.05 deg")
    if level:
        for channel, value in (("pitch", 0.3), ("roll", 0.2)):
            signals[channel] = (t, np.full(t.size, 1000 * value))
            rig += quiet_toml(channel, "deg", u="0.05 deg")
    made.signals = lambda **_: signals
    (hold,) = holds_of(evidence_of(made, rig_toml=rig, test_toml=test))
    off_m = abs(hold.radius_m - 5 * math.cos(math.radians(45)))

    assert (off_m < 0.001) is level
    assert off_m < 2 * hold.u_radius_m
    assert (hold.u_radius_m > 0.015) is not level


def test_a_silent_angle_sensor_proves_nothing_while_it_is_silent(evidence_of):
    """The angles slewed meanwhile are no part of what the hold covers."""
    made = short_sweep(boomed()).silence("boom_angle", 30.0, 36.0)
    evidence = evidence_of(made, rig_toml=boom_rig_toml(), test_toml=with_boom())
    (hold,) = holds_of(evidence)
    silent_deg = np.interp([31.0, 36.0], made.t_s, made.slew)

    assert evidence.stale["boom_angle"].pairs
    assert not [c for c in hold.covered if c.from_deg < silent_deg.mean() < c.to_deg]


# ------------------------------------------------------------------ deflection


def test_a_given_deflection_is_added_while_the_load_hangs(evidence_of):
    """20 mm under the test load: the hold's radius has them, with the uncertainty stated."""
    made = short_sweep(boomed(deflection_m=0.020))
    keys = f'{BOOM_KEYS}deflection = "20 mm"\ndeflection_u = "3 mm"\n'
    evidence = evidence_of(made, rig_toml=boom_rig_toml(), test_toml=with_boom(keys))
    (hold,) = holds_of(evidence)
    (bent,) = [i for i in hold.radius.inputs if i.name == "deflection of the boom"]

    assert hold.radius_m == pytest.approx(3.92, abs=0.003)
    assert bent.u == pytest.approx(0.003, rel=0.01)
    assert bent.value == pytest.approx(0.020, rel=0.01)


def test_tape_readings_with_the_load_hanging_fit_the_deflection(evidence_of):
    """Four of them find the growth that bends the boom, and its uncertainty enters the radius."""
    made = short_sweep(boomed(deflection_m=0.030))
    keys = f"{BOOM_KEYS}deflection_by_tape = true\n"
    taped = [(14.0 + 6 * i, 3.92 + e) for i, e in enumerate((0.004, -0.003, -0.002, 0.003))]
    evidence = evidence_of(made, rig_toml=boom_rig_toml(), test_toml=with_boom(keys), taped=taped)
    (hold,) = holds_of(evidence)
    (bent,) = [i for i in hold.radius.inputs if i.name == "deflection of the boom"]
    (pin,) = [i for i in hold.radius.inputs if i.name == "foot pin offset"]

    assert hold.radius_by == "geometry"
    assert bent.value == pytest.approx(0.030, abs=0.003)
    assert hold.radius_m == pytest.approx(3.92, abs=0.003)
    assert 0.001 < bent.u < 0.003
    # Where the tape was laid the geometry's own errors cancel.
    assert pin.u < 0.0001


def test_one_tape_reading_fits_nothing_and_the_radius_stays_the_lesser(evidence_of):
    """Without a fit the boom counts as stiff: 30 mm less than the truth, the safe side."""
    made = short_sweep(boomed(deflection_m=0.030))
    keys = f"{BOOM_KEYS}deflection_by_tape = true\n"
    evidence = evidence_of(
        made, rig_toml=boom_rig_toml(), test_toml=with_boom(keys), taped=[(20.0, 3.92)]
    )
    (hold,) = holds_of(evidence)

    assert evidence.deflection is None
    assert hold.radius_m == pytest.approx(3.89, abs=0.003)


# ------------------------------------------------------------------ load


def test_the_swing_of_a_hold_is_told_and_its_load_is_free_of_it(evidence_of):
    """A swing of 5° on 5 m of rope: its angle, its period, and the load within its uncertainty."""
    made = short_sweep(MadeRun(swing_deg=5.0, swing_period_s=4.49))
    (hold,) = holds_of(evidence_of(made))
    wave_kg = 0.75 * math.radians(5) ** 2 * 1400

    assert hold.load.swing_deg == pytest.approx(5.0, abs=0.6)
    assert hold.load.swing_period_s == pytest.approx(4.49, rel=0.02)
    assert hold.load.amplitude_kg == pytest.approx(wave_kg, rel=0.25)
    (swung,) = [i for i in hold.load.inputs if i.name == "swing of the load"]
    assert hold.load_kg + math.sqrt(3) * swung.u == pytest.approx(1400, abs=1.0)
    assert swung.value == pytest.approx(-4 / 3 * wave_kg / 3, rel=0.2)


def test_a_short_hold_is_known_as_well_as_its_cell(evidence_of):
    """Twenty seconds are enough: taking up and setting down are no scatter."""
    made = MadeRun(swing_deg=0.0).hoist().slew_to(12.0).go(3).home()
    (hold,) = holds_of(evidence_of(made))
    (scatter,) = [i for i in hold.load.inputs if i.name == "scatter of the load"]

    assert hold.end_ns - hold.start_ns < 20e9
    assert hold.load_kg == pytest.approx(1400, abs=1)
    assert scatter.u < 0.5
    assert hold.u_load_kg < 1.2


def test_the_rope_s_length_gives_the_period_where_no_swing_shows(evidence_of):
    """From the test file; or from the tip's height, the hook's, and half of what hangs on it."""
    still = MadeRun(swing_deg=0.0)
    named = TEST_TOML.replace("[load]", 'rope_length = "3 m"\n[load]')
    heights = TEST_TOML.replace("[load]", 'tip_height = "8 m"\nhanging_height = "1 m"\n[load]')
    rig = RIG_TOML + quiet_toml("hook_height", "m")
    (by_name,) = holds_of(evidence_of(short_sweep(still), test_toml=named))
    hooked = short_sweep(MadeRun(swing_deg=0.0, quiet={"hook_height": 5.5}))
    (by_height,) = holds_of(evidence_of(hooked, rig_toml=rig, test_toml=heights))

    for hold in (by_name, by_height):
        assert hold.load.swing_period_s == pytest.approx(2 * math.pi * math.sqrt(3 / 9.80665))
        assert hold.load.swing_deg == 0


def test_what_makes_the_load_uncertain_is_listed_with_its_source(evidence_of):
    """Cell, resolution, what hangs above it, scatter: each with u, together by their squares."""
    test = TEST_TOML.replace(
        'above_cell = "40 kg"', 'above_cell = "40 kg"\nabove_cell_u = "0.2 kg"'
    )
    declared = evidence_of(short_sweep(MadeRun(swing_period_s=4.2)), test_toml=test)
    silent = evidence_of(short_sweep(MadeRun()), rig_toml=RIG_TOML.replace('u = "1 kg"', ""))
    (hold,), (other,) = holds_of(declared), holds_of(silent)
    inputs, assumed = ({i.name: i for i in h.load.inputs} for h in (hold, other))

    assert (inputs["load cell"].u, inputs["load cell"].source) == (1.0, "rig file")
    assert inputs["resolution of the cell"].u == pytest.approx(0.5 / math.sqrt(12))
    assert inputs["what hangs above the cell"].u == 0.2
    assert 5 < inputs["scatter of the load"].dof < 30
    assert inputs["scatter of the load"].u < 0.5
    assert hold.u_load_kg == pytest.approx(math.hypot(*(i.u for i in inputs.values())))
    assert assumed["load cell"].u == pytest.approx(1.4, rel=0.01)
    assert "assumed" in assumed["load cell"].source
    assert assumed["what hangs above the cell"].u == pytest.approx(0.4)


def test_a_cell_that_reads_more_than_the_parts_proves_no_more_than_both_allow(evidence_of):
    """A cell 30 kg up: told, and the proved moment is that of parts and allowance."""
    (fair,) = holds_of(evidence_of(short_sweep(MadeRun())))
    evidence = evidence_of(short_sweep(MadeRun(load_kg=1430.0)))
    (hold,) = holds_of(evidence)
    more_kg, allowed_kg = load_disagreement(evidence, hold)

    assert more_kg == pytest.approx(30, abs=1.0)
    assert 2 < allowed_kg < 5
    assert hold.load_kg == pytest.approx(1430, abs=1)
    assert hold.load.beyond_parts_kg == pytest.approx(more_kg - allowed_kg)
    full_nm = hold.moment_nm - hold.moment_budget.expanded
    assert hold.proved_nm == pytest.approx(full_nm * (1 - hold.load.beyond_parts_kg / hold.load_kg))
    assert fair.load.beyond_parts_kg == 0
    assert fair.proved_nm == pytest.approx(fair.moment_nm - fair.moment_budget.expanded)


def test_a_cell_that_reads_less_than_the_parts_counts_as_it_reads(evidence_of):
    """30 kg less: told as less, and nothing is added to what was measured."""
    evidence = evidence_of(short_sweep(MadeRun(load_kg=1370.0)))
    (hold,) = holds_of(evidence)
    less_kg, allowed_kg = load_disagreement(evidence, hold)

    assert less_kg == pytest.approx(-30, abs=1.0)
    assert abs(less_kg) > allowed_kg
    assert hold.load.beyond_parts_kg == 0
    assert hold.proved_nm == pytest.approx(hold.moment_nm - hold.moment_budget.expanded)


# ------------------------------------------------------------------ moment and evidence


def test_the_rule_decides_whether_the_uncertainty_is_taken_off(evidence_of):
    """Guarded: less k·u. Simple: as measured."""
    evidence = evidence_of(short_sweep(MadeRun()))
    method = evidence.test.method.model_copy(update={"rule": "simple"})
    simple = replace(evidence, test=evidence.test.model_copy(update={"method": method}))
    (guarded,), (measured,) = holds_of(evidence), holds_of(simple)
    budget = guarded.moment_budget

    assert guarded.proved_nm == pytest.approx(budget.value - budget.k * budget.u)
    assert measured.proved_nm == measured.moment_nm == guarded.moment_nm
    assert budget.value == pytest.approx(guarded.load_kg * 9.80665 * guarded.radius_m)


def test_a_radius_that_stands_still_is_the_mean_and_one_that_dips_is_its_least(evidence_of):
    """Noise alone takes nothing off; a creep of 20 mm, or a dip of 15 mm for 6 s, counts."""
    still = short_sweep(MadeRun())
    creeps = MadeRun().hoist().go(60, slew=60.0, radius=3.90).go(5).home()
    dips = MadeRun().hoist().slew_to(30).go(1, radius=3.905).go(9).go(1, radius=3.92)
    dips = dips.slew_to(60).go(5).home()
    found = [holds_of(evidence_of(made))[0] for made in (still, creeps, dips)]

    assert found[0].radius_m == pytest.approx(3.92, abs=0.0006)
    assert found[1].radius_m == pytest.approx(3.90, abs=0.003)
    assert found[2].radius_m == pytest.approx(3.905, abs=0.002)


def test_what_else_was_wired_is_gathered_in_quarter_seconds(evidence_of):
    """Level, wind and hook height in SI, their declared u and steps; None where not wired."""
    quiet = {"pitch": 0.5, "wind": lambda t: 4 + 0.1 * t, "hook_height": 2.5}
    made = short_sweep(MadeRun(quiet=quiet))
    rig = RIG_TOML + quiet_toml("pitch", "deg", u="0.05 deg")
    rig += quiet_toml("wind", "m/s") + quiet_toml("hook_height", "m")
    evidence = evidence_of(made, rig_toml=rig)

    assert np.median(evidence.pitch.median) == pytest.approx(0.5)
    assert evidence.wind.median[-1] == pytest.approx(4 + 0.1 * made.now_s, abs=0.1)
    assert np.median(evidence.hook_height.median) == pytest.approx(2.5)
    assert evidence.roll is None
    assert evidence.boom_angle is None
    assert evidence.u_declared == {"load": 1.0, "radius": 0.002, "pitch": 0.05}
    assert evidence.step["load"] == pytest.approx(0.5)
    assert evidence.step["wind"] == pytest.approx(0.010)


def test_a_cell_that_says_nothing_gives_no_hold(evidence_of):
    """Without load readings nothing hangs, and there is no hold to measure."""
    evidence = evidence_of(short_sweep(MadeRun()))
    deaf = replace(evidence, load=None, load_quick=None)

    assert find_holds(evidence, side=Side.RIGHT, window=evidence.run_ns)
    assert not find_holds(deaf, side=Side.RIGHT, window=evidence.run_ns)
    assert load_disagreement(deaf, holds_of(evidence)[0]) is None


def test_each_sign_of_a_radius_that_moved_is_enough():
    """One median far off among many, or all too far apart, is no radius that stands still."""
    noise_m = np.random.default_rng(6).normal(0, 0.001, 200)
    one_off, apart = noise_m.copy(), np.tile([0.002, -0.002], 100)
    one_off[50] = -0.006
    judged = [
        _stands_still(4 + rest, noise_m=0.001, step_m=0.0)
        for rest in (np.clip(noise_m, -0.003, 0.003), one_off, apart)
    ]

    assert judged == [True, False, False]


@pytest.mark.parametrize("wheel_opens_at_share", [0.96, 0.98])
def test_a_wheel_that_opens_while_the_load_is_taken_up_leaves_nothing_proved_before_it(
    evidence_of, wheel_opens_at_share
):
    """The moment of the whole load is not credited to a wheel that opened under less of it."""
    made = MadeRun()
    made.slew_to(1.5).go(5)
    begins_s = made.now_s
    made.go(8, share=1.0).go(1)
    made.open("rear_left", begins_s + 8 * wheel_opens_at_share, made.now_s + 1)
    made.set_down().go(3, radius=3.4).go(4).hoist().slew_to(60.0).go(5).home()
    (sweep,) = find_sweeps(evidence_of(made))
    before = [c for h in sweep.holds for c in h.covered if c.start_ns < sweep.lifts[0].t_ns]

    assert sweep.lifts[0].t_ns == pytest.approx(
        (begins_s + 8 * wheel_opens_at_share) * 1e9, abs=0.1e9
    )
    assert before == []
