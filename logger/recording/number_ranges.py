"""A set of row numbers that come nearly in order, as the few stretches that they make up."""

from __future__ import annotations

from bisect import bisect_right


class NumberRanges:
    """Whole numbers as half-open stretches ``[start, end)``."""

    def __init__(self) -> None:
        self._starts: list[int] = []
        self._ends: list[int] = []
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def add(self, number: int) -> bool:
        """Takes a number; False where it was there already."""
        if self._ends and number == self._ends[-1]:
            self._ends[-1] += 1
        else:
            at = bisect_right(self._starts, number)
            if at and number < self._ends[at - 1]:
                return False
            if at and number == self._ends[at - 1]:
                self._ends[at - 1] += 1
            else:
                self._starts.insert(at, number)
                self._ends.insert(at, number + 1)
        self._count += 1
        return True
