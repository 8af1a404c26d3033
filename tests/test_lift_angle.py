"""The angle of a lift: safe bounds, budget, interval, and what a switch's travel adds."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from dashboard.capacity.proof.evidence import Evidence, SlewRecord
from dashboard.capacity.proof.first_lift import lift_angle
from dashboard.capacity.truck.truck_model import first_lift, load_position_m, stand
from logger.errors import FileInvalid
from logger.events.wheel_lift import WheelLift
from logger.readings.bins import SLICE_NS, BinMedian
from logger.readings.rig_file import read_rig
from logger.readings.spans import Spans
from logger.readings.test_file import read_test
from tests.made_run import RIG_TOML, TEST_TOML

STEP_DEG = 360 / 4096
RUN_NS = 60_000_000_000
MODEL_TOML = """
[model]
column = ["-0.75 m", "0 m"]
masses = [{ name = "truck and body", mass = "6900 kg", at = ["1.55 m", "0 m"] }]
slewing = [{ name = "boom", mass = "620 kg", radius = "1.3 m" }]
supports = [
  { name = "rear_left", kind = "wheel", at = ["0 m", "0.93 m"], stiffness = "650 N/mm" },
  { name = "rear_right", kind = "wheel", at = ["0 m", "-0.93 m"], stiffness = "650 N/mm" },
  { name = "front_left", kind = "wheel", at = ["4.2 m", "0.95 m"], stiffness = "350 N/mm" },
  { name = "front_right", kind = "wheel", at = ["4.2 m", "-0.95 m"], stiffness = "350 N/mm" },
]
"""
LOAD_KG, RADIUS_M = 1400.0, 3.9


def bins_of(value):
    """Slices of a value that stays."""
    binner = BinMedian(SLICE_NS)
    t_ns = np.arange(0, RUN_NS, 50_000_000)
    return binner.feed(t_ns, np.full(t_ns.size, value))


def evidence_of(slew, *, test=None, **more):
    """A run of a minute in which 1400 kg hang at 3.9 m all the time."""
    return Evidence(
        test=read_test(TEST_TOML) if test is None else test,
        run_ns=(0, RUN_NS),
        slew=slew,
        excursions=(),
        load=bins_of(LOAD_KG),
        u_load_kg=1.0,
        hanging=Spans.of([(0, RUN_NS)]),
        radius=bins_of(RADIUS_M),
        u_radius_m=0.002,
        radius_changes=(),
        tape=(),
        lifts=(),
        stale={},
        only_changes=(),
        **{"u_clock_s": 0.0, **more},
    )


STILL = bins_of(0.0)
STANDING = evidence_of(None)
LIFTS = 250


def drawn_lift(rng, *, u_deg=0.0, noise_deg=0.0, u_clock_s=0.0, cuts_off, slew_hz, wheel_hz):
    """A boom that slews through a lift, read by an encoder; (lift as found, true angle)."""
    rate_dps, sign, falls = rng.uniform(0.4, 2.0), rng.choice([-1, 1]), bool(rng.integers(2))
    t_s = np.arange(rng.uniform(0, 1 / slew_hz), 60.0, 1 / slew_hz)
    opens_s, stops_s = 30.0 + rng.uniform(0, 1), 31.0 + rng.uniform(0.6, 1.5)
    start_deg = rng.uniform(0, 1)

    def angle(at_s):
        return sign * (start_deg + rate_dps * np.minimum(at_s, stops_s))

    scale = -STEP_DEG if falls else STEP_DEG
    zero_counts = rng.uniform(0, 1)
    seen = angle(t_s) + rng.normal(0, u_deg) + rng.normal(0, noise_deg, t_s.size)
    counts = seen / scale + zero_counts
    counts = np.floor(counts) if cuts_off else np.rint(counts)
    late_s = rng.normal(0, u_clock_s)
    slew = SlewRecord(
        t_ns=np.round((t_s + late_s) * 1e9).astype(np.int64),
        slew_deg=(counts - zero_counts) * scale,
        bins=STILL,
        step_deg=STEP_DEG,
        u_deg=u_deg,
        falls_with_counts=falls,
    )
    contact_s = np.arange(rng.uniform(0, 1 / wheel_hz), 60.0, 1 / wheel_hz)
    first = int(np.searchsorted(contact_s, opens_s))
    lift = WheelLift(
        wheel="rear_left",
        t_ns=round(contact_s[first] * 1e9),
        last_closed_ns=round(contact_s[first - 1] * 1e9),
        end_ns=None,
    )
    return lift_angle(replace(STANDING, u_clock_s=u_clock_s), slew, lift), float(angle(opens_s))


@pytest.mark.parametrize("cuts_off", [True, False])
@pytest.mark.parametrize(
    "case",
    [
        {"slew_hz": 100, "wheel_hz": 500},
        {"slew_hz": 100, "wheel_hz": 200, "noise_deg": 0.1},
        {"slew_hz": 50, "wheel_hz": 20, "u_deg": 0.08, "u_clock_s": 0.02, "noise_deg": 0.02},
    ],
    ids=["step alone", "noise", "everything"],
)
def test_the_interval_holds_the_true_angle_in_95_per_cent(case, cuts_off):
    """Not in fewer and not in all: 250 lifts, within three standard deviations (1.38 % each)."""
    rng = np.random.default_rng(95)
    found = [drawn_lift(rng, cuts_off=cuts_off, **case) for _ in range(LIFTS)]
    held = np.mean(
        [low <= true <= high for (low, high), true in ((x.interval_deg, t) for x, t in found)]
    )
    safe = np.mean([lift.low_deg <= true <= lift.high_deg for lift, true in found])

    assert 0.95 - 0.041 <= held <= 0.95 + 0.041
    assert safe >= 0.97


def steady_slew(sign, *, rate_dps=1.0):
    """A boom at a steady rate that is at 22° (or −22°) after 22 s, by a fine encoder."""
    t_ns = np.arange(0, RUN_NS, 10_000_000)
    return SlewRecord(
        t_ns=t_ns,
        slew_deg=sign * rate_dps * t_ns * 1e-9,
        bins=STILL,
        step_deg=0.0,
        u_deg=0.01,
    )


def lift_at(t_s, wheel):
    """A lift between two readings 10 ms apart."""
    t_ns = round(t_s * 1e9)
    return WheelLift(wheel=wheel, t_ns=t_ns, last_closed_ns=t_ns - 10_000_000, end_ns=None)


@pytest.mark.parametrize(("sign", "wheel"), [(1, "front_left"), (-1, "front_right")])
def test_a_switchs_travel_moves_the_lift_back_by_what_the_model_says(sign, wheel):
    """3 mm of travel, the model's angle for them: bound by all of it, estimate by half of it."""
    test, slew = read_test(TEST_TOML + MODEL_TOML), steady_slew(sign)
    lift = lift_at(22.0, wheel)
    plain = lift_angle(evidence_of(slew, test=test), slew, lift)
    late = lift_angle(evidence_of(slew, test=test, travel_m={wheel: 0.003}), slew, lift)
    _, leaves_deg = first_lift(test.model, "right", LOAD_KG, RADIUS_M)
    angles = np.linspace(leaves_deg, leaves_deg + 5, 5001)
    at_m = load_position_m(test.model, angles, RADIUS_M)
    open_m = -stand(test.model, angles, np.full(angles.shape, LOAD_KG), at_m).closure_m[:, 2]
    expected_deg = float(np.interp(0.003, open_m, angles)) - leaves_deg
    inner, outer = ("low_deg", "high_deg") if sign > 0 else ("high_deg", "low_deg")

    assert 1.5 < expected_deg < 3.5
    assert getattr(plain, inner) - getattr(late, inner) == pytest.approx(
        sign * expected_deg, abs=0.04
    )
    assert getattr(late, outer) == getattr(plain, outer)
    assert plain.estimate_deg - late.estimate_deg == pytest.approx(
        sign * expected_deg / 2, abs=0.02
    )
    assert late.budget.contributions[0].input.name == "switch travel"
    assert late.budget.contributions[0].u_y == pytest.approx(expected_deg / math.sqrt(12), rel=0.02)
    assert not late.travel_unknown


