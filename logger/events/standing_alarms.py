"""What an alarm says, and what of all that was said still stands.

Whoever is told every change, the book of the recorder or a lamp at the other end of a cable,
keeps the same list from the changes alone. The words *active* and *acknowledged* are those of
OPC UA Part 9 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Self

from logger.readings.rig_file import WHEEL


class AlarmState(StrEnum):
    """The state of a condition, as it is told."""

    CLEAR = "cleared"
    SUSPECT = "suspect"
    CONFIRMED = "confirmed"
    UNKNOWN = "unknown"

    @property
    def is_loud(self) -> bool:
        """Whether it stands until it is acknowledged."""
        return self in (AlarmState.CONFIRMED, AlarmState.UNKNOWN)

    @property
    def gravity(self) -> int:
        """The greater, the graver: a wheel known to be up comes before one nobody knows of."""
        return _BY_GRAVITY.index(self)


_BY_GRAVITY = (
    AlarmState.CLEAR,
    AlarmState.SUSPECT,
    AlarmState.UNKNOWN,
    AlarmState.CONFIRMED,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmChange:
    """What is true of a condition from a time on.

    Attributes:
        condition: such as ``wheel/rear_left``, ``data/slew``, ``radius`` or ``storage``.
        state: its state; that of the alarm still standing where the cause has gone.
        active: whether the cause of that state is there.
        acknowledged: whether nothing waits for an acknowledgement.
        t_ns: since when, ns on the run's clock; for a lift, the first open reading.
        text: one line for a person.
    """

    condition: str
    state: AlarmState
    active: bool
    acknowledged: bool
    t_ns: int
    text: str

    def as_event(self) -> dict[str, object]:
        """The change as it goes on the wire and into the journal."""
        return {
            "event": "alarm",
            "condition": self.condition,
            "state": str(self.state),
            "active": self.active,
            "acknowledged": self.acknowledged,
            "t_s": self.t_ns * 1e-9,
            "text": self.text,
        }

    @classmethod
    def of_event(cls, event: Mapping[str, Any]) -> Self:
        """The change that went on the wire as this event."""
        return cls(
            condition=event["condition"],
            state=AlarmState(event["state"]),
            active=event["active"],
            acknowledged=event["acknowledged"],
            t_ns=round(event["t_s"] * 1e9),
            text=event["text"],
        )


class StandingAlarms:
    """What is active or waits for an acknowledgement, from the changes alone.

    The book keeps one; a lamp far away that is told each change keeps another and shows the same.
    """

    def __init__(self) -> None:
        self._by_condition: dict[str, AlarmChange] = {}

    def take(self, change: AlarmChange) -> None:
        """Takes the next change of a condition."""
        before = self._by_condition.get(change.condition)
        stands = change
        if not (before is None or change.state.is_loud or change.acknowledged):
            stands = replace(before, active=False)  # it waits, while a new cause is still suspect
        if change.active or not change.acknowledged:
            self._by_condition[change.condition] = stands
        else:
            self._by_condition.pop(change.condition, None)

    def gravest_first(self) -> tuple[AlarmChange, ...]:
        """All that stands."""
        return tuple(sorted(self._by_condition.values(), key=_rank))

    @property
    def loudest(self) -> AlarmState:
        """The state of the gravest; clear where nothing stands."""
        standing = self.gravest_first()
        return standing[0].state if standing else AlarmState.CLEAR


def _rank(change: AlarmChange) -> tuple[bool, bool, int, bool, int]:
    """Loud before quiet, there before gone, confirmed before unknown, wheels first, then by age."""
    return (
        not change.state.is_loud,
        not change.active,
        -change.state.gravity,
        not change.condition.startswith(WHEEL),
        change.t_ns,
    )
