"""Findings: each is told where it belongs, with what to do, and a clean run gives none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dashboard.capacity.findings import Finding, Severity, find_findings
from dashboard.capacity.findings.finding import worst_first
from dashboard.capacity.planning.plan import make_plan
from dashboard.capacity.proof.sweeps import find_sweeps
from dashboard.gathering import gather_evidence
from dashboard.results import analyse
from logger.readings.block import Block
from logger.readings.spans import Spans
from logger.recording.header import Gap, Note, RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.made_run import RIG_TOML, TEST_TOML, WHEELS, MadeRun, full_sweep, quiet_toml

RATES_HZ = (20, 20, 10, 50)
OUTRIGGER_TOML = """
[[channel]]
id = "wheel/outrigger_left"
source = "wheels"
name = "outrigger_left"
closed_when = true
"""
MODEL_TOML = """
[model]
column = ["-0.6 m", "-0.3 m"]
masses = [{ name = "truck", mass = "7000 kg", at = ["2.4 m", "0 m"] }]
supports = [
  { name = "front_left", kind = "wheel", at = ["3.6 m", "1 m"], stiffness = "250 N/mm" },
  { name = "front_right", kind = "wheel", at = ["3.6 m", "-1 m"], stiffness = "250 N/mm" },
  { name = "rear_left", kind = "wheel", at = ["0 m", "1 m"], stiffness = "650 N/mm" },
  { name = "outrigger_left", kind = "outrigger", at = ["-1 m", "1.5 m"], stiffness = "6 kN/mm" },
]
"""


@pytest.fixture
def run_of(tmp_path):
    """Seals a made run."""

    def sealed(made, *, rig_toml=RIG_TOML, test_toml=TEST_TOML, rates_hz=RATES_HZ, **header):
        blocks = [
            Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64), value=raw)
            for c, (t, raw) in sorted(made.signals(rates_hz=rates_hz).items())
        ]
        told = RunHeader(
            run_id="made",
            started_utc=None,
            software="test",
            rig_toml=rig_toml,
            test_toml=test_toml,
            **header,
        )
        path = tmp_path / f"made-{len(list(tmp_path.iterdir()))}.parquet"
        write_sealed(path, told, blocks)
        return open_run(path)

    return sealed


@pytest.fixture
def found_in(run_of):
    """The findings of a made run, as documents, by code (the first of each)."""

    def found(made, **kwargs):
        return by_code(analyse(run_of(made, **kwargs)))

    return found


def by_code(result):
    findings = {}
    for finding in result["findings"]:
        findings.setdefault(finding["code"], finding)
    return findings


def right_sweep(made=None):
    """A sweep to the right from hoisting on, not yet at home again."""
    return (made or MadeRun()).hoist().slew_to(171.5).go(5)


@pytest.mark.parametrize("seed", range(8))
def test_a_clean_run_gives_no_finding(found_in, seed):
    """Eight clean tests: random rates, noise, swing to 1°, slew rate, radius; nothing to say."""
    rng = np.random.default_rng(seed)
    made = MadeRun(
        seed=seed,
        radius_m=float(rng.uniform(3.90, 4.15)),
        slew_noise_deg=float(rng.uniform(0, 0.1)),
        swing_deg=float(rng.uniform(0, 1)),
        swing_period_s=float(rng.uniform(4, 8)),
    )
    made.quiet |= {"roll": float(rng.uniform(-0.4, 0.4)), "wind": float(rng.uniform(0, 7))}
    rig = RIG_TOML + quiet_toml("roll", "deg") + quiet_toml("wind", "m/s")
    rate_dps = float(rng.uniform(0.8, 2.7))
    for side, limit_deg in ((1, 171.6), (-1, 167.6)):
        made.hoist().slew_to(side * limit_deg, rate_dps=rate_dps).go(5).home()
    hz = float(rng.choice([10, 10, 20, 50]))

    assert found_in(made, rig_toml=rig, rates_hz=(hz, hz, max(5, hz / 2), 4 * hz)) == {}


@pytest.mark.parametrize("name", ["no-lift", "lift-right", "lifts-both-sides"])
def test_the_recordings_of_the_demo_give_no_finding(name):
    """The three recordings that come with the program are tests done well."""
    run = open_run(Path(__file__).parents[1] / "recordings" / f"{name}.parquet")

    assert analyse(run)["findings"] == []


def test_a_finding_tells_its_place_its_effect_and_what_to_do(found_in):
    """A load that dragged from 40° to 45° names that stretch in time and angle, and the remedy."""
    made = MadeRun().hoist().slew_to(-40.0)
    start_s = made.now_s
    made.go(0.3, share=0.6).go(4.0, slew=-44.8).go(0.3, share=1.0)
    end_s = made.now_s
    made.slew_to(-167.5).go(4).home()
    finding = found_in(made)["load_not_hanging"]

    assert finding["severity"] == "invalid"
    assert finding["side"] == "left"
    assert (finding["start_s"], finding["end_s"]) == pytest.approx((start_s, end_s), abs=0.8)
    assert (finding["from_deg"], finding["to_deg"]) == pytest.approx((-40.0, -44.8), abs=0.6)
    assert "untested" in finding["effect"]
    assert "again" in finding["what_to_do"]
    assert finding["t_s"] == finding["start_s"]


def test_every_finding_says_what_to_do_in_one_sentence(found_in):
    """Text, effect and remedy of all the findings of a bad run are whole sentences."""
    made = MadeRun(radius_m=3.7).hoist().slew_to(30.0, rate_dps=5).slew_to(60.0)
    made.open("rear_left", 1.0, 30.0).silence("wheel/front_left", 20.0, 25.0)
    made.home()
    found = found_in(made)

    assert len(found) >= 5
    for finding in found.values():
        for key in ("text", "effect", "what_to_do"):
            assert finding[key].endswith("."), finding
            assert finding[key][0].isupper() or finding[key].startswith("wheel/"), finding


def test_what_proves_nothing_comes_first_then_the_worst_then_by_time():
    """Order: the run proves nothing; invalid, caution, note; each in order of time."""

    def finding(code, severity, t_ns):
        return Finding(
            code=code, severity=severity, t_ns=t_ns, text="T.", effect="E.", what_to_do="W."
        )

    shuffled = [
        finding("a", Severity.NOTE, 1),
        finding("b", Severity.CAUTION, 9),
        finding("c", Severity.CAUTION, None),
        finding("d", Severity.INVALID, 5),
        finding("nothing_proved", Severity.INVALID, 7),
        finding("e", Severity.INVALID, 2),
    ]

    assert [f.code for f in worst_first(shuffled)] == ["nothing_proved", "e", "d", "c", "b", "a"]


def nothing_cases():
    without = MadeRun().go(5).slew_to(170).go(3)
    standing = MadeRun().hoist().go(20)
    open_all_along = right_sweep().open("rear_left", 0.0, 1000.0)
    silent = right_sweep().silence("wheel/rear_left", 0.0, 1000.0)
    return {
        "the load never hung": without,
        "the boom did not slew out": standing,
        "a wheel was off the ground whenever": open_all_along,
        "wheel/rear_left said nothing whenever": silent,
    }


@pytest.mark.parametrize("why", nothing_cases())
def test_a_run_that_proves_nothing_says_so_first_and_why(run_of, why):
    """No load, no slew, a wheel always open, a dead switch: the first finding names the cause."""
    result = analyse(run_of(nothing_cases()[why]))

    assert not any(s["percent"] for s in result["sectors"])
    assert result["findings"][0]["code"] == "nothing_proved"
    assert result["findings"][0]["severity"] == "invalid"
    assert why in result["findings"][0]["text"]


@pytest.mark.parametrize(
    ("channel", "why"),
    [("load", "tells the load"), ("slew", "tells the slew angle"), ("radius", "tells the radius")],
)
def test_a_run_without_a_sensor_that_the_proof_needs_says_which(run_of, channel, why):
    """Load, slew or radius never spoke: nothing is proved, and the channel is named."""
    made = right_sweep()
    made.silence(channel, 0.0, made.now_s)
    first = analyse(run_of(made))["findings"][0]

    assert (first["code"], why in first["text"]) == ("nothing_proved", True)
    assert f"'{channel}'" in first["what_to_do"] or channel == "radius"


def test_a_run_with_a_sector_proves_something(found_in):
    """A sweep to one side is no run that proves nothing."""
    assert "nothing_proved" not in found_in(right_sweep())


@pytest.mark.parametrize("side_of_percent", ["given", "not given"])
def test_whether_anything_was_proved_is_read_from_the_sectors_where_they_are_given(
    run_of, side_of_percent
):
    """Sectors that all say 0 % make a run that proves nothing, whatever its sweeps covered."""
    evidence = gather_evidence(run_of(right_sweep()))
    required_nm = make_plan(evidence.test).required_moment_nm
    sectors = () if side_of_percent == "given" else None
    found = find_findings(evidence, find_sweeps(evidence), required_nm=required_nm, sectors=sectors)

    assert (found[0].code == "nothing_proved") is (side_of_percent == "given")


@pytest.mark.parametrize(
    ("seconds", "off", "hz"), [(0.3, 0.15, 100), (0.3, 0.15, 10), (0.15, 0.08, 50), (0.2, 0.5, 20)]
)
def test_a_short_touch_while_slewing_is_told(found_in, seconds, off, hz):
    """Less than half a second, 8 to 50 % of the load: the place and how much was off the hook."""
    made = right_sweep()
    start_s = made.time_at(80.0)
    made.dips.append((start_s, start_s + seconds, off))
    finding = found_in(made, rates_hz=(20, hz, 10, 50))["touched_ground"]

    assert finding["start_s"] == pytest.approx(start_s, abs=0.15)
    assert finding["from_deg"] == pytest.approx(80.0, abs=0.5)
    told_kg = float(finding["text"].split("up to ")[1].split(" kg")[0])
    assert told_kg == pytest.approx(off * 1400, abs=45)


@pytest.mark.parametrize("wave", [(0.05, 4.2), (0.05, 8.4), (0.03, 0.7)])
def test_a_load_that_swings_or_bounces_by_5_per_cent_still_hangs(run_of, wave):
    """A wave of the cell's reading is no touch, and no hole from its second turn on.

    At 99.3 % of the test load too, where its troughs are below 95 %.
    """
    evidence = gather_evidence(run_of(right_sweep(MadeRun(wave=wave, load_kg=1390.0))))
    later = evidence.hanging & Spans.of([(20_000_000_000, 150_000_000_000)])

    assert later.total_ns == 130_000_000_000
    assert evidence.touches == ()


def test_a_load_set_down_while_the_boom_stands_is_no_touch(found_in):
    """Down, in, and up again after a lift: the ground was meant."""
    made = MadeRun().hoist().slew_to(80.0).go(2).set_down().go(3).hoist().slew_to(171.5).home()

    assert "touched_ground" not in found_in(made)


def test_a_touch_that_broke_the_hanging_says_that_its_sector_is_untested(run_of):
    """Half a second of a half-empty hook makes a hole, and the finding says so."""
    made = right_sweep()
    start_s = made.time_at(80.0)
    made.dips.append((start_s, start_s + 0.6, 0.5))
    result = analyse(run_of(made))

    assert "untested" in by_code(result)["touched_ground"]["effect"]
    assert [s for s in result["sectors"] if s["basis"] == "untested" and s["from_deg"] < 81]


def test_a_slew_beyond_the_limit_is_told_with_what_it_costs(found_in):
    """5 deg/s for 30°: the stretch, the rate, and half a degree for each tenth of a second."""
    made = MadeRun().hoist().slew_to(60.0).slew_to(90.0, rate_dps=5.0).slew_to(171.5).home()
    finding = found_in(made)["slewed_too_fast"]

    assert "5.0 deg/s" in finding["text"]
    assert "0.50°" in finding["effect"]
    assert (finding["from_deg"], finding["to_deg"]) == pytest.approx((60.0, 90.0), abs=2.5)


def test_the_limit_of_the_slew_rate_is_the_test_files(found_in):
    """At a limit of 6 deg/s a slew of 5 deg/s is let pass; at 1 deg/s one of 1.2 is not."""
    fast = MadeRun().hoist().slew_to(171.5, rate_dps=5.0).home()
    quick = TEST_TOML + 'slew_rate_limit = "6 deg/s"\n'
    slow = TEST_TOML + 'slew_rate_limit = "1 deg/s"\n'

    assert "slewed_too_fast" not in found_in(fast, test_toml=quick)
    assert "slewed_too_fast" in found_in(right_sweep(), test_toml=slow)


def test_a_boom_that_turns_fast_without_its_load_is_no_matter(found_in):
    """On the way home at 6 deg/s nothing hangs."""
    assert "slewed_too_fast" not in found_in(right_sweep().home())


def test_a_swinging_load_is_told_with_its_sideways_pull(found_in):
    """6° to each side pulls sideways with a tenth of the weight."""
    finding = found_in(right_sweep(MadeRun(swing_deg=6.0)))["load_swinging"]
    swing_deg = float(finding["text"].split("± ")[1].split("°")[0])

    assert swing_deg == pytest.approx(6.0, abs=0.7)
    assert "sideways" in finding["effect"]


@pytest.mark.parametrize(
    ("roll_deg", "told"), [(0.4, set()), (0.9, {"not_level"}), (-0.9, {"not_level"})]
)
def test_a_truck_beyond_1_per_cent_is_not_level(found_in, roll_deg, told):
    """0.4° is 0.7 %, 0.9° is 1.6 %: the limit is a 1 % grade."""
    made = MadeRun(quiet={"roll": roll_deg}).go(8)
    found = found_in(right_sweep(made).home(), rig_toml=RIG_TOML + quiet_toml("roll", "deg"))

    assert {"not_level", "leaned_under_load"} & set(found) == told
    assert not told or "1.6 %" in found["not_level"]["text"]


def test_a_truck_that_leans_under_its_load_stood_level_all_the_same(found_in):
    """Level with the hook empty, 1.5° under the load: a note about the radius, no more."""
    made = right_sweep(MadeRun().go(8)).home()
    made.quiet["roll"] = lambda t: 1.5 * np.interp(t, made.t_s, made.share)
    found = found_in(made, rig_toml=RIG_TOML + quiet_toml("roll", "deg"))

    assert "not_level" not in found
    assert found["leaned_under_load"]["severity"] == "note"


@pytest.mark.parametrize(
    ("watch", "speed_mps", "told"),
    [
        ("", 8.0, False),
        ("", 11.0, True),
        ('[watch]\nwind = "7 m/s"\n', 8.0, True),
        ('[watch]\nwind = "12 m/s"\n', 11.0, False),
    ],
)
def test_wind_beyond_its_limit_is_told(found_in, watch, speed_mps, told):
    """The limit is the test file's, else 9 m/s (common practice, no source); 3-second means."""
    made = right_sweep()
    made.quiet["wind"] = lambda t: np.where((t > 60) & (t < 70), speed_mps, 3.0)
    found = found_in(
        made, rig_toml=RIG_TOML + quiet_toml("wind", "m/s"), test_toml=TEST_TOML + watch
    )

    assert ("wind" in found) is told
    # q = 0.625 v² (facts of wind pressure, air at 1.25 kg/m³).
    assert not told or f"{0.625 * speed_mps**2:.0f} Pa" in found["wind"]["effect"]