@pytest.mark.parametrize(
    "without",
    [
        {"test": read_test(TEST_TOML)},
        {"radius": None},
        {"travel_m": {"front_left": 0.15}},
    ],
    ids=["no model", "no radius", "more than the wheel rises"],
)
def test_a_travel_that_no_model_turns_into_an_angle_is_said(without):
    """The bounds stay, and the lift says that its travel is not in them."""
    test, slew = read_test(TEST_TOML + MODEL_TOML), steady_slew(1)
    evidence = evidence_of(slew, test=test, travel_m={"front_left": 0.003})
    lift = lift_angle(replace(evidence, **without), slew, lift_at(22.0, "front_left"))
    plain = lift_angle(evidence_of(slew), slew, lift_at(22.0, "front_left"))

    assert lift.travel_unknown
    assert not plain.travel_unknown
    assert (lift.low_deg, lift.interval_deg) == (plain.low_deg, plain.interval_deg)


def test_the_budget_names_what_it_is_made_of():
    """A clock of 20 ms at 1 deg/s, a zero of 0.01 deg, and 10 ms between two readings."""
    slew = steady_slew(1)
    lift = lift_angle(evidence_of(slew, u_clock_s=0.02), slew, lift_at(22.0, "front_left"))
    u_y = {c.input.name: c.u_y for c in lift.budget.contributions}

    assert lift.budget.unit == "deg"
    assert lift.estimate_deg == pytest.approx(21.995, abs=1e-6)
    assert u_y == {
        "clocks of slew and contact": pytest.approx(0.02, rel=1e-6),
        "slew zero and scale": 0.01,
        "between two contact readings": pytest.approx(0.01 / math.sqrt(12), rel=1e-6),
    }


def test_a_long_silence_between_two_contact_readings_is_taken_whole():
    """Closed at 20 s, open at 26 s with a stop on the way: anywhere on the way, in the middle."""
    t_ns = np.arange(0, RUN_NS, 10_000_000)
    slew_deg = np.interp(t_ns * 1e-9, [0, 21, 25, 60], [0, 21, 21, 56])
    slew = replace(steady_slew(1), slew_deg=slew_deg)
    lift = WheelLift(
        wheel="rear_left", t_ns=26_000_000_000, last_closed_ns=20_000_000_000, end_ns=None
    )
    angle = lift_angle(evidence_of(slew), slew, lift)

    assert angle.estimate_deg == pytest.approx(21.0, abs=0.01)
    assert angle.interval_deg == pytest.approx((20.05, 21.95), abs=0.02)


def test_the_rig_file_gives_a_wheel_its_travel():
    """``travel`` is a length of a wheel's contact, and of nothing else."""
    rig = RIG_TOML + 'travel = "3 mm"\n'
    last = read_rig(rig).wheels[-1]

    assert last.travel_m == pytest.approx(0.003)
    assert read_rig(RIG_TOML).wheels[0].travel_m == 0.0
    with pytest.raises(FileInvalid, match="travel"):
        read_rig(RIG_TOML.replace('name = "enc"', 'name = "enc"\ntravel = "3 mm"'))
    with pytest.raises(FileInvalid, match="travel"):
        read_rig(RIG_TOML + 'travel = "-3 mm"\n')
