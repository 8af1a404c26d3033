"""A run's clock that goes faster than the wall's, but no faster than the boards on the bench can.

It is the clock of the recorder and of every board. Where this machine is busy and a board falls
behind, all time goes slower instead, so that what is measured does not depend on the machine.
Shared by a file: time, wall time and limit, then for each board how far it has come, µs.
"""

import mmap
import struct
import threading
import time

AHEAD_US = 200_000
"""How far the clock may be before the slowest board."""
_FAR_US = 1 << 60


class PacedClock:
    """The clock; a thread keeps it going while the context is open.

    Attributes:
        path: the shared file.
        rate: how many times faster than the wall's it goes at most.

    Args:
        path: where the shared file goes.
        rate: see above.
        boards: how many boards there are.
    """

    def __init__(self, path, *, rate, boards):
        self.path = path
        self.rate = rate
        self._boards = boards
        path.write_bytes(struct.pack(f"<{3 + boards}q", 0, 0, 0, *[_FAR_US] * boards))
        with path.open("r+b") as file:
            self._shared = mmap.mmap(file.fileno(), 0)
        self._now_us = 0.0
        self._wall_us = time.monotonic_ns() // 1000
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._go_on, daemon=True)

    def __call__(self):
        """The time, ns."""
        with self._lock:
            wall_us = time.monotonic_ns() // 1000
            done_us = struct.unpack_from(f"<{self._boards}q", self._shared, 24)
            limit_us = max(self._now_us, min(done_us) + AHEAD_US)
            self._now_us = min(self._now_us + (wall_us - self._wall_us) * self.rate, limit_us)
            self._wall_us = wall_us
            struct.pack_into(
                "<3q", self._shared, 0, int(self._now_us), wall_us, min(int(limit_us), _FAR_US)
            )
            return int(self._now_us * 1000)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._ended.set()
        self._thread.join()

    def _go_on(self):
        while not self._ended.wait(0.001):
            self()
