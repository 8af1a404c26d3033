"""Sets of time: when the load hung, when a wheel was open, when a switch was stale.

Whether a stretch of a test proves anything is a question of such sets and their overlap, so
they get one small algebra. All spans are half-open, ``[start, end)``, in ns.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Spans:
    """Stretches of time that neither touch nor overlap, in order.

    Attributes:
        pairs: (start_ns, end_ns) of each.
    """

    pairs: tuple[tuple[int, int], ...] = ()

    @staticmethod
    def of(pairs: Iterable[tuple[int, int]]) -> Spans:
        """Spans from any pairs: sorted, empty ones left out, overlapping ones joined."""
        joined: list[tuple[int, int]] = []
        for start_ns, end_ns in sorted(p for p in pairs if p[0] < p[1]):
            if joined and start_ns <= joined[-1][1]:
                joined[-1] = (joined[-1][0], max(joined[-1][1], end_ns))
            else:
                joined.append((start_ns, end_ns))
        return Spans(tuple(joined))

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return iter(self.pairs)

    def __len__(self) -> int:
        return len(self.pairs)

    def __contains__(self, t_ns: object) -> bool:
        return isinstance(t_ns, int) and any(a <= t_ns < b for a, b in self.pairs)

    def __or__(self, other: Spans) -> Spans:
        return Spans.of((*self.pairs, *other.pairs))

    def __and__(self, other: Spans) -> Spans:
        return Spans.of(
            (max(a, c), min(b, d)) for a, b in self.pairs for c, d in other.pairs if a < d and c < b
        )

    def __sub__(self, other: Spans) -> Spans:
        rest = list(self.pairs)
        for c, d in other.pairs:
            cut: list[tuple[int, int]] = []
            for a, b in rest:
                cut += [(a, min(b, c)), (max(a, d), b)] if a < d and c < b else [(a, b)]
            rest = [p for p in cut if p[0] < p[1]]
        return Spans(tuple(rest))

    @property
    def total_ns(self) -> int:
        """Length of all the stretches together, ns."""
        return sum(b - a for a, b in self.pairs)
