"""What to do next, state by state: the careful answer wins; and how far a test has got."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.units import SI, US
from dashboard.live.advice import advice_words
from logger.events.load_phase import LoadState
from logger.events.next_step import Situation, Step, Urgency, WheelSeen, next_step
from logger.events.standing_alarms import AlarmChange, AlarmState
from logger.events.sweep import Side
from logger.events.sweep_progress import SideProgress, SweepProgress, within_a_turn

DOWN, OPENING, LIFTED, UNKNOWN = WheelSeen
UNSWEPT = {side: SideProgress() for side in Side}
RIGHT_SWEPT = {Side.RIGHT: SideProgress(swept_deg=172.0), Side.LEFT: SideProgress()}
BOTH_SWEPT = {side: SideProgress(swept_deg=171.6) for side in Side}
LIFTED_RIGHT = {
    Side.RIGHT: SideProgress(swept_deg=75.0, lift_wheel="rear_left", lift_deg=74.6),
    Side.LEFT: SideProgress(),
}
HANGING = Situation(
    wheels={"rear_left": DOWN, "rear_right": DOWN},
    load=LoadState.HANGING,
    load_hangs=True,
    slew_deg=0.5,
    radius_m=3.9,
    planned_radius_m=3.9,
    limits_deg={Side.RIGHT: 172.0, Side.LEFT: 168.0},
    progress=UNSWEPT,
)
GROUNDED = replace(HANGING, load=LoadState.GROUNDED, load_hangs=False)
NOBODY_KNOWS = replace(HANGING, load=LoadState.UNKNOWN, load_hangs=None)


def alarm(condition, state=AlarmState.CONFIRMED, *, active=True, acknowledged=False):
    return AlarmChange(
        condition=condition,
        state=state,
        active=active,
        acknowledged=acknowledged,
        t_ns=1,
        text=f"{condition} speaks",
    )


def wheels(state):
    return {"rear_left": state, "rear_right": DOWN}


STATES = [
    # the load on the ground, wheels down
    (GROUNDED, {}, Step.TAKE_UP, "go", "Set the radius to 3.90 m by plan"),
    (GROUNDED, {"radius_m": 3.95}, Step.BRING_IN, "care", "beyond the planned 3.90 m"),
    (GROUNDED, {"radius_m": None}, Step.TAKE_UP, "go", "take the load up"),
    (GROUNDED, {"planned_radius_m": None}, Step.TAKE_UP, "go", "Take the load up"),
    (GROUNDED, {"slew_deg": 75.0, "progress": LIFTED_RIGHT, "lift_radius_m": 3.89},
     Step.REDUCE, "go", "lifted at 3.89 m on this side: bring the load in"),
    (GROUNDED, {"slew_deg": 75.0, "progress": LIFTED_RIGHT, "radius_m": 3.5, "lift_radius_m": 3.89},
     Step.TAKE_UP, "go", "watch every tyre"),
    (GROUNDED, {"slew_deg": 75.0, "progress": LIFTED_RIGHT, "radius_m": None, "tape_is_due": True},
     Step.MEASURE, "go", "measure the new radius and note it here"),
    (GROUNDED, {"slew_deg": 172.0, "progress": RIGHT_SWEPT}, Step.RETURN, "go", "right side"),
    (GROUNDED, {"progress": BOTH_SWEPT}, Step.BOTH_SWEPT, "go", "Ctrl-C"),
    # hanging, wheels down
    (HANGING, {}, Step.BEGIN_SWEEP, "go", "Begin the right sweep"),
    (HANGING, {"progress": RIGHT_SWEPT}, Step.BEGIN_SWEEP, "go", "Begin the left sweep"),
    (HANGING, {"progress": BOTH_SWEPT}, Step.SET_DOWN, "go", "set the load down"),
    (HANGING, {"slew_deg": 40.0}, Step.SWEEP_ON, "go", "at most to 172°; watch every tyre"),
    (HANGING, {"slew_deg": -40.0}, Step.SWEEP_ON, "go", "at most to 168°"),
    (HANGING, {"slew_deg": 172.0, "progress": RIGHT_SWEPT}, Step.SET_DOWN, "go", "as near to the"),
    (HANGING, {"slew_deg": 90.0, "progress": RIGHT_SWEPT}, Step.SET_DOWN, "go", "go back"),
    (HANGING, {"radius_m": 3.95}, Step.BRING_IN, "care", "set the load down and bring it in"),
    (HANGING, {"radius_m": 3.8}, Step.SHORT_RADIUS, "care", "short of the planned 3.90 m"),
    (HANGING, {"radius_m": 3.5, "slew_deg": 80.0, "progress": LIFTED_RIGHT},
     Step.SWEEP_ON, "go", "watch every tyre"),
    (replace(HANGING, load=LoadState.GROUNDED), {}, Step.PARTLY_HANGING, "care", "lift it clear"),
    # a wheel
    (HANGING, {"wheels": wheels(OPENING)}, Step.OPENING, "act", "stop slewing and watch"),
    (HANGING, {"wheels": wheels(LIFTED)}, Step.LIFTED, "act",
     "Wheel rear left is off the ground: stop slewing, set the load down."),
    (HANGING, {"wheels": {"a": LIFTED, "b": LIFTED}}, Step.LIFTED, "act", "Wheels a and b are off"),
    (NOBODY_KNOWS, {"wheels": wheels(LIFTED)}, Step.LIFTED, "act", "set the load down"),
    (HANGING, {"wheels": wheels(UNKNOWN)}, Step.WHEEL_UNKNOWN, "act", "stop, set the load down"),
    (GROUNDED, {"wheels": wheels(UNKNOWN)}, Step.WHEEL_UNKNOWN, "act", "lift nothing"),
    (HANGING, {"wheels": {"a": UNKNOWN, "b": LIFTED}}, Step.LIFTED, "act", "Wheel b is off"),
    (GROUNDED, {"wheels": wheels(LIFTED)}, Step.OPEN_ON_GROUND, "care", "lift nothing"),
    (GROUNDED, {"wheels": wheels(OPENING)}, Step.TAKE_UP, "go", "take the load up"),
    # alarms
    (HANGING, {"alarms": (alarm("data/slew", AlarmState.UNKNOWN),)}, Step.DATA_UNKNOWN, "act",
     "The slew encoder sends nothing: stop, set the load down"),
    (GROUNDED, {"alarms": (alarm("data/load", AlarmState.UNKNOWN),)}, Step.DATA_UNKNOWN, "act",
     "lift nothing until it speaks again"),
    (HANGING, {"alarms": (alarm("storage"), alarm("data/slew", AlarmState.UNKNOWN))}, Step.DISK,
     "act", "stop, set the load down"),
    (HANGING, {"alarms": (alarm("wind"),)}, Step.BEYOND_LIMIT, "act", "come back within"),
    (HANGING, {"alarms": (alarm("wind", AlarmState.SUSPECT, acknowledged=True),)},
     Step.BEYOND_LIMIT, "care", "Wind speaks"),
    (HANGING, {"alarms": (alarm("output/beacon"),)}, Step.OTHER_ALARM, "act", "see to it"),
    (HANGING, {"alarms": (alarm("wheel/rear_left", active=False),)}, Step.ACKNOWLEDGE, "care",
     "acknowledge once you know why"),
    (HANGING, {"alarms": (alarm("wheel/rear_left", active=False, acknowledged=True),)},
     Step.BEGIN_SWEEP, "go", "Begin"),
]  # fmt: skip


@pytest.mark.parametrize(("base", "changes", "step", "urgency", "words"), STATES)
def test_every_state_has_its_one_answer(base, changes, step, urgency, words):
    """The table: what is so, what to do, how urgent, and the words."""
    now = replace(base, **changes)
    found = next_step(now)

    assert (found.step, found.urgency) == (step, urgency)
    assert words.lower() in advice_words(found, now, SI).replace("\u202f", " ").lower()


@given(
    seen=st.lists(st.sampled_from(list(WheelSeen)), min_size=2, max_size=6),
    load=st.sampled_from(list(LoadState)),
    hangs=st.sampled_from([True, False, None]),
    slew_deg=st.one_of(st.none(), st.floats(-180, 180)),
    radius_m=st.one_of(st.none(), st.floats(1, 9)),
    progress=st.sampled_from([UNSWEPT, RIGHT_SWEPT, BOTH_SWEPT, LIFTED_RIGHT]),
    condition=st.sampled_from(["", "storage", "data/load", "wind", "level", "disk_room"]),
)
def test_no_state_with_a_wheel_in_doubt_is_told_to_go_on(
    *, seen, load, hangs, slew_deg, radius_m, progress, condition
):
    """Whatever else is so: a lifted or unknown wheel, or a loud alarm, is never "go"."""
    now = Situation(
        alarms=(alarm(condition),) if condition else (),
        wheels={f"wheel_{n}": s for n, s in enumerate(seen)},
        load=load,
        load_hangs=hangs,
        slew_deg=slew_deg,
        radius_m=radius_m,
        planned_radius_m=3.9,
        limits_deg=dict.fromkeys(Side, 170.0),
        progress=progress,
    )
    found = next_step(now)
    words = advice_words(found, now, US)
    doubt = condition or LIFTED in seen or UNKNOWN in seen
    loaded_doubt = hangs is not False and (LIFTED in seen or UNKNOWN in seen)

    assert words.endswith(".")
    assert not (doubt and found.urgency is Urgency.GO)
    assert not loaded_doubt or "set the load down" in words


def test_what_was_swept_reaches_from_the_rear_without_a_gap():
    """Hanging through 0 to 75°, set down, on from 75.6° to 120°; a leap leaves a gap."""
    test = SweepProgress()
    for t, slew_deg in enumerate([0.4, 20.0, 50.0, 75.0]):
        test.take(t * 1_000_000_000, slew_deg, hanging=True)
    test.take(5_000_000_000, 75.6, hanging=False)
    for t, slew_deg in enumerate([75.6, 100.0, 120.0], start=6):
        test.take(t * 1_000_000_000, slew_deg, hanging=True)
    test.take_lift("rear_left", 74.6)
    test.take_lift("rear_right", 119.0)
    right = test.of(Side.RIGHT)
    test.take(99_000_000_000, -40.0, hanging=True)

    assert right.swept_deg == pytest.approx(120.0)
    assert (right.lift_wheel, right.lift_deg) == ("rear_left", 74.6)
    assert test.of(Side.LEFT) == SideProgress()


@given(st.lists(st.tuples(st.floats(-400, 400), st.booleans()), max_size=30))
def test_no_more_is_told_as_swept_than_where_the_load_hung(moments):
    """Swept never passes the farthest angle at which the load hung on that side."""
    test = SweepProgress()
    for t, (slew_deg, hanging) in enumerate(moments):
        test.take(t * 1_000_000_000, slew_deg, hanging=hanging)

    for side in Side:
        hung_at = [side.sign * within_a_turn(s) for s, hung in moments if hung]

        assert test.of(side).swept_deg <= max([0.0, *hung_at]) + 1e-9