def test_a_gust_of_a_second_is_no_wind(found_in):
    """20 m/s for half a second is 5 m/s over three."""
    made = right_sweep()
    made.quiet["wind"] = lambda t: np.where((t > 60) & (t < 60.5), 20.0, 2.0)

    assert "wind" not in found_in(made, rig_toml=RIG_TOML + quiet_toml("wind", "m/s"))


def outrigger_rig(made):
    made.contacts = (*WHEELS, "outrigger_left")
    return made


def test_an_outrigger_that_bears_nothing_from_the_start_is_not_set(found_in):
    """Its contact open from before the load hung: the result is that of a truck without it."""
    made = outrigger_rig(right_sweep())
    made.open("outrigger_left", 0.0, made.now_s)
    found = found_in(made, rig_toml=RIG_TOML + OUTRIGGER_TOML, test_toml=TEST_TOML + MODEL_TOML)

    assert found["outrigger_not_set"]["severity"] == "caution"
    assert "outrigger_not_watched" not in found


def test_an_outrigger_that_opens_under_the_load_has_lifted(found_in):
    """Set at the start, open from 90° on: told as such and no wheel lift."""
    made = outrigger_rig(right_sweep())
    made.open("outrigger_left", made.time_at(90.0), made.now_s)
    found = found_in(made, rig_toml=RIG_TOML + OUTRIGGER_TOML, test_toml=TEST_TOML + MODEL_TOML)

    assert found["outrigger_lifted"]["from_deg"] == pytest.approx(90.0, abs=0.5)
    assert "outrigger_not_set" not in found


