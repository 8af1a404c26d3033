"""What a source hands over: a pack with our stamp on it, or a note that something went wrong.

A source's thread only stamps, decodes and hands over. Names, calibration, clocks and the
disk are the recorder's business, so that a slow disk never delays a stamp.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol, TypeAlias

from logger.readings.pack import Pack

Clock: TypeAlias = Callable[[], int]
"""Tells the time: ns on the run's clock, 0 at the run's start."""

Acknowledge: TypeAlias = Callable[[], None]
NoteKind: TypeAlias = Literal["bad_frame", "lost", "back", "overflow", "missed_polls"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arrival:
    """A decoded frame and when it came; of text lines, all that came together.

    Attributes:
        source: id of the source in the rig file.
        pack: what the frame said.
        arrival_ns: when its last byte was in our hands, ns on the run's clock.
        wire_ns: how long the frame (of several, the last) was on the wire, ns; 0 where that is
            unknown.
        asked_ns: where the pack answers our question, when that had left, ns on the run's clock.
        retained: whether a broker kept it from earlier: old news, never a sample.
        acknowledge: tells the broker that the readings are safe. Call it once they are on the
            disk, from any thread, also for a duplicate and for a retained message; it never
            raises and does no harm after the source has stopped. None where nobody waits.
    """

    source: str
    pack: Pack
    arrival_ns: int
    wire_ns: int = 0
    asked_ns: int | None = None
    retained: bool = False
    acknowledge: Acknowledge | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceNote:
    """Something a source reports that is no pack.

    Attributes:
        source: id of the source in the rig file.
        arrival_ns: when it was noticed, ns on the run's clock.
        kind: ``bad_frame`` (frames that could not be decoded), ``lost`` and ``back`` (the port
            or broker), ``overflow`` (readings that found the queue full), ``missed_polls``
            (questions that were not asked in time; the times of what came are right all the same).
        count: how many frames or readings since the last such note; 1 for ``lost``, ``back``.
        text: the cause, one line.
    """

    source: str
    arrival_ns: int
    kind: NoteKind
    count: int
    text: str


Put: TypeAlias = Callable[[Arrival | SourceNote], None]
"""Hands over; raises ``queue.Full`` when the receiver is behind, never waits."""


class Source(Protocol):
    """A serial line or a broker's topic that readings come from."""

    @property
    def id(self) -> str:
        """Id of the source in the rig file."""

    def start(self, put: Put, clock: Clock) -> None:
        """Opens the source and begins to hand over, from a thread of its own.

        Raises:
            SourceUnavailable: in one line for the person who wired it; nothing runs then.
        """

    def stop(self) -> None:
        """Ends the thread and closes the port or connection; calling it again is harmless."""
