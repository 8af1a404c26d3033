"""A recording that is watched: all that its recorder has told so far, as one picture.

The recorder's events come at once and its whole state some ten times a second; an event is laid
over the state until the next one has it too. Nothing here knows of pages or of time passing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import Any, Self

import msgspec

from dashboard.capacity.planning.plan import Plan, make_plan
from logger.errors import FileInvalid
from logger.events.load_phase import LoadState
from logger.events.next_step import Situation, WheelSeen
from logger.events.standing_alarms import AlarmChange, StandingAlarms
from logger.events.sweep import Side
from logger.events.sweep_progress import SideProgress, side_of, within_a_turn
from logger.live.viewer_lines import LiveView
from logger.live.viewing import Told, Watched
from logger.readings.rig_file import WHEEL, RigFile, read_rig
from logger.readings.test_file import TestFile, read_test

EVENTS_KEPT = 8
RATE_OVER_NS = 1_200_000_000
"""Slew rate is told over so much of the run's clock, or the last two states, ns."""

_SEEN_OF_OPENING = {"suspect": WheelSeen.OPENING, "confirmed": WheelSeen.LIFTED}


class Phase(StrEnum):
    """How it stands with the recording."""

    LIVE = "live"
    STILL = "still"
    SEALING = "sealing"
    SEALED = "sealed"
    GONE = "gone"


@dataclass(slots=True)
class _Slewing:
    """Where the boom was lately: ns on the run's clock, deg."""

    places: deque[tuple[int, float]]

    def take(self, t_ns: int, slew_deg: float | None) -> None:
        if slew_deg is None:
            self.places.clear()
            return
        self.places.append((t_ns, slew_deg))
        while len(self.places) > 2 and t_ns - self.places[1][0] >= RATE_OVER_NS:
            self.places.popleft()

    @property
    def rate_dps(self) -> float | None:
        if len(self.places) < 2:
            return None
        (t0_ns, slew0_deg), (t1_ns, slew1_deg) = self.places[0], self.places[-1]
        return (slew1_deg - slew0_deg) / max((t1_ns - t0_ns) * 1e-9, 1e-9)


