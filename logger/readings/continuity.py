"""Whether packs are missing or come twice, by the device's own count (``boot``, ``seq``).

A broker hands a message over again after a broken connection, and drops others in silence when
its queue is full; only the sender's count tells. For each boot the tracker keeps the range of
counts seen and the holes in it, so a pack that comes late fills its hole and is new, while one
that comes twice is a duplicate, however far back it reaches.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import Literal, TypeAlias

Verdict: TypeAlias = Literal["new", "duplicate"]

REMEMBERED_HOLES = 65_536
"""Missing counts kept for each boot; beyond it the oldest are given up as lost."""

REMEMBERED_BOOTS = 16
"""Devices, or starts of one, that are told apart at a time."""

_COUNTER_SIZES = (2**16, 2**32)
"""Where a device's counter of 16 or 32 bits starts again at 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Continuity:
    """What one pack's count says.

    Attributes:
        verdict: whether its readings are new or were taken before.
        missing: packs next to this one that should have come before and have not, found now.
        late: whether it is one of those that were counted as missing before.
        restarted: whether it is the first pack of a new start of a device seen before.
    """

    verdict: Verdict
    missing: int = 0
    late: bool = False
    restarted: bool = False


_NEW = Continuity(verdict="new")
_DUPLICATE = Continuity(verdict="duplicate")


class _Range:
    """The counts seen of one boot: first to last, less the holes."""

    __slots__ = ("first", "forgotten_below", "holes", "last", "turn")

    def __init__(self, seq: int) -> None:
        self.first = self.last = seq
        self.forgotten_below: int | None = None
        self.holes: OrderedDict[int, None] = OrderedDict()
        self.turn = 0  # what a counter that started again at 0 has counted before

    def add(self, seq: int) -> Continuity:
        seq = self._unwrapped(seq)
        if seq > self.last:
            missing = seq - self.last - 1
            self._keep_holes(self.last + 1, seq)
            self.last = seq
            return Continuity(verdict="new", missing=missing) if missing else _NEW
        if seq < self.first:
            missing = self.first - seq - 1
            self._keep_holes(seq + 1, self.first)
            self.first = seq
            return Continuity(verdict="new", missing=missing) if missing else _NEW
        if seq in self.holes:
            del self.holes[seq]
            return Continuity(verdict="new", late=True)
        if self.forgotten_below is not None and seq < self.forgotten_below:
            return _NEW  # whether it is missing is no longer known; twice is better than never
        return _DUPLICATE

    def _keep_holes(self, start: int, end: int) -> None:
        newest = range(max(start, end - REMEMBERED_HOLES), end)
        if len(newest) < end - start:
            self._forget_below(newest.start)
        for seq in newest:
            self.holes[seq] = None
        while len(self.holes) > REMEMBERED_HOLES:
            oldest, _ = self.holes.popitem(last=False)
            self._forget_below(oldest + 1)

    def _forget_below(self, seq: int) -> None:
        self.forgotten_below = max(seq, self.forgotten_below or 0)

    def may_wrap(self) -> bool:
        """Whether a counter of 16 or 32 bits may start again at 0 now."""
        last = self.last - self.turn
        return any(size - size // 16 <= last < size for size in _COUNTER_SIZES)

    def _unwrapped(self, seq: int) -> int:
        last = self.last - self.turn
        for size in _COUNTER_SIZES:
            margin = size // 16
            if size - margin <= last < size and seq < margin:
                self.turn += size
                return seq + self.turn
            if self.turn >= size and last < margin and size - margin <= seq < size:
                return seq + self.turn - size
        return seq + self.turn


class ContinuityTracker:
    """Judges the packs of one source, in the order in which they come."""

    def __init__(self) -> None:
        self._boots: OrderedDict[str | None, _Range] = OrderedDict()

    def check(self, boot: str | None, seq: int | None) -> Continuity:
        """Judges one pack.

        A pack without a count is always new. A device that counts but sends no ``boot`` can't
        tell its restart: a step back to 0 or 1 is taken for one, since to keep some readings
        twice is better than to drop those of a whole start.

        Args:
            boot: mark of the device's start, or None.
            seq: its count of packs, or None.
        """
        if seq is None:
            return _NEW
        known = self._boots.get(boot)
        if known is None:
            restarted = bool(self._boots)
            self._boots[boot] = _Range(seq)
            while len(self._boots) > REMEMBERED_BOOTS:
                self._boots.popitem(last=False)
            return Continuity(verdict="new", restarted=restarted)
        self._boots.move_to_end(boot)
        if boot is None and seq <= 1 < known.last - known.turn and not known.may_wrap():
            self._boots[boot] = _Range(seq)
            return Continuity(verdict="new", restarted=True)
        return known.add(seq)
