"""Those who watch a recording on the same machine: a link that can't hold the recorder up.

A listening socket on the loopback address, on any free port. Port and a token that nobody can
guess stand in the recording's entry in the user's own folder (``live_recordings``), so whoever
may read that folder may watch, and nobody else. One thread serves all viewers and never waits
for one; the recorder's thread only appends to a bounded queue and rings a bell. Loopback and not
a file of the system's own kind, since Windows has it too.

Should the link fail, the recording goes on; that is told as an event.
"""

from __future__ import annotations

import contextlib
import hmac
import math
import secrets
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

import msgspec

from logger.live.announcing import Event, OnEvent
from logger.live.snapshot import Snapshot
from logger.live.viewer import Dropped, Viewer
from logger.live.viewer_lines import (
    Hello,
    Request,
    event_line,
    header_line,
    line_of,
    loud_and_waiting,
)
from logger.live.viewer_state import ViewerState
from logger.recording.header import Note, RunHeader
from logger.sources.arrival import Clock

ADDRESS = "127.0.0.1"
MOST_VIEWERS = 16
WAITING_ITEMS = 10_000
LOOK_ROUND_S = 0.5
CLOSE_WITHIN_S = 1.0
OLDEST_PRESS_NS = 600_000_000_000
"""A press is of a moment so far back at most; else of now."""

_hello = msgspec.json.Decoder(Hello)
_request = msgspec.json.Decoder(Request)