def test_outriggers_that_nobody_watched_are_a_note(found_in):
    """The model has an outrigger, the rig no contact for it."""
    finding = found_in(right_sweep(), test_toml=TEST_TOML + MODEL_TOML)["outrigger_not_watched"]

    assert finding["severity"] == "note"
    assert "outrigger_left" in finding["text"]


def test_a_radius_that_creeps_under_way_is_told(found_in):
    """150 mm in during the sweep: where, and that the least counts."""
    made = MadeRun(radius_m=4.0).hoist().slew_to(50)
    made.go(75, slew=140.0, radius=3.85).slew_to(171.5).go(4).home()
    finding = found_in(made)["radius_changed_while_slewing"]

    assert 50 <= finding["from_deg"] < 90
    assert "least radius" in finding["effect"]


def test_a_silent_switch_and_a_silent_sensor_are_told_apart(found_in):
    """Ten seconds without the rear left contact, ten without the slew angle."""
    made = right_sweep()
    made.silence("wheel/rear_left", 40.0, 50.0).silence("radius", 80.0, 90.0)
    found = found_in(made)

    assert "wheel/rear_left" in found["switch_stale"]["text"]
    assert "radius" in found["sensor_stale"]["text"]
    assert found["switch_stale"]["start_s"] == pytest.approx(40.0, abs=0.1)
    assert {found[c]["severity"] for c in ("switch_stale", "sensor_stale")} == {"invalid"}


