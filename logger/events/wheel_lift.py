"""Wheel lift: a tyre's contact opens and stays open.

A contact chatters when it is touched and now and then gives a single false reading. So an
*opening* is a burst of open readings, with closed stretches shorter than the off-delay inside
it. It is *suspect* from its first open reading, *confirmed* once an unbroken run of open
readings has lasted for the on-delay, and *cleared* when the contact has stayed closed for the
off-delay. A tyre that chatters on the ground is off it: runs that follow one another within
``CHATTER_NS`` count together, and confirm once they have lasted for twice the on-delay, longer
than any bounce of a contact that opens, and no more of the readings are closed than open. The time
of a confirmed lift is that of the burst's first open reading. On-delay and off-delay are the words
of OPC UA Part 9 (from memory).

A contact that reports only its changes sends one open reading and then nothing: silence of
``SILENCE_NS`` after an open reading counts as staying open. Readings that come in packs are
silent between the packs, so live, silence is believed later by the span of a pack.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from logger.readings.block import Nanoseconds

SILENCE_NS = 250_000_000
"""Slower than any contact is sampled, ns; longer than a glitch of one reading lasts."""

CHATTER_NS = 100_000_000
"""A contact that opens again within this time chatters, ns; a choice, no source."""

PACKS_LOOKED_AT = 8
"""Of so many packs the longest span counts: one that is short does not mean that the next is."""


class ContactState(StrEnum):
    """What is known of an opening."""

    SUSPECT = "suspect"
    CONFIRMED = "confirmed"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactEvent:
    """A step in the life of an opening.

    Attributes:
        wheel: position of the wheel, such as ``rear_left``.
        state: suspect, confirmed or cleared.
        t_ns: the opening's first open reading; for cleared, the first closed reading after it.
        opened_ns: the opening's first open reading, in every state.
        last_closed_ns: the last closed reading before the opening; None where the contact was
            open from its first reading on.
    """

    wheel: str
    state: ContactState
    t_ns: int
    opened_ns: int
    last_closed_ns: int | None


class WheelLiftDetector:
    """Finds the openings of one wheel's contact, block by block.

    Args:
        wheel: position of the wheel.
        on_delay_ns: how long it must stay open to be confirmed, ns.
        off_delay_ns: how long it must stay closed for the opening to end, ns.
    """

    def __init__(self, wheel: str, *, on_delay_ns: int, off_delay_ns: int) -> None:
        self._wheel = wheel
        self._on_delay_ns = on_delay_ns
        self._off_delay_ns = off_delay_ns
        self._last_closed_ns: int | None = None
        self._opened_ns: int | None = None
        self._before_opening_ns: int | None = None
        self._confirmed = False
        # The run of equal readings in hand, which the next block may continue.
        self._run_open = False
        self._run_first_ns: int | None = None
        self._run_last_ns = 0
        # While it chatters: how long the open runs lasted, and open readings less closed ones.
        self._open_ns = 0
        self._more_open = 0
        self._spans_ns: deque[int] = deque([0], maxlen=PACKS_LOOKED_AT)
        self._events: list[ContactEvent] = []

    @property
    def opening_lasts(self) -> bool:
        """Whether an opening has begun and is not cleared yet."""
        return self._opened_ns is not None

    def feed(self, t_ns: Nanoseconds, closed: NDArray[np.bool_]) -> list[ContactEvent]:
        """What the next readings tell.

        Args:
            t_ns: times, shape (n,), ns, never falling.
            closed: whether the tyre is on the ground, shape (n,).
        """
        if t_ns.size == 0:
            return []
        if t_ns.size > 1 and np.diff(t_ns).max() <= SILENCE_NS:
            self._spans_ns.append(int(t_ns[-1]) - int(t_ns[0]))
        changes = np.flatnonzero(closed[1:] != closed[:-1])
        firsts = np.concatenate(([0], changes + 1))
        lasts = np.concatenate((changes, [closed.size - 1]))
        runs = zip(
            closed[firsts].tolist(),
            t_ns[firsts].tolist(),
            t_ns[lasts].tolist(),
            (lasts - firsts + 1).tolist(),
            strict=True,
        )
        for is_closed, first_ns, last_ns, count in runs:
            self._take_run(is_open=not is_closed, first_ns=first_ns, last_ns=last_ns, count=count)
        return self._told()

    def advance(self, now_ns: int) -> list[ContactEvent]:
        """What the passing of time alone tells: an open contact that is silent has stayed open.

        Args:
            now_ns: up to when readings would have come, ns on the run's clock.
        """
        if self._run_first_ns is not None and self._run_open:
            self._confirm_silence(until_ns=now_ns - max(self._spans_ns))
        return self._told()

    def finish(self) -> list[ContactEvent]:
        """What is left at the end of the stream: a contact that has closed for the last time."""
        if not self._run_open and self._opened_ns is not None and self._run_first_ns is not None:
            self._clear(self._run_first_ns)
        return self._told()

    def _told(self) -> list[ContactEvent]:
        events, self._events = self._events, []
        return events

    def _take_run(self, *, is_open: bool, first_ns: int, last_ns: int, count: int) -> None:
        goes_on = self._run_first_ns is not None and is_open == self._run_open
        if not goes_on:
            self._change(is_open=is_open, first_ns=first_ns)
        elif is_open:
            self._confirm_silence(until_ns=first_ns)
        if is_open:
            self._open_ns += last_ns - (self._run_last_ns if goes_on else first_ns)
        self._more_open += count if is_open else -count
        self._run_last_ns = last_ns
        if is_open:
            unbroken = last_ns - (self._run_first_ns or 0) >= self._on_delay_ns
            if unbroken or (self._open_ns >= 2 * self._on_delay_ns and self._more_open >= 0):
                self._confirm()
            return
        self._last_closed_ns = last_ns
        if (
            self._opened_ns is not None
            and self._run_first_ns is not None
            and (last_ns - self._run_first_ns >= self._off_delay_ns)
        ):
            self._clear(self._run_first_ns)

    def _change(self, *, is_open: bool, first_ns: int) -> None:
        """Ends the run in hand at the first reading of the next one."""
        if self._run_first_ns is not None and self._run_open:
            self._confirm_silence(until_ns=first_ns)
        elif (
            self._opened_ns is not None
            and self._run_first_ns is not None
            and (first_ns - self._run_first_ns >= self._off_delay_ns)
        ):
            self._clear(self._run_first_ns)
        if is_open and self._opened_ns is None:
            self._opened_ns = first_ns
            if self._run_first_ns is None or first_ns - self._run_first_ns > CHATTER_NS:
                self._open_ns = self._more_open = 0
            self._before_opening_ns = self._last_closed_ns
            self._tell(ContactState.SUSPECT, first_ns)
        self._run_open, self._run_first_ns = is_open, first_ns

    def _confirm_silence(self, *, until_ns: int) -> None:
        if until_ns - self._run_last_ns > max(SILENCE_NS, self._on_delay_ns):
            self._confirm()

    def _confirm(self) -> None:
        if not self._confirmed and self._opened_ns is not None:
            self._confirmed = True
            self._tell(ContactState.CONFIRMED, self._opened_ns)

    def _clear(self, t_ns: int) -> None:
        self._tell(ContactState.CLEARED, t_ns)
        self._opened_ns, self._confirmed = None, False

    def _tell(self, state: ContactState, t_ns: int) -> None:
        event = ContactEvent(
            wheel=self._wheel,
            state=state,
            t_ns=t_ns,
            opened_ns=self._opened_ns if self._opened_ns is not None else t_ns,
            last_closed_ns=self._before_opening_ns,
        )
        self._events.append(event)


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelLift:
    """A confirmed lift of one wheel.

    Attributes:
        wheel: position of the wheel.
        t_ns: first open reading.
        last_closed_ns: the last closed reading before it, or None.
        end_ns: first closed reading after it, or None where it stayed open.
    """

    wheel: str
    t_ns: int
    last_closed_ns: int | None
    end_ns: int | None


def wheel_lifts(events: list[ContactEvent]) -> list[WheelLift]:
    """The confirmed lifts among the events of one wheel, in order of time."""
    lifts: list[WheelLift] = []
    for event in events:
        if event.state is ContactState.CONFIRMED:
            lifts.append(
                WheelLift(
                    wheel=event.wheel,
                    t_ns=event.opened_ns,
                    last_closed_ns=event.last_closed_ns,
                    end_ns=None,
                )
            )
        elif event.state is ContactState.CLEARED and lifts and lifts[-1].t_ns == event.opened_ns:
            last = lifts.pop()
            lifts.append(
                WheelLift(
                    wheel=last.wheel,
                    t_ns=last.t_ns,
                    last_closed_ns=last.last_closed_ns,
                    end_ns=event.t_ns,
                )
            )
    return lifts
