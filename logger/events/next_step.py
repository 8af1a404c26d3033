"""What to do next in a running test, from what stands at this moment.

Decided by one list, the gravest first, so that every state has one answer and the careful one
wins. It is advice from readings alone: it knows nothing of people, ground or weather, and the
competent person decides. Words are made where units are known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from logger.events.alarm import MATTERS
from logger.events.load_phase import LoadState
from logger.events.standing_alarms import AlarmChange, AlarmState
from logger.events.sweep import OVER_REAR_DEG, Side
from logger.events.sweep_progress import SideProgress, side_of
from logger.readings.rig_file import WHEEL

AT_LIMIT_DEG = 1.0
"""So near to where the boom may go it has arrived, deg; a choice."""
RADIUS_TOLERANCE_M = 0.025
"""As near to the planned radius as a boom is set, m; a choice, that of ``radius_change``."""

LIMITS = ("load", "radius", "level", "wind")
"""Conditions of readings beyond their limit, as ``limit`` names them."""


class WheelSeen(StrEnum):
    """What is known of a wheel."""

    DOWN = "down"
    OPENING = "opening"
    LIFTED = "lifted"
    UNKNOWN = "unknown"


class Step(StrEnum):
    """What to do next; the order is that of gravity."""

    DISK = "see to the disk"
    LIFTED = "set the load down"
    WHEEL_UNKNOWN = "see to the switch"
    DATA_UNKNOWN = "see to the sensor"
    BEYOND_LIMIT = "come back within the limit"
    OPENING = "stop and watch"
    OTHER_ALARM = "see to the alarm"
    OPEN_ON_GROUND = "look why it is open"
    ACKNOWLEDGE = "acknowledge"
    PARTLY_HANGING = "lift clear or set down"
    BRING_IN = "bring the load to the planned radius"
    BOTH_SWEPT = "end the recording"
    RETURN = "return to the rear"
    REDUCE = "bring the load in after a lift"
    MEASURE = "measure the new radius"
    TAKE_UP = "take up the load"
    SET_DOWN = "set down at the limit"
    SHORT_RADIUS = "the radius is short"
    SWEEP_ON = "go on slewing"
    BEGIN_SWEEP = "begin to slew"


class Urgency(StrEnum):
    """How a step is shown."""

    ACT = "act"
    CARE = "care"
    GO = "go"


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """A moment of a running test.

    Attributes:
        alarms: what stands, the gravest first.
        wheels: each wheel, in the test file's order.
        load: where the load is.
        load_hangs: whether a load hangs that could lift a wheel; None where nobody knows.
        slew_deg: where the boom is, deg, right positive; None where nobody knows.
        radius_m: radius, m; None where nobody knows.
        planned_radius_m: the radius to test at, m; None where there is no plan.
        limits_deg: how far the boom may slew on each side, deg.
        progress: what was swept on each side.
        tape_is_due: whether the radius has to be measured anew since the last lift.
        lift_radius_m: radius at which a wheel last lifted on the side that the boom is on, m;
            None where none did, or nobody knows.
    """

    alarms: tuple[AlarmChange, ...] = ()
    wheels: Mapping[str, WheelSeen]
    load: LoadState
    load_hangs: bool | None
    slew_deg: float | None
    radius_m: float | None
    planned_radius_m: float | None
    limits_deg: Mapping[Side, float]
    progress: Mapping[Side, SideProgress]
    tape_is_due: bool = False
    lift_radius_m: float | None = None

    def seen(self, state: WheelSeen) -> tuple[str, ...]:
        """The wheels in a state."""
        return tuple(wheel for wheel, seen in self.wheels.items() if seen is state)

    def swept(self, side: Side) -> bool:
        """Whether a side was swept as far as the boom may go."""
        return self.progress[side].swept_deg >= self.limits_deg[side] - AT_LIMIT_DEG

    @property
    def side(self) -> Side | None:
        """The side that the boom is on; None over the rear, and where nobody knows."""
        if self.slew_deg is None or abs(self.slew_deg) <= OVER_REAR_DEG:
            return None
        return side_of(self.slew_deg)


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """The answer.

    Attributes:
        step: what to do.
        urgency: how it is shown.
        wheels: the wheels it is about.
        side: the side it is about.
        text: what an alarm says, for a step about one.
        loaded: whether a load may hang.
    """

    step: Step
    urgency: Urgency
    wheels: tuple[str, ...] = ()
    side: Side | None = None
    text: str = ""
    loaded: bool = False


def next_step(now: Situation) -> NextStep:
    """What to do next; the gravest that is true of a moment."""
    return _by_alarm(now) or (_loaded(now) if now.load_hangs else _unloaded(now))


def _act(
    step: Step, *, wheels: tuple[str, ...] = (), text: str = "", loaded: bool = False
) -> NextStep:
    return NextStep(step=step, urgency=Urgency.ACT, wheels=wheels, text=text, loaded=loaded)


def _by_alarm(now: Situation) -> NextStep | None:
    maybe_loaded = now.load_hangs is not False
    active = {a.condition: a for a in now.alarms if a.active}
    disk = active.get("storage")
    if disk is not None and disk.state.is_loud:
        return _act(Step.DISK, text=disk.text, loaded=maybe_loaded)
    lifted, unknown = now.seen(WheelSeen.LIFTED), now.seen(WheelSeen.UNKNOWN)
    if lifted and maybe_loaded:
        return _act(Step.LIFTED, wheels=lifted, loaded=True)
    if unknown:
        return _act(Step.WHEEL_UNKNOWN, wheels=unknown, loaded=maybe_loaded)
    for channel in MATTERS:
        silent = active.get(f"data/{channel}")
        if silent is not None and silent.state is AlarmState.UNKNOWN:
            return _act(Step.DATA_UNKNOWN, text=channel, loaded=maybe_loaded)
    opening = now.seen(WheelSeen.OPENING)
    if opening and maybe_loaded:
        return NextStep(step=Step.OPENING, urgency=Urgency.ACT, wheels=opening, loaded=True)
    return _by_other_alarm(now, active, loaded=maybe_loaded)


def _by_other_alarm(
    now: Situation, active: Mapping[str, AlarmChange], *, loaded: bool
) -> NextStep | None:
    for condition, alarm in active.items():
        if condition.startswith(WHEEL):
            continue
        if alarm.state.is_loud:
            is_limit = condition in LIMITS
            step = Step.BEYOND_LIMIT if is_limit else Step.OTHER_ALARM
            return _act(step, text=alarm.text, loaded=loaded)
        return NextStep(
            step=Step.BEYOND_LIMIT, urgency=Urgency.CARE, text=alarm.text, loaded=loaded
        )
    lifted = now.seen(WheelSeen.LIFTED)
    if lifted:
        return NextStep(step=Step.OPEN_ON_GROUND, urgency=Urgency.CARE, wheels=lifted)
    waiting = [a for a in now.alarms if a.state.is_loud and not a.acknowledged]
    if waiting:
        return NextStep(step=Step.ACKNOWLEDGE, urgency=Urgency.CARE, text=waiting[0].text)
    return None


def _unloaded(now: Situation) -> NextStep:
    side = now.side
    if all(now.swept(s) for s in Side):
        return NextStep(step=Step.BOTH_SWEPT, urgency=Urgency.GO)
    if side is not None and now.swept(side):
        return NextStep(step=Step.RETURN, urgency=Urgency.GO, side=side)
    if _lifted_at_this_radius(now):
        return NextStep(step=Step.REDUCE, urgency=Urgency.GO, side=side)
    if side is not None and now.progress[side].lifted and now.tape_is_due:
        return NextStep(step=Step.MEASURE, urgency=Urgency.GO, side=side)
    if _beyond_plan(now):
        return NextStep(step=Step.BRING_IN, urgency=Urgency.CARE)
    return NextStep(step=Step.TAKE_UP, urgency=Urgency.GO, side=side)


def _loaded(now: Situation) -> NextStep:
    side = now.side
    if now.load is not LoadState.HANGING:
        return NextStep(step=Step.PARTLY_HANGING, urgency=Urgency.CARE, loaded=True)
    if _beyond_plan(now):
        return NextStep(step=Step.BRING_IN, urgency=Urgency.CARE, loaded=True)
    if side is not None and now.swept(side):
        return NextStep(step=Step.SET_DOWN, urgency=Urgency.GO, side=side, loaded=True)
    if _short_of_plan(now, side):
        return NextStep(step=Step.SHORT_RADIUS, urgency=Urgency.CARE, side=side, loaded=True)
    if side is None:
        left = [s for s in Side if not now.swept(s)]
        side = left[0] if left else None
        step = Step.BEGIN_SWEEP if side else Step.SET_DOWN
        return NextStep(step=step, urgency=Urgency.GO, side=side, loaded=True)
    return NextStep(step=Step.SWEEP_ON, urgency=Urgency.GO, side=side, loaded=True)


def _beyond_plan(now: Situation) -> bool:
    if now.radius_m is None or now.planned_radius_m is None:
        return False
    return now.radius_m > now.planned_radius_m + RADIUS_TOLERANCE_M


def _lifted_at_this_radius(now: Situation) -> bool:
    if now.radius_m is None or now.lift_radius_m is None:
        return False
    return now.radius_m > now.lift_radius_m - RADIUS_TOLERANCE_M


def _short_of_plan(now: Situation, side: Side | None) -> bool:
    """Whether less is tried than planned although no wheel has lifted on that side."""
    if now.radius_m is None or now.planned_radius_m is None:
        return False
    lifted = side is not None and now.progress[side].lifted
    return not lifted and now.radius_m < now.planned_radius_m - RADIUS_TOLERANCE_M
