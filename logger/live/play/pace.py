"""When a frame is due, and frames that are ready before they are.

Every moment counts from the playing's start on the computer's steady clock, never from the frame
before, so that nothing adds up over hours. A sender that finds itself late sends at once.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator

from logger.live.play.frames import Frame
from logger.operating_system import steady_ns

READY_FRAMES = 400
LONGEST_NAP_S = 0.05
"""A stop is noticed within this."""
_TURN_S = 0.1


class Pace:
    """The playing's clock, which stands at the stretch's start until it begins.

    Attributes:
        stop: set it to end the playing.
        begun: set when the clock goes.

    Args:
        start_ns: the stretch's start, ns on the run's clock.
        speed: seconds of the run in a second of wall time.
    """

    def __init__(self, *, start_ns: int, speed: float) -> None:
        self.stop = threading.Event()
        self.begun = threading.Event()
        self._start_ns = start_ns
        self._speed = speed
        self._began_ns = 0

    def begin(self) -> None:
        """Lets the clock go."""
        self._began_ns = steady_ns()
        self.begun.set()

    def now_ns(self) -> int:
        """The playing's present, ns on the run's clock."""
        if not self.begun.is_set():
            return self._start_ns
        return self._start_ns + round((steady_ns() - self._began_ns) * self._speed)

    def late_s(self, due_ns: int) -> float:
        """By how much wall time a moment has passed, s; negative before it."""
        due = (due_ns - self._start_ns) / self._speed
        return (steady_ns() - self._began_ns - due) * 1e-9

    def nap_s(self, due_ns: int) -> float:
        """How long to sleep before looking again, wall time, s; 0 where it is due or all ends."""
        if self.stop.is_set():
            return 0.0
        return min(max(-self.late_s(due_ns), 0.0), LONGEST_NAP_S)


class Ahead:
    """Frames made in a thread of its own, a few hundred before they are due.

    Args:
        frames: makes them.
        name: the thread's name.
    """

    def __init__(self, frames: Iterator[Frame], *, name: str) -> None:
        self._frames = frames
        self._ready: queue.Queue[Frame | Exception | None] = queue.Queue(READY_FRAMES)
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._make, name=name, daemon=True)
        self._thread.start()

    def get(self) -> Frame | None:
        """The next frame, waited for; None after the last.

        Raises:
            Exception: what kept it from being made.
        """
        return self._given(self._ready.get())

    def get_now(self) -> Frame | None:
        """The next frame.

        Raises:
            queue.Empty: where none is ready yet.
            Exception: what kept it from being made.
        """
        return self._given(self._ready.get_nowait())

    def wait_for_first(self) -> None:
        """Waits until a frame, or the end, is ready."""
        while self._ready.empty() and self._thread.is_alive():
            self._ending.wait(0.005)

    def close(self) -> None:
        """Makes no more."""
        self._ending.set()
        self._thread.join()

    def _given(self, item: Frame | Exception | None) -> Frame | None:
        if isinstance(item, Exception):
            raise item
        return item

    def _make(self) -> None:
        try:
            for frame in self._frames:
                if not self._offer(frame):
                    return
            self._offer(None)
        except Exception as exc:  # noqa: BLE001 - raised again where the frames are taken
            self._offer(exc)

    def _offer(self, item: Frame | Exception | None) -> bool:
        while not self._ending.is_set():
            try:
                self._ready.put(item, timeout=_TURN_S)
            except queue.Full:
                continue
            return True
        return False
