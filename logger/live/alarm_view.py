"""What an output far from the recorder shows: the events that it was told, made one word.

Doubt is loud. Before the recording has begun, after it ended in an error, where events were
missed, or where the recorder's own rounds have stopped, the word is *unknown*: a thread that
goes on saying "all clear" beside a recorder that stands still would be worse than none.
"""

from __future__ import annotations

from collections.abc import Callable

from logger.events.standing_alarms import AlarmChange, AlarmState, StandingAlarms
from logger.live.announcing import Event

ENDED = "ended"
"""The word of a recording that was sealed."""


class AlarmView:
    """Keeps what stands, from the recorder's events.

    Args:
        alive: whether the recorder still makes its rounds; asked from the output's thread.
    """

    def __init__(self, alive: Callable[[], bool]) -> None:
        self._alive = alive
        self._standing = StandingAlarms()
        self._recording = False
        self._ended = False
        self._missed = False

    def take(self, event: Event) -> AlarmChange | None:
        """Takes the next event.

        Returns:
            The change, where the event is one of an alarm.
        """
        match event["event"]:
            case "alarm":
                change = AlarmChange.of_event(event)
                self._standing.take(change)
                return change
            case "recording":
                self._recording = True
            case "sealed":
                self._ended = True
            case "missed":
                self._missed = True
        return None

    @property
    def is_sure(self) -> bool:
        """Whether what is shown is all that is known."""
        return self._recording and not self._missed and self._alive()

    @property
    def word(self) -> str:
        """``cleared``, ``suspect``, ``confirmed``, ``unknown`` or ``ended``."""
        if self._ended:
            return ENDED
        loudest = self._standing.loudest
        if loudest is not AlarmState.CONFIRMED and not self.is_sure:
            return str(AlarmState.UNKNOWN)
        return str(loudest)

    @property
    def standing(self) -> tuple[AlarmChange, ...]:
        """All that stands, the gravest first; nothing once the recording has ended."""
        return () if self._ended else self._standing.gravest_first()

    def fail(self) -> None:
        """The recorder goes without having sealed: nothing more is known."""
        self._recording = False
