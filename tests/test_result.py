"""From readings to sectors: made runs with known truth, imported and analysed."""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.results import analyse
from logger.events.load_phase import LoadPhaseDetector, hanging_spans
from logger.readings.block import Block
from logger.recording.header import RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, full_sweep, reduced_sweep

REQUIRED_NM = 53_100.0


@pytest.fixture
def result_of(tmp_path):
    """Seals a made run and analyses it."""

    def analysed(made, *, rig_toml=RIG_TOML, test_toml=TEST_TOML, **kwargs):
        blocks = [
            Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64), value=raw)
            for c, (t, raw) in sorted(made.signals(**kwargs).items())
        ]
        header = RunHeader(
            run_id="made", started_utc=None, software="test", rig_toml=rig_toml, test_toml=test_toml
        )
        path = tmp_path / f"made-{len(list(tmp_path.iterdir()))}.parquet"
        write_sealed(path, header, blocks)
        return analyse(open_run(path))

    return analysed


def sectors(result, side):
    return [
        (s["from_deg"], s["to_deg"], s["percent"], s["basis"])
        for s in result["sectors"]
        if s["side"] == side
    ]


def codes(result, severity=None):
    return {f["code"] for f in result["findings"] if severity in (None, f["severity"])}


def test_a_truck_that_stays_on_its_wheels_has_full_capacity_as_far_as_it_was_swept(result_of):
    """No lift: 100 % up to the reached angle rounded down, untested beyond."""
    made = full_sweep(full_sweep(MadeRun(), 1, limit=171.6), -1, limit=167.5)
    result = result_of(made)

    assert sectors(result, "right") == [(0, 171, 100, "proved"), (171, 180, 0, "untested")]
    assert sectors(result, "left") == [(0, 167, 100, "proved"), (167, 180, 0, "untested")]
    assert [s["first_lift"] for s in result["sweeps"]] == [None, None]
    assert codes(result) == set()


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("side", "sign"), [("right", 1), ("left", -1)])
def test_a_first_lift_is_found_where_it_was(result_of, side, sign, seed):
    """Angle within 0.3° and inside its interval, wheel and time right, sectors on the safe side."""
    lift_at = 74.6 + 0.37 * seed
    wheel = "rear_left" if sign > 0 else "rear_right"
    made = MadeRun(seed=seed)
    reduced_sweep(made, sign, lift_at=lift_at, wheel=wheel, radius_m=3.50, limit=167.4)
    result = result_of(made)
    (sweep,) = result["sweeps"]
    lift, (change,) = sweep["first_lift"], sweep["radius_changes"]

    assert sweep["side"] == side
    assert lift["wheel"] == wheel
    assert lift["t_s"] == pytest.approx(made.openings[0][1], abs=0.0021)
    assert lift["slew_deg"] == pytest.approx(sign * lift_at, abs=0.15)
    assert lift["slew_low_deg"] <= sign * lift_at <= lift["slew_high_deg"]
    assert lift["slew_high_deg"] - lift["slew_low_deg"] < 0.5
    assert (change["from_m"], change["to_m"]) == pytest.approx((3.92, 3.50), abs=0.004)
    assert change["set_down"]
    assert change["by"] == "sensor"
    full_to = int(min(abs(lift["slew_low_deg"]), abs(lift["slew_high_deg"])))
    # 1400 kg × 9.80665 m/s² × 3.50 m = 48 053 N·m, 90.49 % of 53 100 N·m.
    assert sectors(result, side) == [
        (0, full_to, 100, "proved"),
        (full_to, 167, 90, "reduced"),
        (167, 180, 0, "untested"),
    ]
    other = "left" if side == "right" else "right"
    assert sectors(result, other) == [(0, 180, 0, "untested")]


