"""The alarm book: every condition of a running test that someone must hear of, and its state.

The words are those of alarms and conditions in OPC UA Part 9 (from memory): a condition is
*active* while its cause is there, and *acknowledged* once a person has said that they know. A
loud state, confirmed or unknown, stays in the book until it is both gone and acknowledged: who
looked away for five seconds finds it still standing. On-delay, off-delay and dead band are in
the detectors (``wheel_lift``, ``limit``); the book takes what they tell.

- A wheel whose switch is silent is *unknown*, as loud as a confirmed lift: nobody knows whether
  it is up. So are silent slew, load and radius, and every channel that has a limit.
- A lift with no load hanging proves nothing and threatens nobody: it is logged, not alarmed.
  Should the load come to hang while that wheel is still open, the alarm is raised then. A load
  nobody knows counts as hanging, and one that was let go counts for all that opened before.
- A wheel that opens again while its earlier alarm still waits for an acknowledgement tells that
  opening too; until it is confirmed, the earlier alarm is what stands.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import isnan
from typing import Self

from logger.events.limit import LimitEvent, watched_channels
from logger.events.standing_alarms import AlarmChange, AlarmState, StandingAlarms
from logger.events.wheel_lift import ContactEvent, ContactState
from logger.readings.rig_file import WHEEL, RigFile
from logger.readings.test_file import TestFile

__all__ = ("AlarmBook", "AlarmChange", "AlarmState", "StandingAlarms", "load_hangs")

NO_LOAD_SHARE = 0.2
"""Below this share of the test load no load hangs: hook and rigging stay under it, and any load
that could lift a wheel is far above it. A choice, no source."""

ACKNOWLEDGED = "; acknowledged"
"""How the text ends that tells of a person's acknowledgement."""

MATTERS = ("slew", "load", "radius")
"""Channels whose silence is an alarm of its own, where they are wired."""


def load_hangs(
    cell_kg: float | None, *, stale: bool, above_cell_kg: float, test_load_kg: float
) -> bool | None:
    """Whether a load hangs that could lift a wheel; None where nobody knows.

    Args:
        cell_kg: the latest calibrated reading of the load cell, kg, or None.
        stale: whether the cell is silent.
        above_cell_kg: what hangs above the cell, kg.
        test_load_kg: all that hangs below the boom tip in the test, kg.
    """
    if cell_kg is None or stale or isnan(cell_kg):
        return None
    return cell_kg + above_cell_kg >= NO_LOAD_SHARE * test_load_kg


class _Condition:
    """One condition: what is now, and the loud state that still waits to be acknowledged."""

    def __init__(self, name: str) -> None:
        self._now = AlarmChange(
            condition=name,
            state=AlarmState.CLEAR,
            active=False,
            acknowledged=True,
            t_ns=0,
            text=f"{name}: clear",
        )
        self._waiting: AlarmChange | None = None

    def enter(self, state: AlarmState, *, t_ns: int, text: str) -> list[AlarmChange]:
        """What a new state tells; nothing where it is the old one."""
        if state is self._now.state:
            return []
        self._now = replace(
            self._now,
            state=state,
            active=state is not AlarmState.CLEAR,
            acknowledged=self._waiting is None and not state.is_loud,
            t_ns=t_ns,
            text=text,
        )
        # A lift that waits is not covered up by data that fails after it.
        if state is AlarmState.CONFIRMED or (state.is_loud and self._waiting is None):
            self._waiting = self._now
        if state is AlarmState.CLEAR and self._waiting is not None:
            self._waiting = replace(
                self._now, state=self._waiting.state, text=f"{text}; not acknowledged"
            )
            return [self._waiting]
        return [self._now]

    def acknowledge(self, t_ns: int) -> list[AlarmChange]:
        """What an acknowledgement tells; nothing where none was waited for at that time."""
        if self._waiting is None or self._waiting.t_ns > t_ns:
            return []
        self._waiting = None
        self._now = replace(self._now, acknowledged=True)
        return [replace(self._now, t_ns=t_ns, text=f"{self._now.text}{ACKNOWLEDGED}")]


@dataclass(slots=True)
class _Wheel:
    """What is known of a wheel."""

    opening: ContactEvent | None = None
    stale: bool = False
    alarmed: bool = False
    """Whether this opening was told as an alarm: once told it is followed to its end."""