def test_readings_that_the_recorder_knows_to_be_lost_are_told(found_in):
    """Packs lost on the way are a note, an overflow a caution; what came late is not lost."""

    def gap(kind, missing, t_s=60.0):
        return Gap(t_ns=round(t_s * 1e9), source="wheels", kind=kind, missing=missing)

    lost = found_in(right_sweep(), gaps=(gap("missing_packs", 3),))["readings_lost"]
    full = found_in(right_sweep(), gaps=(gap("overflow", None),))["readings_lost"]
    late = found_in(right_sweep(), gaps=(gap("missing_packs", 3), gap("late_packs", 3)))
    outside = found_in(right_sweep().home(), gaps=(gap("missing_packs", 3, t_s=1.0),))

    assert (lost["severity"], "3 packs" in lost["text"]) == ("note", True)
    assert full["severity"] == "caution"
    assert "readings_lost" not in late
    assert "readings_lost" not in outside


def test_a_moment_short_and_one_far_over_are_told(found_in):
    """3.80 m proves 98 %; 4.40 m hangs 14 % more than is asked."""
    short = found_in(right_sweep(MadeRun(radius_m=3.80)))["moment_short"]
    over = found_in(right_sweep(MadeRun(radius_m=4.40)))["moment_over"]

    assert "98." in short["effect"]
    assert "14 %" in over["text"]
    assert short["severity"] == over["severity"] == "caution"


