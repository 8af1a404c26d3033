"""Who is told the events of a recording: a terminal with panel, bell and keys, or plain lines."""

from __future__ import annotations

import os
import sys
from collections import deque
from collections.abc import Callable

from rich.console import Console
from rich.live import Live

from logger.live.announcing import Event, Listener
from logger.live.event_lines import describe
from logger.live.json_lines import JsonLines
from logger.live.keys import Keys
from logger.live.note_entry import NoteEntry
from logger.live.panel import RecordPanel
from logger.live.snapshot import Snapshot
from logger.readings.rig_file import RigFile
from logger.readings.test_file import TestFile
from logger.recording.header import Note
from logger.sources.arrival import Clock

BEAT_S = 0.1
"""How soon a key is seen."""

_BELL_EVERY_BEATS = 15
_DRAW_EVERY_BEATS = 3


class PlainLines:
    """A line an event, for a terminal's log or a file.

    Args:
        console: where to.
    """

    def __init__(self, console: Console) -> None:
        self._console = console

    def take(self, event: Event) -> None:
        """Prints an event."""
        self._console.print(describe(event), soft_wrap=True)

    def beat(self) -> None:
        """Nothing is due between events."""

    def close(self) -> None:
        """Nothing is held back."""


class Terminal:
    """The panel, redrawn at alarms, keys and three times a second; the bell; the keys.

    Args:
        console: a terminal.
        rig: what is wired to what.
        test: what is tested.
        clock: the run's clock.
        notes: where notes go that are made with keys.
    """

    def __init__(
        self, console: Console, rig: RigFile, test: TestFile, *, clock: Clock, notes: deque[Note]
    ) -> None:
        self._console = console
        self._panel = RecordPanel(rig, test)
        self._entry = NoteEntry(clock, notes.append)
        self._latest: Snapshot | None = None
        self._beats = 0
        self._keys = Keys()
        self._live = Live(console=console, auto_refresh=False, transient=True)
        self._keys.__enter__()
        self._live.start()

    def show(self, snapshot: Snapshot) -> None:
        """Takes the state to be drawn next; from the recorder's thread."""
        self._latest = snapshot

    def take(self, event: Event) -> None:
        """Takes an event; an alarm is drawn and heard at once."""
        self._panel.take(event)
        loud = event["event"] == "alarm" and event["active"] and not event["acknowledged"]
        if loud and event["state"] in ("confirmed", "unknown"):
            self._console.bell()
            self._draw()

    def beat(self) -> None:
        """Draws, takes keys, and sounds the bell again while an alarm waits."""
        keys = self._keys.pressed()
        self._entry.press(keys)
        self._beats += 1
        if self._beats % _BELL_EVERY_BEATS == 0 and self._is_loud():
            self._console.bell()
        if keys or self._beats % _DRAW_EVERY_BEATS == 0:
            self._draw()

    def close(self) -> None:
        """Leaves the terminal as it was."""
        self._live.stop()
        self._keys.__exit__()

    def _is_loud(self) -> bool:
        alarms = self._latest.alarms if self._latest is not None else ()
        return any(a.state.is_loud and not a.acknowledged for a in alarms)

    def _draw(self) -> None:
        if self._latest is not None:
            self._panel.entry = self._entry.line
            size = self._console.size
            drawn = self._panel.draw(self._latest, columns=size.width, lines=size.height)
            self._live.update(drawn, refresh=True)


def listener_for(
    rig: RigFile, test: TestFile, *, clock: Clock, notes: deque[Note], as_json: bool
) -> tuple[Listener, Callable[[Snapshot], None] | None]:
    """Who is told the events of a recording, and what is shown the state, where it is drawn.

    Args:
        rig: what is wired to what.
        test: what is tested.
        clock: the run's clock.
        notes: where notes go that are made with keys.
        as_json: whether events go to standard output as JSON; else to standard error.
    """
    if as_json:
        # Where standard output is closed nobody reads; the recording goes on all the same.
        closed = sys.stdout is None
        descriptor = os.open(os.devnull, os.O_WRONLY) if closed else sys.stdout.fileno()
        return Listener(JsonLines(descriptor), name="standard output"), None
    console = Console(stderr=True)
    if not console.is_terminal:
        return Listener(PlainLines(console), name="standard error"), None
    terminal = Terminal(console, rig, test, clock=clock, notes=notes)
    return Listener(terminal, name="terminal", beat_s=BEAT_S), terminal.show