class ViewerLink:
    """The link of one recording.

    Args:
        header: of the run.
        journal: its first part.
        clock: the run's clock.
        notes: where the notes go that viewers make.
        on_failure: told, in a line, where the link fails; from its thread, it must not wait.

    Raises:
        OSError: where no socket can be had.
    """

    def __init__(
        self,
        header: RunHeader,
        journal: Path,
        *,
        clock: Clock,
        notes: deque[Note],
        on_failure: Callable[[str], None],
    ) -> None:
        self._header = header_line(header, journal)
        self._clock = clock
        self._notes = notes
        self._on_failure = on_failure
        self._state = ViewerState()
        self._viewers: list[Viewer] = []
        self._items: deque[Event | Snapshot | bytes] = deque()
        self._missed = 0
        self._latest_view = b""
        self._close_at_s = math.inf
        self.token = secrets.token_urlsafe(24)
        self._listening = socket.create_server((ADDRESS, 0), backlog=MOST_VIEWERS)
        self._listening.setblocking(False)
        self.port: int = self._listening.getsockname()[1]
        self._rings, self._bell = socket.socketpair()
        self._rings.setblocking(False)
        self._bell.setblocking(False)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listening, selectors.EVENT_READ)
        self._selector.register(self._bell, selectors.EVENT_READ)
        self._thread = threading.Thread(target=self._run, name="to viewers", daemon=True)
        self._thread.start()

    def offer(self, event: Event) -> None:
        """Hands an event over; never waits."""
        self._put(event)

    def show(self, snapshot: Snapshot) -> None:
        """Hands the state over; never waits."""
        self._put(snapshot)

    def sealing(self) -> None:
        """Says that the recorder has ended its rounds and seals."""
        self._put(line_of("sealing"))

    def close(self) -> None:
        """Lets viewers take what waits for them, for a moment, and ends the link."""
        self._close_at_s = time.monotonic() + CLOSE_WITHIN_S
        self._ring()
        self._thread.join(2 * CLOSE_WITHIN_S)

    def _put(self, item: Event | Snapshot | bytes) -> None:
        if len(self._items) >= WAITING_ITEMS:
            self._missed += 1
            return
        self._items.append(item)
        self._ring()

    def _ring(self) -> None:
        with contextlib.suppress(OSError):  # rung by many at once, or closed already
            self._rings.send(b".")

    def _run(self) -> None:
        try:
            while not self._over():
                for key, mask in self._selector.select(LOOK_ROUND_S):
                    self._serve(key.fileobj, key.data, mask)
                self._spread()
                for viewer in [v for v in self._viewers if v.stands_still]:
                    self._drop(viewer)
        except Exception as exc:  # noqa: BLE001 - whatever it is, the recording goes on
            self._on_failure(f"no live page can watch this run any longer: {exc}")
        finally:
            self._end()

    def _over(self) -> bool:
        if self._close_at_s == math.inf:
            return False
        idle = not self._items and not any(v.has_to_send for v in self._viewers)
        return idle or time.monotonic() > self._close_at_s

    def _serve(self, place: object, viewer: Viewer | None, mask: int) -> None:
        if place is self._listening:
            self._accept()
        elif place is self._bell:
            with contextlib.suppress(BlockingIOError):
                self._bell.recv(4096)
        elif viewer is not None:
            try:
                if mask & selectors.EVENT_READ:
                    for line in viewer.hear():
                        self._take(viewer, line)
                if mask & selectors.EVENT_WRITE:
                    self._send(viewer)
            except (Dropped, msgspec.DecodeError):
                self._drop(viewer)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            connection, _ = self._listening.accept()
            if len(self._viewers) >= MOST_VIEWERS:
                connection.close()
                return
            connection.setblocking(False)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            viewer = Viewer(connection)
            self._viewers.append(viewer)
            self._selector.register(connection, selectors.EVENT_READ, viewer)

    def _take(self, viewer: Viewer, line: bytes) -> None:
        """Takes what a viewer says.

        Raises:
            Dropped: for a wrong token.
            msgspec.DecodeError: for what is no request.
        """
        if viewer.greeted:
            self._answer(viewer, _request.decode(line))
            return
        if not hmac.compare_digest(_hello.decode(line).token.encode(), self.token.encode()):
            raise Dropped
        viewer.greeted = True
        viewer.tell(self._header)
        for event in self._state.latest_events:
            viewer.tell(line_of("event", event=event, before=True))
        if self._latest_view:
            viewer.show(self._latest_view)
        self._send(viewer)

    def _answer(self, viewer: Viewer, asked: Request) -> None:
        """Makes the note that was asked for, unless there is something new to be seen first."""
        news = loud_and_waiting(self._state.alarms) - set(asked.seen)
        if asked.do == "acknowledge" and news:
            told = {"ok": False, "text": "A new alarm has come up. Look, then acknowledge again."}
        else:
            now_ns = self._clock()
            recent = max(0, now_ns - OLDEST_PRESS_NS) <= asked.t_ns <= now_ns
            self._notes.append(
                Note(
                    t_ns=asked.t_ns if recent else now_ns,
                    kind=asked.do,
                    text=asked.text,
                    value_m=asked.value_m,
                )
            )
            told = {"ok": True, "text": ""}
        viewer.tell(line_of("answer", number=asked.number, **told))
        self._send(viewer)

    def _spread(self) -> None:
        """Passes on what the recorder has handed over."""
        self._catch_up()
        for viewer in [v for v in self._viewers if v.greeted and v.has_to_send]:
            try:
                self._send(viewer)
            except Dropped:
                self._drop(viewer)

    def _catch_up(self) -> None:
        there = [v for v in self._viewers if v.greeted]
        while self._items:
            item = self._items.popleft()
            if isinstance(item, Snapshot):
                self._latest_view = line_of("state", state=self._state.see(item))
                for viewer in there:
                    viewer.show(self._latest_view)
                continue
            line = item if isinstance(item, bytes) else event_line(item)
            if not isinstance(item, bytes):
                self._state.take(item)
            for viewer in there:
                viewer.tell(line)
        if self._missed:
            count, self._missed = self._missed, 0
            for viewer in there:
                viewer.tell(line_of("missed", count=count))

    def _send(self, viewer: Viewer) -> None:
        viewer.send()
        more = selectors.EVENT_WRITE if viewer.has_to_send else 0
        self._selector.modify(viewer.connection, selectors.EVENT_READ | more, viewer)

    def _drop(self, viewer: Viewer) -> None:
        if viewer in self._viewers:
            self._viewers.remove(viewer)
            self._selector.unregister(viewer.connection)
            viewer.connection.close()

    def _end(self) -> None:
        for viewer in list(self._viewers):
            self._drop(viewer)
        self._selector.close()
        for ours in (self._listening, self._rings, self._bell):
            ours.close()


class NoLink:
    """Stands for a link that could not be opened."""

    port, token = 0, ""

    def offer(self, event: Event) -> None:
        """Nobody watches."""

    def show(self, snapshot: Snapshot) -> None:
        """Nobody watches."""

    def sealing(self) -> None:
        """Nobody watches."""

    def close(self) -> None:
        """Nothing is open."""


def open_link(
    header: RunHeader, journal: Path, *, clock: Clock, notes: deque[Note], tell: OnEvent
) -> tuple[ViewerLink | NoLink, str]:
    """Opens the link of a recording, or does without.

    Args:
        header: of the run.
        journal: its first part.
        clock: the run's clock.
        notes: where the notes go that viewers make.
        tell: told an ``unreachable`` event where the link fails later, from its own thread; it
            must not wait.

    Returns:
        The link, and why there is none, one line; empty where there is one.
    """

    def fail(text: str) -> None:
        tell({"event": "unreachable", "text": text})

    try:
        return ViewerLink(header, journal, clock=clock, notes=notes, on_failure=fail), ""
    except OSError as exc:
        return NoLink(), f"no live page can watch this run: {exc.strerror or exc}"