def test_a_sweep_that_ends_or_begins_short_is_incomplete(found_in):
    """To 120° of 172°, and from 30° on: the angles that nobody tested are named."""
    early = found_in(MadeRun().hoist().slew_to(120.4).go(3).home())["sweep_incomplete"]
    late = found_in(MadeRun().slew_to(30.0).go(2).hoist().slew_to(171.5).go(3).home())

    assert early["t_s"] is None or early["to_deg"] == 172.0
    assert late["load_not_hanging"]["to_deg"] == pytest.approx(30.0, abs=0.5)


def test_a_wheel_open_before_the_start_is_told(found_in):
    """Open when the load was taken up, down again at 20 s: the stretch until then."""
    made = right_sweep()
    made.open("rear_left", 1.0, made.time_at(30.0))
    finding = found_in(made)["wheel_open_before_the_start"]

    assert finding["severity"] == "invalid"
    assert finding["to_deg"] == pytest.approx(30.0, abs=0.5)


def test_a_lift_over_the_rear_leaves_no_full_sector(run_of):
    """A lift at 0.6° on the sweep: no 100 % at all, and a caution that says so."""
    made = MadeRun().hoist().slew_to(3.0).lift("front_left", 0.6).set_down()
    made.go(3, radius=3.4).go(4).hoist().slew_to(171.5).go(4).home()
    result = analyse(run_of(made))

    assert by_code(result)["first_lift_over_rear"]["severity"] == "caution"
    assert not [s for s in result["sectors"] if s["percent"] == 100]


def test_a_lift_just_beyond_the_first_step_speaks_of_the_sector_that_is_left(run_of):
    """A lift at 1.7° leaves 100 % up to 1°, and the caution does not deny it."""
    made = MadeRun().hoist().slew_to(3.0).lift("front_left", 1.7).set_down()
    made.go(3, radius=3.4).go(4).hoist().slew_to(171.5).go(4).home()
    result = analyse(run_of(made))

    assert [s["to_deg"] for s in result["sectors"] if s["percent"] == 100] == [1]
    assert "beyond 1° on the strength" in by_code(result)["first_lift_over_rear"]["effect"]


