"""The quiet series of a stretch of time: slices, groups of them, the hanging stretch around it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from dashboard.capacity.proof.evidence import Evidence
from logger.readings.bins import Bins
from logger.readings.block import Nanoseconds, Values

GROUP_NS = 5_000_000_000
"""Longer than the swing of a load on 5 m of rope, 2π√(L/g) = 4.5 s."""


def hung_at(evidence: Evidence, span: tuple[int, int]) -> tuple[int, int]:
    """The hanging stretch that a piece of it belongs to."""
    return next((h for h in evidence.hanging if h[0] <= span[0] < h[1]), span)


def middle_ns(bins: Bins) -> Nanoseconds:
    """The middle of each slice's readings, ns."""
    return np.asarray(bins.first_ns + (bins.last_ns - bins.first_ns) // 2)


def within(bins: Bins | None, span: tuple[int, int]) -> Bins:
    """The slices that lie wholly in a stretch."""
    if bins is None:
        return Bins(
            first_ns=np.empty(0, np.int64), last_ns=np.empty(0, np.int64), median=np.empty(0)
        )
    first = np.searchsorted(bins.first_ns, span[0])
    last = np.searchsorted(bins.last_ns, span[1], side="left")
    return Bins(
        first_ns=bins.first_ns[first:last],
        last_ns=bins.last_ns[first:last],
        median=bins.median[first:last],
    )


def inside(bins: Bins | None, span: tuple[int, int]) -> Values:
    """Medians of the slices that lie wholly in a stretch."""
    return within(bins, span).median


def grouped(bins: Bins | None, span: tuple[int, int]) -> Values:
    """Medians of the slices of each five seconds of a stretch; a short rest joins the last."""
    if bins is None:
        return np.empty(0)
    count = max(1, (span[1] - span[0]) // GROUP_NS)
    edges = [span[0] + (span[1] - span[0]) * i // count for i in range(count + 1)]
    groups = [inside(bins, (a, b)) for a, b in pairwise(edges)]
    medians = [float(np.median(g)) for g in groups if g.size]
    return np.array(medians) if medians else inside(bins, span)
