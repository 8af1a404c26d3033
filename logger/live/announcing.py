"""Events to whoever listens, without ever waiting for one of them.

Each listener has a bounded queue and a thread of its own. One that is slow, or stands still (a
pipe that nobody reads, a terminal that is held), loses events beyond its bound, is told how
many once it listens again, and delays nobody: all events are in the recording anyway.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from typing import Any, Protocol, TypeAlias

Event: TypeAlias = dict[str, Any]
OnEvent: TypeAlias = Callable[[Event], None]

WAITING_EVENTS = 10_000
BEAT_S = 0.5
"""How often an output is called between events, where it names nothing else."""

CLOSE_WITHIN_S = 3.0


class Output(Protocol):
    """Something that shows or passes on events; all calls come from one thread."""

    def take(self, event: Event) -> None:
        """Takes the next event; may wait, which delays only this output."""

    def beat(self) -> None:
        """Called at regular times, events or not."""

    def close(self) -> None:
        """Called once, after the last event."""


class Listener:
    """An output with its queue and its thread.

    Args:
        output: what takes the events.
        name: for the thread.
        waiting: how many events may wait.
        beat_s: how often the output is called between events, s.
        on_failure: told, in a line, where the output fails in a way that it did not foresee; it
            takes no further event then.
    """

    def __init__(
        self,
        output: Output,
        *,
        name: str,
        waiting: int = WAITING_EVENTS,
        beat_s: float = BEAT_S,
        on_failure: Callable[[str], None] | None = None,
    ) -> None:
        self._output = output
        self._beat_s = beat_s
        self._waiting: deque[Event] = deque()
        self._limit = waiting
        self._missed = 0
        self._changed = threading.Condition()
        self._closing = False
        self._on_failure = on_failure
        self._thread = threading.Thread(target=self._run, name=f"to {name}", daemon=True)
        self._thread.start()

    def offer(self, event: Event) -> None:
        """Hands an event over; never waits."""
        with self._changed:
            if len(self._waiting) >= self._limit:
                self._missed += 1
                return
            self._waiting.append(event)
            self._changed.notify()

    def close(self, *, within_s: float = CLOSE_WITHIN_S) -> None:
        """Lets the output take what waits, for so long, and ends it."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(within_s)

    def _run(self) -> None:
        try:
            self._drive()
        except Exception as exc:
            if self._on_failure is None:
                raise
            self._on_failure(f"{type(exc).__name__}: {exc}")

    def _drive(self) -> None:
        beat_at_s = time.monotonic() + self._beat_s
        while True:
            with self._changed:
                self._changed.wait_for(
                    lambda: self._waiting or self._closing,
                    timeout=max(0.0, beat_at_s - time.monotonic()),
                )
                events = list(self._waiting)
                self._waiting.clear()
                if self._missed:
                    events.append({"event": "missed", "count": self._missed})
                    self._missed = 0
                ended = self._closing and not events
            if ended:
                self._output.close()
                return
            for event in events:
                self._output.take(event)
            if time.monotonic() >= beat_at_s:
                self._output.beat()
                beat_at_s = time.monotonic() + self._beat_s


class Announcer:
    """Tells all listeners; itself a function of an event.

    Args:
        listeners: who is told.
    """

    def __init__(self, listeners: Iterable[Listener]) -> None:
        self._listeners = tuple(listeners)

    def __call__(self, event: Event) -> None:
        """Tells an event to all; never waits."""
        for listener in self._listeners:
            listener.offer(event)

    def close(self) -> None:
        """Ends all listeners, all within one time limit."""
        until_s = time.monotonic() + CLOSE_WITHIN_S
        for listener in self._listeners:
            listener.close(within_s=max(0.05, until_s - time.monotonic()))
