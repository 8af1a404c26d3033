"""A wheel that lifted limits what is proved by moments as great, wherever the contacts were shut.

Each run is made with a known truth: readings, not results. Common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.results import analyse
from logger.readings.block import Block
from logger.recording.header import Note, RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, full_sweep

NO_RADIUS = RIG_TOML.replace('id = "radius"', 'id = "boom_length"')


@pytest.fixture
def result_of(tmp_path):
    """Seals a made run and analyses it; without its radius sensor where notes tell the radius."""

    def analysed(made, *, notes=(), sectors="single"):
        signals = made.signals()
        if notes:
            del signals["radius"]
        blocks = [
            Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64), value=raw)
            for c, (t, raw) in sorted(signals.items())
        ]
        header = RunHeader(
            run_id="made",
            started_utc=None,
            software="test",
            rig_toml=NO_RADIUS if notes else RIG_TOML,
            test_toml=TEST_TOML.replace("[method]\n", f'[method]\nsectors = "{sectors}"\n'),
            notes=notes,
        )
        path = tmp_path / "made.parquet"
        write_sealed(path, header, blocks)
        return analyse(open_run(path))

    return analysed


def right(result):
    """The right side's sectors."""
    return [
        (s["from_deg"], s["to_deg"], s["percent"])
        for s in result["sectors"]
        if s["side"] == "right"
    ]


def told(result):
    """The findings of this kind."""
    return [f for f in result["findings"] if f["code"] == "lifted_with_no_more"]


def test_a_radius_that_was_not_noted_again_proves_nothing_beyond_the_lift(result_of):
    """Taped once; a wheel lifts at 70°, the load comes in without a note, the sweep goes on."""
    made = MadeRun().hoist().slew_to(71.0).lift("rear_left", 70.2)
    lifted_s = made.time_at(70.2)
    note = Note(t_ns=4_000_000_000, kind="radius", text="3.92 m", value_m=3.92)
    made.go(6, radius=3.33).slew_to(171.5).go(5).home()
    result = result_of(made, notes=(note,))

    assert right(result)[0] in ((0, 69, 100), (0, 70, 100))
    assert [s[2] for s in right(result)[1:]] == [0]
    assert told(result)[0]["severity"] == "invalid"
    assert told(result)[0]["t_s"] == pytest.approx(lifted_s, abs=0.01)


def test_a_wheel_that_comes_down_by_itself_proves_nothing_beyond(result_of):
    """Open from 70° to 75° and shut from there on with the same load at the same radius."""
    made = full_sweep(MadeRun(), 1, limit=171.5)
    start_s, end_s = np.interp([70.2, 75.0], made.slew[2:5], made.t_s[2:5])
    result = result_of(made.open("rear_left", start_s, end_s))

    assert right(result) in ([(0, 69, 100), (69, 180, 0)], [(0, 70, 100), (70, 180, 0)])
    assert "53.8" in told(result)[0]["text"]


@pytest.mark.parametrize("sectors", ["single", "steps"])
def test_a_later_lift_nearer_to_the_rear_takes_what_was_proved_before(result_of, sectors):
    """Down as far as 120° at first; swept again from 60° with no more, and up at 80.3°.

    Beyond, 1400 kg hang at 3.33 m: 86.1 % of 53.1 kN·m.
    """
    made = MadeRun().hoist().slew_to(121.0).lift("rear_left", 120.2).set_down()
    made.slew_to(60.0).go(3).hoist().slew_to(81.3).lift("rear_left", 80.3).set_down()
    made.go(3, radius=3.33).go(4).hoist().slew_to(171.5).go(5).home()
    result = result_of(made, sectors=sectors)

    assert right(result)[0] in ((0, 79, 100), (0, 80, 100))
    assert max(percent for _, _, percent in right(result)[1:]) in (85, 86)
    assert told(result)[0]["from_deg"] == pytest.approx(80.3, abs=0.5)


def test_a_lift_on_the_way_back_counts(result_of):
    """Down as far as 100°, the boom goes back with the load hanging, and a wheel lifts at 95°."""
    made = MadeRun().hoist().slew_to(100.0).go(3).slew_to(90.0)
    made.lift("rear_left", 95.0, until_s=made.now_s).home()
    result = result_of(made)

    assert right(result)[0] in ((0, 94, 100), (0, 95, 100))
    assert told(result)


def test_a_lift_over_the_rear_with_the_load_hanging_leaves_nothing(result_of):
    """A wheel is up for 3 s over the rear; then the same load goes round with all wheels down."""
    made = MadeRun().hoist()
    made.open("rear_left", made.now_s + 1, made.now_s + 4).go(6).slew_to(171.5).go(5).home()
    result = result_of(made)

    assert right(result) == [(0, 180, 0)]
    assert told(result)[0]["severity"] == "invalid"


def test_another_load_off_the_ground_begins_anew(result_of):
    """The same lift over the rear, the load set down and taken up again: the sweep stands."""
    made = MadeRun().hoist()
    made.open("rear_left", made.now_s + 1, made.now_s + 4).go(6).set_down()
    full_sweep(made, 1, limit=171.5)

    assert right(result_of(made))[0] == (0, 171, 100)


def test_a_moment_that_is_a_little_less_counts_beyond_the_lift(result_of):
    """Brought in by 2 % after the lift: more than both moments are unsure, so it proves 98 %."""
    made = MadeRun().hoist().slew_to(71.2).lift("rear_left", 70.2).set_down()
    made.go(3, radius=3.842).go(4).hoist().slew_to(171.5).go(5).home()
    result = result_of(made)

    assert [s[2] for s in right(result)] == [100, 98, 0] or [s[2] for s in right(result)] == [
        100,
        99,
        0,
    ]
    assert not told(result)


def test_a_sweep_that_was_broken_off_does_not_spoil_the_verdict(result_of):
    """Right begun twice, the second time whole, and the left whole: full to both limits."""
    made = full_sweep(MadeRun(), 1, limit=50.0)
    full_sweep(full_sweep(made, 1, limit=172.0), -1, limit=168.0)

    assert result_of(made)["verdict"]["standing"] == "full to both slew limits"


def test_a_tyre_that_chatters_is_off_the_ground(result_of):
    """Open 40 ms, closed 20 ms for 30 s from 70° on: full up to there, told once, and not full."""
    made = full_sweep(full_sweep(MadeRun(), 1, limit=172.0), -1, limit=168.0)
    (begin_s,) = np.interp([70.0], made.slew[2:5], made.t_s[2:5])
    for number in range(500):
        made.open("rear_left", begin_s + 0.06 * number, begin_s + 0.06 * number + 0.04)
    result = result_of(made)

    assert right(result)[0] in ((0, 69, 100), (0, 70, 100))
    assert [s[2] for s in right(result)[1:]] == [0]
    assert len(told(result)) == 1
    assert result["verdict"]["standing"] == "full in part"
