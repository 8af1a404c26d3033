"""The one way out of a source: hands over what fits and owns up to what did not.

The queue behind ``put`` is bounded. What finds it full is dropped and counted, and the count
is handed over as a note as soon as there is room: an overflow is a gap in the recording, never
a silence. Notes themselves wait for room, in their order.
"""

from __future__ import annotations

import queue
import time
from collections import deque

from logger.sources.arrival import Arrival, Clock, NoteKind, Put, SourceNote

OVERFLOW = "the recorder was behind and its queue full"

WAITING_NOTES = 1_000
"""More notes than this only pile up when nobody takes them; the oldest go first."""

BAD_FRAME_INTERVAL_S = 1.0
"""A noisy line reports its bad frames at most this often."""


class Outlet:
    """Hands one source's arrivals and notes over; used by one thread.

    Attributes:
        clock: the run's clock.

    Args:
        source: id of the source in the rig file.
        put: takes arrivals and notes, or raises ``queue.Full``.
        clock: the run's clock.
        overflow: what the note of an overflow says.
    """

    def __init__(self, source: str, put: Put, clock: Clock, *, overflow: str = OVERFLOW) -> None:
        self.clock = clock
        self._overflow = overflow
        self._source = source
        self._put = put
        self._notes: deque[SourceNote] = deque(maxlen=WAITING_NOTES)
        self._lost_readings = 0
        self._lost_since_ns = 0
        self._bad_frames = 0
        self._bad_cause = ""
        self._bad_told_s = -BAD_FRAME_INTERVAL_S

    def offer(self, arrival: Arrival) -> bool:
        """Hands an arrival over; False where there is no room now."""
        if not self.flush():
            return False
        try:
            self._put(arrival)
        except queue.Full:
            return False
        return True

    def count_lost(self, readings: int) -> None:
        """Counts readings that were dropped for want of room."""
        if not self._lost_readings:
            self._lost_since_ns = self.clock()
        self._lost_readings += readings

    def note(self, kind: NoteKind, text: str, *, count: int = 1) -> None:
        """Hands a note over now or as soon as there is room."""
        self._notes.append(
            SourceNote(
                source=self._source, arrival_ns=self.clock(), kind=kind, count=count, text=text
            )
        )
        self.flush()

    def bad_frame(self, cause: str, *, count: int = 1) -> None:
        """Counts frames that could not be decoded; they are told at most once a second."""
        self._bad_frames += count
        self._bad_cause = cause
        self._tell_bad_frames(at_once=False)

    def flush(self, *, at_once: bool = False) -> bool:
        """Hands over what waits.

        Args:
            at_once: also tells bad frames whose second is not over, for the end of a run.

        Returns:
            Whether nothing waits any more, so that there may be room for an arrival.
        """
        if self._bad_frames:
            self._tell_bad_frames(at_once=at_once)
        if self._lost_readings:
            return self._hand_over_notes() and self._tell_overflow()
        return not self._notes or self._hand_over_notes()

    def _tell_bad_frames(self, *, at_once: bool) -> None:
        now_s = time.monotonic()
        if at_once or now_s - self._bad_told_s >= BAD_FRAME_INTERVAL_S:
            count, self._bad_frames = self._bad_frames, 0
            self._bad_told_s = now_s
            self.note("bad_frame", self._bad_cause, count=count)

    def _tell_overflow(self) -> bool:
        note = SourceNote(
            source=self._source,
            arrival_ns=self._lost_since_ns,
            kind="overflow",
            count=self._lost_readings,
            text=self._overflow,
        )
        try:
            self._put(note)
        except queue.Full:
            return False
        self._lost_readings = 0
        return True

    def _hand_over_notes(self) -> bool:
        while self._notes:
            try:
                self._put(self._notes[0])
            except queue.Full:
                return False
            self._notes.popleft()
        return True
