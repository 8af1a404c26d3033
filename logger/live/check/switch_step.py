"""The step for a wheel's switch: opened by hand and let go, it is seen to open and to close.

What it shows that listening can't: that the wire of this name is at this wheel, that the contact
opens at all, which way round it reads, and how long it bounces.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from logger.events.wheel_lift import ContactEvent, ContactState, WheelLiftDetector
from logger.live.check.findings import Finding, Severity
from logger.live.check.listening import Heard
from logger.live.check.steps import HeardBy, Judgement, Way
from logger.readings.rig_file import Channel

SETTLED_NS = 400_000_000
"""Quiet after the last change before the step ends by itself, ns: a bounce is over by then."""
_BOUNCE_GAP_NS = 100_000_000
_STEP_S = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounce:
    """How a contact chatters around its changes.

    Attributes:
        changes: how often it changed in all.
        longest_s: longest chatter, first to last change of a burst, s.
        open_s: longest open stretch inside a chatter, s.
        closed_s: longest closed stretch inside a chatter, s.
    """

    changes: int
    longest_s: float
    open_s: float
    closed_s: float


def bounce_of(heard: Heard, closed: NDArray[np.bool_]) -> Bounce:
    """Measures the chatter: changes less than a tenth of a second apart are one burst.

    Args:
        heard: the contact's readings.
        closed: whether it is closed in each of them, shape (n,).
    """
    at = np.flatnonzero(closed[1:] != closed[:-1]) + 1
    t_ns = heard.t_ns[at]
    between_ns = np.diff(t_ns)
    inside = between_ns <= _BOUNCE_GAP_NS
    longest_ns = run_ns = 0
    for gap_ns, is_inside in zip(between_ns.tolist(), inside.tolist(), strict=True):
        run_ns = run_ns + gap_ns if is_inside else 0
        longest_ns = max(longest_ns, run_ns)
    was_closed = closed[at[:-1]] if at.size else np.empty(0, dtype=np.bool_)

    def longest_s(which: NDArray[np.bool_]) -> float:
        return float(between_ns[which].max()) * 1e-9 if which.any() else 0.0

    return Bounce(
        changes=int(at.size),
        longest_s=longest_ns * 1e-9,
        open_s=longest_s(inside & ~was_closed),
        closed_s=longest_s(inside & was_closed),
    )


class SwitchStep:
    """Exercises one wheel's switch.

    Args:
        channel: the wheel.
        others: the other wheels, among which a swapped wire shows.
    """

    name = "wheel_switch"
    way = Way.WATCH
    needs = ""
    asks_for = ""

    def __init__(self, channel: Channel, others: tuple[Channel, ...]) -> None:
        self._channel = channel
        self._others = others
        self.title = f"Switch of wheel {channel.wheel}"
        self.channels = (channel.id,)
        self.listens_to = (channel.id, *(c.id for c in others))
        self.to_do = (
            f"Open the switch of wheel {channel.wheel} by hand, hold it for a second, let it close."
        )

    def read_answer(self, text: str) -> None:
        """Nothing is asked."""

    def is_seen(self, heard: HeardBy, *, now_ns: int) -> bool:
        """Whether this switch, or another in its place, has changed, come back and settled."""
        return any(
            _there_and_back(c, heard[c.id], now_ns=now_ns) for c in (self._channel, *self._others)
        )

    def judge(self, heard: HeardBy, *, answer: str = "") -> Judgement:  # noqa: ARG002 - as in Step
        """Judges the exercise."""
        mine = heard[self._channel.id]
        closed = mine.raw == self._channel.closed_value
        bounce = bounce_of(mine, closed)
        figures = {
            "changes": bounce.changes,
            "bounce_s": round(bounce.longest_s, 4),
            "on_delay_s": self._channel.on_delay_s,
            "off_delay_s": self._channel.off_delay_s,
        }
        fault = self._fault(heard, closed)
        if fault is not None:
            return Judgement(text=fault.text, figures=figures, findings=(fault,))
        return Judgement(
            text=f"opens and closes; longest chatter {1000 * bounce.longest_s:.0f} ms",
            figures=figures,
            findings=(*self._chatter(bounce), *self._company(heard)),
        )

    def _fault(self, heard: HeardBy, closed: NDArray[np.bool_]) -> Finding | None:
        mine = heard[self._channel.id]
        moved = [c for c in self._others if _changed(c, heard[c.id])]
        if not _changed(self._channel, mine):
            if moved:
                names = ", ".join(c.wheel for c in moved)
                return self._bad(
                    "switches_swapped",
                    f"it did not change, and {names} did instead",
                    f"swap the wires, or the names of {self._channel.id} and {moved[0].id} "
                    "in the rig file",
                )
            state = (
                "sent nothing"
                if not len(mine)
                else (f"stayed {'closed' if closed[-1] else 'open'}")
            )
            return self._bad(
                "switch_not_seen", f"it {state}", "see lever, gap, plug and wire of this switch"
            )
        events = _events(self._channel, mine)
        lifts = [e for e in events if e.state is ContactState.CONFIRMED]
        if not closed[0] and not closed[-1] and len(mine) > 2 and closed.any():
            return self._bad(
                "contact_reads_backwards",
                "it reads open at rest and closed while held open",
                _turned_round(self._channel),
            )
        if not lifts:
            return self._bad(
                "opening_too_short",
                f"it did not stay open for the on-delay of {self._channel.on_delay_s:g} s",
                "hold it open for a second; if it was, see its contact and 'on_delay'",
            )
        if not closed[-1]:
            return self._bad(
                "switch_did_not_close",
                "it opened and did not close again",
                "see whether its lever sticks",
            )
        return None

    def _chatter(self, bounce: Bounce) -> list[Finding]:
        found = []
        for code, held_s, key, limit_s, harm in (
            ("bounce_confirms", bounce.open_s, "on_delay", self._channel.on_delay_s,
             "a chatter would be taken for a lift"),
            ("bounce_ends", bounce.closed_s, "off_delay", self._channel.off_delay_s,
             "one opening would be taken for two"),
        ):  # fmt: skip
            if held_s >= limit_s and bounce.changes > 2:
                wanted_s = ceil(round(2 * held_s / _STEP_S, 3)) * _STEP_S
                found.append(
                    Finding(
                        code=code,
                        severity=Severity.CAUTION,
                        where=self.title,
                        text=f"chatters for {1000 * held_s:.0f} ms at a time, "
                        f"{key.replace('_', '-')} is {1000 * limit_s:.0f} ms: {harm}",
                        would_do=f'mend the switch, or write {key} = "{wanted_s:g} s"',
                    )
                )
        return found

    def _company(self, heard: HeardBy) -> list[Finding]:
        moved = [c.wheel for c in self._others if _changed(c, heard[c.id])]
        if not moved:
            return []
        return [
            Finding(
                code="switches_move_together",
                severity=Severity.CAUTION,
                where=self.title,
                text=f"{', '.join(moved)} changed as well",
                would_do="see whether two wires touch; exercise one switch at a time",
            )
        ]

    def _bad(self, code: str, text: str, would_do: str) -> Finding:
        return Finding(
            code=code,
            severity=Severity.NOT_READY,
            where=self.title,
            text=text,
            would_do=would_do,
        )


def _changed(channel: Channel, heard: Heard) -> bool:
    """Whether a contact changed; one that speaks only then shows it by a single open reading."""
    closed = heard.raw == channel.closed_value
    return bool((closed[1:] != closed[:-1]).any())


def _there_and_back(channel: Channel, heard: Heard, *, now_ns: int) -> bool:
    closed = heard.raw == channel.closed_value
    at = np.flatnonzero(closed[1:] != closed[:-1]) + 1
    if at.size == 0 or now_ns - int(heard.t_ns[at[-1]]) < SETTLED_NS:
        return False
    # One that speaks only when it changes begins with its first opening.
    back = bool(closed[-1] == closed[0]) or bool(closed[-1])
    return back and any(e.state is ContactState.CONFIRMED for e in _events(channel, heard))


def _events(channel: Channel, heard: Heard) -> list[ContactEvent]:
    detector = WheelLiftDetector(
        channel.wheel,
        on_delay_ns=round(channel.on_delay_s * 1e9),
        off_delay_ns=round(channel.off_delay_s * 1e9),
    )
    return [
        *detector.feed(heard.t_ns, heard.raw == channel.closed_value),
        *detector.finish(),
    ]


def _turned_round(channel: Channel) -> str:
    """The line of the rig file that reads the contact the other way round."""
    if isinstance(channel.closed_when, bool):
        return f"write closed_when = {str(not channel.closed_when).lower()}"
    return "give 'closed_when' the value that it has with the tyre on the ground"
