"""Keys pressed at the recorder's panel, one at a time, while the terminal stays as it was.

Only a terminal of a POSIX system gives keys one by one; elsewhere nobody is asked, and notes
come by the ``note`` command from another terminal.
"""

from __future__ import annotations

import os
import select
import sys
from typing import Any, Self

try:
    import termios
    import tty
except ImportError:  # Windows
    termios = None  # type: ignore[assignment]


class Keys:
    """Reads single keys from standard input; use it in a ``with`` statement."""

    def __init__(self) -> None:
        self._before: list[Any] | None = None

    def __enter__(self) -> Self:
        if termios is not None and sys.stdin.isatty() and _in_foreground():
            self._before = termios.tcgetattr(sys.stdin)
            tty.setcbreak(sys.stdin)
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._before)
            self._before = None

    def pressed(self) -> str:
        """The characters typed since the last call; empty where there are none."""
        if self._before is None or not select.select([sys.stdin], [], [], 0)[0]:
            return ""
        return os.read(sys.stdin.fileno(), 1024).decode(errors="replace")


def _in_foreground() -> bool:
    """Whether the terminal is ours; a job in the background must not touch its settings."""
    return os.getpgrp() == os.tcgetpgrp(sys.stdin.fileno())