def test_two_reductions_on_one_side_leave_the_lesser_moment_for_the_rest(result_of):
    """A second lift brings the load further in; one reduced sector with the least moment."""
    made = MadeRun().hoist().slew_to(81.0).lift("rear_left", 80.3)
    made.set_down().go(3, radius=3.60).go(3).hoist().slew_to(121.0).lift("rear_left", 120.2)
    made.set_down().go(3, radius=3.30).go(3).hoist().slew_to(171.5).go(4).home()
    result = result_of(made)
    (sweep,) = result["sweeps"]

    assert sweep["first_lift"]["slew_deg"] == pytest.approx(80.3, abs=0.2)
    assert [x["slew_deg"] for x in sweep["lifts"]] == [pytest.approx(120.2, abs=0.2)]
    assert [c["to_m"] for c in sweep["radius_changes"]] == pytest.approx([3.60, 3.30], abs=0.004)
    # 1400 × 9.80665 × 3.30 / 53 100 = 85.32 %.
    assert sectors(result, "right") == [
        (0, 80, 100, "proved"),
        (80, 171, 85, "reduced"),
        (171, 180, 0, "untested"),
    ]


def test_a_load_that_touched_the_ground_proves_nothing_there(result_of):
    """The angles slewed while the load dragged are untested; those around them stay proved."""
    made = MadeRun().hoist().slew_to(40.0)
    made.go(0.3, share=0.6).go(4.0, slew=44.8).go(0.3, share=1.0)
    made.slew_to(171.5).go(4).home()
    result = result_of(made)
    found = sectors(result, "right")

    assert found[0] == (0, 39, 100, "proved") or found[0] == (0, 40, 100, "proved")
    assert found[1][2:] == (0, "untested")
    assert found[1][0] <= 40
    assert found[1][1] >= 45
    assert found[2] == (found[1][1], 171, 100, "proved")
    assert "load_not_hanging" in codes(result, "invalid")


def test_a_brief_touch_is_seen(result_of):
    """Half a second of a half-empty hook while slewing leaves a hole in the full sector."""
    made = MadeRun().hoist().slew_to(60.0)
    made.go(0.1, share=0.5, slew=60.1).go(0.5, slew=60.7).go(0.1, share=1.0, slew=60.8)
    made.slew_to(171.5).go(4).home()
    result = result_of(made)
    hole = [s for s in sectors(result, "right") if s[3] == "untested" and s[1] < 180]

    assert [h for h in hole if h[0] <= 60 and h[1] >= 61]


def test_wheels_that_open_with_no_load_hanging_are_no_result(result_of):
    """A lift with the load on the ground is noted and changes nothing."""
    made = MadeRun().go(20)
    made.open("front_left", 5.0, 8.0)
    full_sweep(made, 1, limit=171.5)
    made.open("rear_left", made.now_s - 8, made.now_s - 6)
    result = result_of(made)

    assert [s["first_lift"] for s in result["sweeps"]] == [None]
    assert sectors(result, "right")[0] == (0, 171, 100, "proved")
    assert codes(result, "note") == {"lift_without_load"}


def test_an_empty_boom_that_slews_all_round_is_no_sweep(result_of):
    """Without the load there is no sweep, no sector and no lift, whatever the wheels do."""
    made = MadeRun().go(5).slew_to(170).go(3)
    made.lift("front_right", 90.0)
    result = result_of(made)

    assert result["sweeps"] == []
    assert sectors(result, "right") == [(0, 180, 0, "untested")]


def test_chatter_and_glitches_change_nothing(result_of):
    """Single false readings and 10 ms bursts all over the sweep never make a lift."""
    made = full_sweep(MadeRun(), 1, limit=171.5)
    rng = np.random.default_rng(5)
    for start_s in rng.uniform(10, made.now_s - 10, 120):
        made.open("rear_left", start_s, start_s + rng.choice([0.002, 0.005, 0.010]))
    result = result_of(made, rates_hz=(100, 100, 50, 1000))

    assert [s["first_lift"] for s in result["sweeps"]] == [None]
    assert codes(result) == {"sweep_incomplete"}  # the left side was never swept


def test_a_wheel_open_before_the_start_spoils_what_it_was_open_for(result_of):
    """Nothing is proved until the wheel comes down, and it is no first lift."""
    made = full_sweep(MadeRun(), 1, limit=171.5)
    made.open("rear_right", 2.0, 30.0)
    result = result_of(made)
    (sweep,) = result["sweeps"]
    opened_until_deg = float(np.interp(30.0, made.t_s, made.slew))
    found = sectors(result, "right")

    assert sweep["first_lift"] is None
    assert found[0][3] == "untested"
    assert found[0][1] >= opened_until_deg - 0.1
    assert found[1] == (found[0][1], 171, 100, "proved")
    assert "wheel_open_before_the_start" in codes(result, "invalid")


