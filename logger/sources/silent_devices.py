"""Devices on one line that do not answer: told once, and asked less often.

Each question to a dead device costs the time that an answer may take, and delays the others. So
one that was silent several times in a row is asked only now and then until it speaks again.
"""

from __future__ import annotations

from collections import Counter

SILENCES_IN_A_ROW = 3
ASK_AGAIN_AFTER_S = 1.0
LONGEST_PAUSE_S = 8.0
_DOUBLINGS = 3


class SilentDevices:
    """Which devices answer, by what their questions came to."""

    def __init__(self) -> None:
        self._silences: Counter[int] = Counter()
        self._due_s: dict[int, float] = {}

    @property
    def away(self) -> tuple[int, ...]:
        """Devices that are taken for dead, by number."""
        return tuple(sorted(self._due_s))

    def is_due(self, device: int, now_s: float) -> bool:
        """Whether to ask a device now."""
        return now_s >= self._due_s.get(device, now_s)

    def answered(self, device: int) -> bool:
        """Takes note of an answer, and tells whether the device was taken for dead."""
        self._silences.pop(device, None)
        return self._due_s.pop(device, None) is not None

    def silent(self, device: int, now_s: float) -> bool:
        """Takes note of a silence, and tells whether it makes the device count as dead now."""
        self._silences[device] += 1
        beyond = self._silences[device] - SILENCES_IN_A_ROW
        if beyond < 0:
            return False
        pause_s = ASK_AGAIN_AFTER_S * (1 << min(beyond, _DOUBLINGS))
        self._due_s[device] = now_s + min(pause_s, LONGEST_PAUSE_S)
        return beyond == 0
