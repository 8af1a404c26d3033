"""The recorder's rounds: take what has come, look at it, and now and then hand it over."""

from __future__ import annotations

import queue
import select
import socket
import time
from collections import deque
from collections.abc import Callable, Collection
from contextlib import suppress
from math import inf

from logger.live.announcing import Event
from logger.live.keeper import Keeper
from logger.live.recorder import Recorder
from logger.live.snapshot import Snapshot
from logger.live.wall_clock import WallWatch
from logger.recording.header import Note
from logger.sources.arrival import Arrival, Clock, SourceNote

HAND_OVER_EVERY_S = 0.07
"""How long a reading may wait before it goes to the keeper, who commits at once."""

LOOK_EVERY_S = 0.005
"""The detectors look at most this often: a flood is judged in larger blocks, no later."""

LEAST_DRAIN_S = 0.02
QUEUE_ITEMS = 100_000
SETTLE_S = 1.0
PULSE_LASTS_S = 1.5

OnSnapshot = Callable[[Snapshot], None]


class Inlet:
    """The bounded queue between the sources' threads and the recorder's.

    Only what may be urgent wakes the recorder: what comes from a source with wheel contacts,
    and what a source says of itself. The rest is taken on the next round.

    Args:
        urgent: ids of the sources with wheel contacts.
        limit: how many items may wait.
    """

    def __init__(self, urgent: Collection[str], limit: int = QUEUE_ITEMS) -> None:
        self._items: deque[Arrival | SourceNote] = deque()
        self._urgent = frozenset(urgent)
        self._limit = limit
        # A socket, since waiting for one goes by no clock that someone may set.
        self._rings, self._bell = socket.socketpair()
        self._rings.setblocking(False)
        self._is_rung = False

    def put(self, item: Arrival | SourceNote) -> None:
        """Hands an item over; never waits.

        Raises:
            queue.Full: where the recorder is behind.
        """
        # Several sources may pass the bound together: by one item each, at most.
        if len(self._items) >= self._limit:
            raise queue.Full
        self._items.append(item)
        if not self._is_rung and (isinstance(item, SourceNote) or item.source in self._urgent):
            self._is_rung = True
            with suppress(OSError):  # it is closed at the end, or rung by many at once
                self._rings.send(b".")

    def wait(self, *, timeout_s: float) -> bool:
        """Waits for something that may be urgent; whether it came in time."""
        if not select.select([self._bell], [], [], max(0.0, timeout_s))[0]:
            return False
        self._bell.recv(1024)
        self._is_rung = False
        return True

    def close(self) -> None:
        """Takes no more notice of what comes."""
        self._rings.close()
        self._bell.close()

    def get(self) -> Arrival | SourceNote | None:
        """The next item; None where none is there."""
        try:
            return self._items.popleft()
        except IndexError:
            return None

    @property
    def empty(self) -> bool:
        """Whether nothing waits."""
        return not self._items


class Pulse:
    """Whether the recorder still makes its rounds, for outputs in other threads."""

    def __init__(self) -> None:
        self._until_s = time.monotonic() + PULSE_LASTS_S

    def beat(self) -> None:
        """A round has been made."""
        self._until_s = time.monotonic() + PULSE_LASTS_S

    def end(self) -> None:
        """No more rounds are due: the run is being sealed."""
        self._until_s = inf

    def is_there(self) -> bool:
        """Whether the last round was made a short time ago, or none is due."""
        return time.monotonic() < self._until_s


class Rounds:
    """The recorder's rounds: take, look, and now and then hand over."""

    def __init__(
        self,
        recorder: Recorder,
        keeper: Keeper,
        inlet: Inlet,
        *,
        clock: Clock,
        clock_rate: float,
        notes: deque[Note],
        output_reports: deque[Event],
        on_snapshot: OnSnapshot | None,
    ) -> None:
        self._recorder = recorder
        self._keeper = keeper
        self._inlet = inlet
        self._clock = clock
        self._notes = notes
        self._output_reports = output_reports
        self._on_snapshot = on_snapshot
        self._wall = WallWatch(clock, clock_rate=clock_rate)
        self._hand_over_at_s = self._look_at_s = 0.0

    def go_round(self) -> None:
        """Takes what comes, up to the next hand-over."""
        now_s = time.monotonic()
        if now_s >= self._hand_over_at_s:
            self._hand_over()
            self._hand_over_at_s = now_s + HAND_OVER_EVERY_S
        if self._inlet.wait(timeout_s=self._hand_over_at_s - time.monotonic()):
            pause_s = self._look_at_s - time.monotonic()
            if pause_s > 0:
                time.sleep(pause_s)
        now_ns = self._clock()
        # Also where the moment of handing over has passed: else nothing would ever be taken.
        self._drain(until_s=max(self._hand_over_at_s, time.monotonic() + LEAST_DRAIN_S))
        # While items still wait, a sensor may have spoken: our own lateness is no silence.
        self._recorder.judge(now_ns if self._inlet.empty else self._recorder.latest_arrival_ns)
        self._look_at_s = time.monotonic() + LOOK_EVERY_S

    def settle(self) -> None:
        """Hands over what has come, and lets its senders hear of it before they are left."""
        self._drain(until_s=time.monotonic() + SETTLE_S)
        self._recorder.judge(self._clock())
        self._hand_over()
        until_s = time.monotonic() + SETTLE_S
        while self._keeper.waiting_s > 0 and time.monotonic() < until_s:
            time.sleep(0.005)

    def finish(self) -> None:
        """Takes what is left and hands it over."""
        self._drain(until_s=inf)
        self._take_notes()
        self._recorder.finish(self._clock())

    def _hand_over(self) -> None:
        self._take_notes()
        pairs, gaps = self._wall.look()
        for t_ns, utc_ns in pairs:
            self._recorder.add_wall_pair(t_ns, utc_ns)
        for gap in gaps:
            self._recorder.reporter.gap(gap)
        self._recorder.hand_over(self._clock())
        if self._on_snapshot is not None:
            self._on_snapshot(self._recorder.snapshot(self._clock()))

    def _take_notes(self) -> None:
        while self._notes:
            self._recorder.take_note(self._notes.popleft())
        while self._output_reports:
            self._recorder.reporter.output(self._output_reports.popleft(), now_ns=self._clock())

    def _drain(self, *, until_s: float) -> None:
        """Takes what is there already, but not past a moment on the monotonic clock."""
        while time.monotonic() < until_s:
            item = self._inlet.get()
            if item is None:
                return
            self._recorder.take(item)