def test_a_stale_switch_proves_nothing_while_it_is_silent(result_of):
    """A switch silent for 20 s of slewing leaves those angles untested."""
    made = full_sweep(MadeRun(), 1, limit=171.5)
    made.silence("wheel/rear_left", 60.0, 80.0)
    result = result_of(made)
    silent = np.interp([61.0, 80.0], made.t_s, made.slew)
    hole = sectors(result, "right")[1]

    assert "switch_stale" in codes(result, "invalid")
    assert hole[3] == "untested"
    assert hole[0] <= silent[0]
    assert hole[1] >= silent[1]


def test_a_short_moment_gives_the_percentage_that_was_proved(result_of):
    """At 3.80 m the moment is 98.25 % of the required one: 98 % reduced, and a finding."""
    result = result_of(full_sweep(MadeRun(radius_m=3.80), 1, limit=171.5))

    assert sectors(result, "right")[0] == (0, 171, 98, "reduced")
    assert "moment_short" in codes(result, "caution")


def test_a_radius_that_creeps_counts_at_its_least(result_of):
    """The boom comes in by 150 mm during the sweep: its least radius gives the percentage."""
    made = MadeRun().hoist().slew_to(50)
    made.go(75, slew=140.0, radius=3.77).slew_to(171.5).go(4).home()
    result = result_of(made)
    # 1400 × 9.80665 × 3.77 / 53 100 = 97.47 %.

    assert sectors(result, "right")[0] == (0, 171, 97, "reduced")
    assert {"radius_changed_while_slewing", "moment_short"} <= codes(result)
    assert len(result["sweeps"][0]["radius_changes"]) <= 1


def test_a_sweep_that_stops_early_is_incomplete_and_untested_beyond(result_of):
    """A sweep to 120° of 172° is full there and untested beyond."""
    result = result_of(full_sweep(MadeRun(), 1, limit=120.4))

    assert sectors(result, "right") == [(0, 120, 100, "proved"), (120, 180, 0, "untested")]
    assert [f["text"] for f in result["findings"] if "right sweep ended" in f["text"]]


def test_a_lift_after_which_nothing_was_tried_leaves_the_rest_untested(result_of):
    """The load set down for good after a lift: no reduced sector without a reduced hold."""
    made = MadeRun().hoist().slew_to(91.0).lift("rear_left", 90.2).home()
    result = result_of(made)

    assert sectors(result, "right") == [(0, 90, 100, "proved"), (90, 180, 0, "untested")] or (
        sectors(result, "right") == [(0, 89, 100, "proved"), (89, 180, 0, "untested")]
    )


def test_a_strip_that_was_slewed_on_the_ground_is_untested(result_of):
    """The boom slews 8° with the load on the ground after a lift: a gap before the next sector."""
    made = MadeRun().hoist().slew_to(91.0).lift("rear_left", 90.3)
    made.set_down().go(3, radius=3.50).slew_to(99.0).go(3).hoist().slew_to(171.5).go(4).home()
    result = result_of(made)

    assert sectors(result, "right") == [
        (0, 90, 100, "proved"),
        (90, 99, 0, "untested"),
        (99, 171, 90, "reduced"),
        (171, 180, 0, "untested"),
    ]
    assert "load_not_hanging" in codes(result, "invalid")


def test_the_latest_sweep_of_a_side_counts_and_both_are_listed(result_of):
    """A repeated right sweep: the second decides, the first is kept and marked."""
    made = full_sweep(MadeRun(), 1, limit=100.0)
    full_sweep(made, 1, limit=171.5)
    result = result_of(made)

    assert [s["counts"] for s in result["sweeps"]] == [False, True]
    assert sectors(result, "right")[0] == (0, 171, 100, "proved")


def test_without_a_radius_there_is_no_percentage(result_of):
    """A rig without a radius sensor and without tape readings proves no moment, and says so."""
    rig = RIG_TOML.replace('id = "radius"', 'id = "boom_length"')
    made = full_sweep(MadeRun(), 1, limit=171.5)
    signals = made.signals()
    made.signals = lambda **_: {c: s for c, s in signals.items() if c != "radius"}
    result = result_of(made, rig_toml=rig)

    assert sectors(result, "right") == [(0, 180, 0, "untested")]
    assert "radius_unknown" in codes(result, "invalid")