class AlarmBook:
    """The conditions of one running test.

    Args:
        data_channels: channels other than the wheels' whose silence is an alarm of its own.
    """

    def __init__(self, *, data_channels: Iterable[str] = MATTERS) -> None:
        self._data_channels = frozenset(data_channels)
        self._conditions: dict[str, _Condition] = {}
        self._wheels: dict[str, _Wheel] = {}
        self._beyond: dict[str, dict[str, LimitEvent]] = {}
        self._hanging: bool | None = None
        self._let_go_ns = -1
        self._standing = StandingAlarms()

    @classmethod
    def of(cls, rig: RigFile, test: TestFile) -> Self:
        """The book of a rig and a test, still empty."""
        wired = [c for c in MATTERS if rig.wired(c) is not None]
        return cls(data_channels=(*wired, *watched_channels(test, rig)))

    def contact(self, event: ContactEvent, *, load_hanging: bool | None) -> list[AlarmChange]:
        """What a step in the life of an opening tells.

        Args:
            event: what the detector found.
            load_hanging: whether a load hangs (``load_hangs``); None where nobody knows.
        """
        self._hanging = load_hanging
        wheel = self._wheels.setdefault(event.wheel, _Wheel())
        if event.state is not ContactState.CONFIRMED:
            wheel.alarmed = False
        wheel.opening = None if event.state is ContactState.CLEARED else event
        return self._judge(event.wheel, t_ns=event.t_ns)

    def load(self, *, hanging: bool | None, t_ns: int) -> list[AlarmChange]:
        """What the load tells: wheels that were open already are alarmed once it hangs.

        Args:
            hanging: whether a load hangs; None where nobody knows.
            t_ns: when, ns on the run's clock.
        """
        if hanging is False and self._hanging is not False:
            self._let_go_ns = t_ns
        self._hanging = hanging
        return [change for wheel in self._wheels for change in self._judge(wheel, t_ns=t_ns)]

    def stale(self, channel: str, *, stale: bool, t_ns: int) -> list[AlarmChange]:
        """What the silence of a channel tells, or its end; nothing for one that does not matter.

        Args:
            channel: its id.
            stale: whether it is silent from now on.
            t_ns: when, ns on the run's clock.
        """
        if channel.startswith(WHEEL):
            position = channel.removeprefix(WHEEL)
            self._wheels.setdefault(position, _Wheel()).stale = stale
            return self._judge(position, t_ns=t_ns)
        if channel not in self._data_channels:
            return []
        state = AlarmState.UNKNOWN if stale else AlarmState.CLEAR
        text = f"{channel} sends nothing" if stale else f"{channel} speaks again"
        return self._enter(f"data/{channel}", state, t_ns=t_ns, text=text)

    def limit(self, event: LimitEvent) -> list[AlarmChange]:
        """What a reading beyond its limit tells; pitch and roll share the condition ``level``."""
        beyond = self._beyond.setdefault(event.condition, {})
        beyond[event.channel] = event
        gravest = max(beyond.values(), key=lambda e: AlarmState(e.state).gravity)
        return self._enter(
            event.condition, AlarmState(gravest.state), t_ns=event.t_ns, text=gravest.text
        )

    def condition(self, name: str, *, active: bool, t_ns: int, text: str) -> list[AlarmChange]:
        """What any other condition tells, such as a disk that refuses.

        Args:
            name: its name, such as ``storage``.
            active: whether its cause is there.
            t_ns: when, ns on the run's clock.
            text: one line for a person.
        """
        state = AlarmState.CONFIRMED if active else AlarmState.CLEAR
        return self._enter(name, state, t_ns=t_ns, text=text)

    def acknowledge(self, t_ns: int) -> list[AlarmChange]:
        """A person has said that they know of everything that stands; what that changes.

        Args:
            t_ns: when they said so, ns on the run's clock: what came later, they can't know.
        """
        changes = [change for c in self._conditions.values() for change in c.acknowledge(t_ns)]
        return self._told(changes)

    def standing(self) -> tuple[AlarmChange, ...]:
        """All that is active or waits for an acknowledgement, the gravest first."""
        return self._standing.gravest_first()

    @property
    def loudest(self) -> AlarmState:
        """What a lamp shows: the state of the gravest condition that stands."""
        return self._standing.loudest

    def _enter(self, name: str, state: AlarmState, *, t_ns: int, text: str) -> list[AlarmChange]:
        condition = self._conditions.setdefault(name, _Condition(name))
        return self._told(condition.enter(state, t_ns=t_ns, text=text))

    def _told(self, changes: list[AlarmChange]) -> list[AlarmChange]:
        for change in changes:
            self._standing.take(change)
        return changes

    def _judge(self, position: str, *, t_ns: int) -> list[AlarmChange]:
        wheel = self._wheels[position]
        state = AlarmState.CLEAR
        if wheel.stale:
            state = AlarmState.UNKNOWN
        elif wheel.opening is not None and self._counts(wheel, wheel.opening):
            wheel.alarmed = True
            state = AlarmState(wheel.opening.state)
        text = f"wheel {position} {_WHEEL_WORDS[state]}"
        return self._enter(f"{WHEEL}{position}", state, t_ns=t_ns, text=text)

    def _counts(self, wheel: _Wheel, opening: ContactEvent) -> bool:
        """Whether an opening is an alarm: a load hangs, or hung when the wheel opened."""
        hung = self._hanging is not False or opening.opened_ns <= self._let_go_ns
        return wheel.alarmed or hung


_WHEEL_WORDS = {
    AlarmState.CLEAR: "is on the ground again",
    AlarmState.SUSPECT: "may be lifting: contact open",
    AlarmState.CONFIRMED: "HAS LIFTED",
    AlarmState.UNKNOWN: "is UNKNOWN: its contact sends nothing, it may be up",
}
