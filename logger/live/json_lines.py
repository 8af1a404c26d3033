"""Events as JSON, one object a line, on a file descriptor that may be a pipe nobody reads.

Written to the descriptor itself: a buffered stream whose reader stands still would hold its lock
and keep the process from ending.
"""

from __future__ import annotations

import json
import os

from logger.live.announcing import Event


class JsonLines:
    """An output of events.

    Args:
        descriptor: where to write, such as that of standard output.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self.reader_is_there = True
        """False once whoever read has gone."""

    def take(self, event: Event) -> None:
        """Writes an event; waits while the pipe is full."""
        line = (json.dumps(event, ensure_ascii=False) + "\n").encode()
        try:
            while line and self.reader_is_there:
                line = line[os.write(self._descriptor, line) :]
        except OSError:
            # Whoever read has gone; that must not end the recording.
            self.reader_is_there = False

    def beat(self) -> None:
        """Nothing is due between events."""

    def close(self) -> None:
        """Nothing is held back."""