@pytest.mark.parametrize("share", [0.90, 0.94])
def test_a_load_short_of_95_per_cent_never_hangs(share):
    """At 90 or 94 % of the test load the load does not count as hanging."""
    t_ns = np.arange(0, 20_000_000_000, 10_000_000)
    detector = LoadPhaseDetector(1400.0)
    phases = detector.feed(t_ns, np.full(t_ns.size, share * 1400.0)) + detector.finish()

    assert not hanging_spans(phases).pairs


def test_a_wheel_that_comes_down_by_itself_leaves_its_strip_untested(result_of):
    """Open from 90° to 95° at the full moment, nothing less tried: no lifting there."""
    made = full_sweep(MadeRun(), 1, limit=171.5)
    start_s, end_s = np.interp([90.0, 95.0], made.slew[2:5], made.t_s[2:5])
    made.open("rear_left", start_s, end_s)
    found = sectors(result_of(made), "right")

    assert found[0][1] in (89, 90)
    assert found[1] == (found[0][1], found[1][1], 0, "untested")
    assert found[1][1] >= 95


def test_a_switch_that_never_spoke_proves_nothing(result_of):
    """A wheel without a single reading is stale all along: the whole side is untested."""
    made = full_sweep(MadeRun(), 1, limit=171.5)
    made.silence("wheel/rear_left", 0.0, made.now_s)
    result = result_of(made)

    assert sectors(result, "right") == [(0, 180, 0, "untested")]
    assert "switch_stale" in codes(result, "invalid")


def test_a_broken_off_repeat_does_not_undo_a_whole_sweep(result_of):
    """A second right sweep that ends at 60° without a lift is listed and does not count."""
    made = full_sweep(full_sweep(MadeRun(), 1, limit=171.5), 1, limit=60.0)
    result = result_of(made)

    assert [s["counts"] for s in result["sweeps"]] == [True, False]
    assert sectors(result, "right")[0] == (0, 171, 100, "proved")


def test_a_contact_that_reports_only_changes_dates_its_lift_and_is_told_of(result_of):
    """Without repeats the interval is narrow, and a caution asks for them."""
    made = MadeRun()
    reduced_sweep(made, 1, lift_at=74.6, wheel="rear_left", radius_m=3.5, limit=171.5)
    whole = made.signals()
    for channel, (t, raw) in whole.items():
        if channel.startswith("wheel/"):
            kept = np.concatenate(([True], raw[1:] != raw[:-1]))
            whole[channel] = (t[kept], raw[kept])
    made.signals = lambda **_: whole
    result = result_of(made)
    lift = result["sweeps"][0]["first_lift"]

    assert lift["slew_high_deg"] - lift["slew_low_deg"] < 0.5
    assert "switch_reports_only_changes" in codes(result, "caution")
    assert sectors(result, "right")[0] == (0, 74, 100, "proved")


def test_readings_dated_by_arrival_widen_the_lift(tmp_path):
    """A recorded source without uptimes may be late: interval and a finding say so."""
    from dataclasses import replace
    from pathlib import Path

    from dashboard.results import analyse
    from logger.recording.run import open_run
    from logger.recording.sealed import write_sealed

    run = open_run(Path(__file__).parents[1] / "recordings" / "lift-right.parquet")
    blocks = [run.raw(channel) for channel in sorted(run.channels)]
    widths, codes = [], []
    for name, fits in (("fitted", run.header.clock_fits), ("arrival", {})):
        header = replace(
            run.header, clock_fits=fits, clock_rate=1.0, monotonic_start_ns=1, samples={}, sha256=""
        )
        write_sealed(tmp_path / f"{name}.parquet", header, blocks)
        result = analyse(open_run(tmp_path / f"{name}.parquet"))
        (lift,) = [s["first_lift"] for s in result["sweeps"] if s["first_lift"]]
        widths.append(lift["slew_high_deg"] - lift["slew_low_deg"])
        codes.append({f["code"] for f in result["findings"]})

    assert widths[1] > widths[0]
    assert "clock_poor" in codes[1] - codes[0]
