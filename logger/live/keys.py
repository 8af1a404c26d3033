"""Keys pressed at the recorder's panel, one at a time, while the terminal stays as it was."""

from __future__ import annotations

import os
import select
import sys
from typing import Any, Self

if sys.platform == "win32":
    import msvcrt

    _KEY_OF_TWO = "\x00\xe0"
    """What comes before the second half of an arrow or a function key."""

    def _waiting() -> str:
        keys = ""
        while msvcrt.kbhit():
            key = msvcrt.getwch()
            if key in _KEY_OF_TWO:
                msvcrt.getwch()
            else:
                keys += key
        return keys

    def _in_foreground() -> bool:
        return True

else:
    import termios
    import tty

    def _waiting() -> str:
        if not select.select([sys.stdin], [], [], 0)[0]:
            return ""
        return os.read(sys.stdin.fileno(), 1024).decode(errors="replace")

    def _in_foreground() -> bool:
        """Whether the terminal is ours; a job in the background must not touch its settings."""
        return os.getpgrp() == os.tcgetpgrp(sys.stdin.fileno())


class Keys:
    """Reads single keys from standard input; use it in a ``with`` statement."""

    def __init__(self) -> None:
        self._are_ours = False
        self._before: list[Any] = []

    def __enter__(self) -> Self:
        self._are_ours = sys.stdin.isatty() and _in_foreground()
        if sys.platform != "win32" and self._are_ours:
            self._before = termios.tcgetattr(sys.stdin)
            tty.setcbreak(sys.stdin)
        return self

    def __exit__(self, *_: object) -> None:
        if sys.platform != "win32" and self._are_ours:
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._before)
        self._are_ours = False

    def pressed(self) -> str:
        """The characters typed since the last call; empty where there are none."""
        return _waiting() if self._are_ours else ""