def test_slewing_over_the_rear_before_the_load_hangs_is_no_fault(found_in):
    """A load that is lifted at 1.2° stands for all of the rear: no angle is called untested."""
    found = found_in(right_sweep(MadeRun().go(3).slew_to(1.2).go(2)))

    assert "load_not_hanging" not in found


@pytest.mark.parametrize("off", [0.02, 0.045])
def test_a_load_that_is_partly_held_for_long_proves_nothing_there(run_of, off):
    """A tag line that carries 2 to 5 % of the load over 10° leaves those angles untested."""
    made = MadeRun().hoist().slew_to(60.0)
    made.go(0.5, share=1 - off).slew_to(70.0).go(0.5, share=1.0).slew_to(171.5).go(4).home()
    result = analyse(run_of(made))
    hole = [s for s in result["sectors"] if s["side"] == "right" and s["percent"] == 0]

    assert hole[0]["from_deg"] <= 60.0
    assert hole[0]["to_deg"] >= 70.0
    assert by_code(result)["load_not_hanging"]["severity"] == "invalid"


def test_lifts_without_the_load_or_outside_of_a_sweep_are_told(found_in):
    """With an empty hook a note; on the way back with a moment that nobody knows a caution."""
    empty = right_sweep(MadeRun().go(10)).open("front_left", 3.0, 6.0)
    back = right_sweep().slew_to(100.0)
    back.open("rear_left", back.now_s - 10, back.now_s - 5).silence("radius", 0, back.now_s)

    assert found_in(empty)["lift_without_load"]["severity"] == "note"
    assert found_in(back)["lift_outside_a_sweep"]["severity"] == "caution"


def test_a_cell_that_contradicts_the_parts_is_told(found_in):
    """1390 kg by the cell, 1400 kg by the certified parts: more than both allow."""
    finding = found_in(right_sweep(MadeRun(load_kg=1390.0)))["load_disagrees"]

    assert "less than the 1400 kg" in finding["text"]


def test_a_tape_that_contradicts_the_sensor_is_told(found_in):
    """3.97 m by tape, 3.92 m by the sensor: 50 mm, and what that is of the moment."""
    note = Note(t_ns=5_000_000_000, kind="radius", value_m=3.97)
    finding = found_in(right_sweep(), notes=(note,))["tape_disagrees"]

    assert (
        "50 mm apart" in finding["text"] or "49 mm" in finding["text"] or "51 mm" in finding["text"]
    )
    assert "1.3 %" in finding["effect"]


def test_a_poor_clock_and_assumed_uncertainties_are_told(run_of):
    """0.2 s between two sources; a rig that declares no u."""
    rig = RIG_TOML.replace('u = "1 kg"', "").replace('u = "2 mm"', "")
    evidence = replace(gather_evidence(run_of(right_sweep(), rig_toml=rig)), u_clock_s=0.2)
    required_nm = make_plan(evidence.test).required_moment_nm
    found = {
        f.code: f for f in find_findings(evidence, find_sweeps(evidence), required_nm=required_nm)
    }

    assert "400 ms" in found["clock_poor"].text
    assert {"load", "radius"} <= set(found["uncertainty_assumed"].text.replace("(", " ").split())
    assert found["uncertainty_assumed"].severity is Severity.NOTE


def test_repeats_that_give_two_answers_are_told(found_in):
    """A first sweep with a lift at 90°, a second without: the lift is not forgotten."""
    made = MadeRun().hoist().slew_to(91.0).lift("rear_left", 90.0).home()
    full_sweep(made, 1, limit=171.5)
    finding = found_in(made)["repeats_disagree"]

    assert finding["side"] == "right"
    assert finding["severity"] == "caution"


def test_a_dip_of_the_load_while_the_boom_stands_is_no_touch(found_in):
    """Half a second of less load after the sweep's end moves no angle."""
    made = right_sweep()
    made.go(5).dips.append((made.now_s - 4.0, made.now_s - 3.6, 0.2))

    assert "touched_ground" not in found_in(made)


def test_a_switch_whose_travel_no_model_turns_into_an_angle_is_told(found_in):
    """The rig gives the contact 20 mm of travel, the test file no model: the lift came before."""
    rig = RIG_TOML.replace('name = "rear_left"', 'name = "rear_left"\ntravel = "20 mm"')
    made = MadeRun().hoist().slew_to(91.0).lift("rear_left", 90.0).home()
    finding = found_in(made, rig_toml=rig)["switch_travel_unknown"]

    assert "20 mm" in finding["text"]
    assert "too far" in finding["effect"]
