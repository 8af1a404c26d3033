"""What a recorder and those who watch it say to each other: JSON, one object a line.

A viewer begins with the token from the recording's entry. Then the recorder tells, each with its
``kind``: the ``header`` once; the ``state`` some ten times a second, whole each time, so that
one that was left out is not missed; each ``event`` at once, as ``record --json`` says it;
``missed`` events; ``sealing``; and the ``answer`` to each request. A viewer may ask for the notes
that the keys of the panel make.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Literal

import msgspec

from logger.events.standing_alarms import AlarmChange
from logger.events.sweep import Side
from logger.events.sweep_progress import SideProgress
from logger.live.announcing import Event
from logger.live.snapshot import Snapshot
from logger.recording.header import RunHeader

VIEW_FORMAT = "slewtrace.view/1"
LONGEST_REQUEST_BYTES = 4096
LONGEST_LINE_BYTES = 16 * 1024 * 1024
"""A header carries both TOML files."""
LONGEST_NOTE = 500
LONGEST_RADIUS_M = 100.0


class Hello(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """A viewer's first line."""

    token: str


class Request(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """What a viewer asks for.

    Attributes:
        do: the kind of the note.
        number: the viewer's own, for the answer.
        t_ns: the moment of the press, ns on the run's clock.
        text: the words.
        value_m: the radius, m, for one by tape.
        seen: condition and state of each alarm that stood before the person's eyes.
    """

    do: Literal["acknowledge", "radius", "text", "mark"]
    number: int
    t_ns: int
    text: str = ""
    value_m: float | None = None
    seen: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        if len(self.text) > LONGEST_NOTE or not self.text.isprintable():
            raise ValueError("a note that won't do")
        radius_m = self.value_m if self.value_m is not None else math.nan
        if (self.do == "radius") is not (0 < radius_m <= LONGEST_RADIUS_M):
            raise ValueError("a radius that won't do")
        if self.do == "text" and not self.text.strip():
            raise ValueError("a note without words")


class Tape(msgspec.Struct, frozen=True, kw_only=True):
    """The latest radius by tape: when it was noted, ns, and what it was, m."""

    t_ns: int
    value_m: float


class LastLift(msgspec.Struct, frozen=True, kw_only=True):
    """The latest lift with a load hanging.

    Attributes:
        t_ns: when the contact opened, ns.
        wheel: which.
        slew_deg: where the boom was, deg; None where nobody knows.
        radius_m: at which radius by its sensor, m; None where there is none.
    """

    t_ns: int
    wheel: str
    slew_deg: float | None
    radius_m: float | None


class LiveView(msgspec.Struct, frozen=True, kw_only=True):
    """The whole state of a recording at one moment, as it goes to a viewer.

    Attributes:
        t_ns: when, ns on the run's clock.
        latest, latest_ns, stale, load_state, load_hangs, rates_hz, missing_packs, other_gaps,
            clock_u_s, kept_samples, waiting_s, room_left_s: as in the snapshot.
        alarms: what stands, the gravest first, as events.
        openings: by wheel, the state of its contact: suspect, confirmed or cleared.
        progress: by side, what was swept.
        tape: the latest radius by tape, or None.
        lift: the latest lift with a load hanging, or None.
    """

    t_ns: int
    latest: dict[str, float | None]
    latest_ns: dict[str, int]
    stale: tuple[str, ...]
    load_state: str
    load_hangs: bool | None
    rates_hz: dict[str, float]
    missing_packs: dict[str, int]
    other_gaps: int
    clock_u_s: dict[str, float | None]
    kept_samples: int
    waiting_s: float
    room_left_s: float | None
    alarms: tuple[dict[str, Any], ...]
    openings: dict[str, str]
    progress: dict[str, SideProgress]
    tape: Tape | None = None
    lift: LastLift | None = None


_encode = msgspec.json.Encoder().encode


def line_of(kind: str, **fields: Any) -> bytes:
    """One line on the wire."""
    return _encode({"kind": kind, **fields}) + b"\n"


def header_line(header: RunHeader, journal: Path) -> bytes:
    """The first line to a viewer that knew the token."""
    return line_of(
        "header",
        format=VIEW_FORMAT,
        run_id=header.run_id,
        started_utc=header.started_utc,
        rig_toml=header.rig_toml,
        test_toml=header.test_toml,
        clock_rate=header.clock_rate,
        journal=str(journal.absolute()),
    )


def view_of(
    snapshot: Snapshot,
    *,
    openings: dict[str, str],
    progress: dict[Side, SideProgress],
    tape: Tape | None,
    lift: LastLift | None,
) -> LiveView:
    """The state as it goes on the wire."""
    return LiveView(
        t_ns=snapshot.t_ns,
        latest=dict(snapshot.latest),
        latest_ns=dict(snapshot.latest_ns),
        stale=tuple(sorted(snapshot.stale)),
        load_state=str(snapshot.load_state),
        load_hangs=snapshot.load_hangs,
        rates_hz=dict(snapshot.rates_hz),
        missing_packs=dict(snapshot.missing_packs),
        other_gaps=snapshot.other_gaps,
        clock_u_s=dict(snapshot.clock_u_s),
        kept_samples=snapshot.kept_samples,
        waiting_s=snapshot.waiting_s,
        room_left_s=snapshot.room_left_s,
        alarms=tuple(a.as_event() for a in snapshot.alarms),
        openings=openings,
        progress={str(side): seen for side, seen in progress.items()},
        tape=tape,
        lift=lift,
    )


def loud_and_waiting(alarms: tuple[AlarmChange, ...]) -> set[tuple[str, str]]:
    """Condition and state of each alarm that an acknowledgement would quieten."""
    return {(a.condition, str(a.state)) for a in alarms if a.state.is_loud and not a.acknowledged}


def event_line(event: Event) -> bytes:
    """An event on the wire."""
    return line_of("event", event=event)