class LivePicture:
    """The picture of one recording.

    Args:
        watched: what it said of itself.

    Raises:
        FileInvalid: where its files won't do for this version.
    """

    def __init__(self, watched: Watched) -> None:
        self.watched = watched
        self.rig: RigFile = read_rig(watched.rig_toml, name="rig.toml")
        self.test: TestFile = read_test(watched.test_toml, name="test.toml")
        self.view: LiveView | None = None
        self.phase = Phase.LIVE
        self.events: deque[dict[str, Any]] = deque(maxlen=EVENTS_KEPT)
        self.failure = ""
        """What the recorder said went wrong, where it did."""
        self._alarms = StandingAlarms()
        self._openings: dict[str, str] = {}
        self._slewing = _Slewing(deque())

    @classmethod
    def begun(cls, watched: Watched) -> Self:
        """The picture with its plan made, which may take a moment.

        Raises:
            FileInvalid: where its files won't do for this version.
        """
        picture = cls(watched)
        _ = picture.plan
        return picture

    def take(self, told: Told) -> None:
        """Takes what the recorder says next."""
        match told.kind:
            case "state" if told.state is not None:
                self._see(told.state)
            case "event":
                self._hear(told.event, before=told.before)
            case "sealing":
                self.phase = Phase.SEALING
            case "missed":
                self.events.append({"event": "missed", "count": told.count})

    def end(self) -> None:
        """The recorder says nothing more."""
        if self.phase is not Phase.SEALED:
            self.phase = Phase.GONE

    @cached_property
    def plan(self) -> Plan | None:
        """The plan of its test; None where none can be made."""
        try:
            return make_plan(self.test)
        except FileInvalid:
            return None

    @property
    def alarms(self) -> tuple[AlarmChange, ...]:
        """What stands, the gravest first."""
        return self._alarms.gravest_first()

    @property
    def known(self) -> bool:
        """Whether what is shown is of now."""
        return self.phase is Phase.LIVE and self.view is not None

    @property
    def slew_deg(self) -> float | None:
        """Where the boom is, deg within a turn, right positive; None where nobody knows now."""
        slew_deg = self.fresh("slew")
        return None if slew_deg is None else within_a_turn(slew_deg)

    @property
    def slew_rate_dps(self) -> float | None:
        """How fast the boom slews, deg/s, right positive; None where nobody knows."""
        return self._slewing.rate_dps if self.known else None

    def fresh(self, channel: str) -> float | None:
        """The latest value of a channel, SI; None where nobody knows it now."""
        view = self.view
        if not self.known or view is None or channel in view.stale:
            return None
        return view.latest.get(channel)

    @property
    def applied_kg(self) -> float | None:
        """Cell reading and what hangs above the cell, kg."""
        cell_kg = self.fresh("load")
        return None if cell_kg is None else cell_kg + self.test.load.above_cell_kg

    @property
    def has_radius_sensor(self) -> bool:
        """Whether the rig has one."""
        return self.rig.wired("radius") is not None

    @property
    def radius_m(self) -> float | None:
        """By the sensor or, where there is none, by the latest tape note, m."""
        if self.has_radius_sensor:
            return self.fresh("radius")
        tape = self.view.tape if self.view is not None and self.known else None
        return None if tape is None or self._tape_is_due else tape.value_m

    @property
    def _tape_is_due(self) -> bool:
        view = self.view
        if self.has_radius_sensor or view is None or view.lift is None:
            return False
        return view.tape is None or view.tape.t_ns < view.lift.t_ns

    @property
    def load_state(self) -> LoadState:
        """Where the load is."""
        if not self.known or self.view is None or "load" in self.view.stale:
            return LoadState.UNKNOWN
        return LoadState(self.view.load_state)

    def wheel(self, wheel: str) -> WheelSeen:
        """What is known of a wheel."""
        channel = f"{WHEEL}{wheel}"
        closed = self.fresh(channel)
        if closed is None:
            return WheelSeen.UNKNOWN
        usual = WheelSeen.DOWN if closed else WheelSeen.OPENING
        return _SEEN_OF_OPENING.get(self._openings.get(wheel, ""), usual)

    def progress(self, side: Side) -> SideProgress:
        """What was swept on a side."""
        return SideProgress() if self.view is None else self.view.progress[str(side)]

    @property
    def limits_deg(self) -> Mapping[Side, float]:
        """How far the boom may slew on each side, deg."""
        truck = self.test.truck
        return {Side.RIGHT: truck.slew_limit_right_deg, Side.LEFT: truck.slew_limit_left_deg}

    def situation(self) -> Situation:
        """The moment, for the advice."""
        view = self.view
        hangs = view.load_hangs if view is not None and self.known else None
        return Situation(
            alarms=self.alarms,
            wheels={wheel: self.wheel(wheel) for wheel in self.test.truck.wheels},
            load=self.load_state,
            load_hangs=hangs,
            slew_deg=self.slew_deg,
            radius_m=self.radius_m,
            planned_radius_m=None if self.plan is None else self.plan.guarded_radius_m,
            limits_deg=self.limits_deg,
            progress={side: self.progress(side) for side in Side},
            tape_is_due=self._tape_is_due,
            lift_radius_m=self._lift_radius_m(),
        )

    def _lift_radius_m(self) -> float | None:
        lift, slew_deg = self.view.lift if self.view else None, self.slew_deg
        if lift is None or lift.slew_deg is None or slew_deg is None:
            return None
        same = side_of(within_a_turn(lift.slew_deg)) is side_of(slew_deg)
        return lift.radius_m if same else None

    def _see(self, view: LiveView) -> None:
        self.view = view
        self._openings = dict(view.openings)
        self._alarms = StandingAlarms()
        for alarm in view.alarms:
            self._alarms.take(AlarmChange.of_event(alarm))
        if self.phase is Phase.STILL:
            self.phase = Phase.LIVE
        self._slewing.take(view.t_ns, self.fresh("slew"))

    def _hear(self, event: dict[str, Any], *, before: bool) -> None:
        match event.get("event"):
            case "sealed":
                self.phase = Phase.SEALED
            case "storage_failed":
                self.failure = str(event.get("text", ""))
            case "alarm":
                if not before:
                    self._alarms.take(AlarmChange.of_event(event))
                return  # alarms stand above, in words of their own
            case "wheel_lift" if not before:
                self._openings[event["wheel"]] = event["state"]
            case "stale" if not before and self.view is not None:
                self._silence(self.view, event["channel"])
        self.events.append(event)

    def _silence(self, view: LiveView, channel: str) -> None:
        """A channel has fallen silent since the latest state."""
        if channel not in view.stale:
            self.view = msgspec.structs.replace(view, stale=(*view.stale, channel))
