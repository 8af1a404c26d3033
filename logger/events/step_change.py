"""Steps in a series: its level leaves where it was, by more than its noise explains.

The level of the latest values, over spans from one value to two minutes of a quarter second each,
is held against the level of the series' beginning, in standard errors of their difference (the
likelihood ratio of a shifted mean over windows, as in statistical process control; from memory).
A large step is seen at once, a small one when enough values speak for it. What the noise is, the
series tells itself: the median size of its first differences, which see no level and forgive one
step. Nothing here knows metres or seconds: radii and river flows go through the same code.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from logger.readings.block import Values

THRESHOLD = 6.0
"""Standard errors. In 15 hours of quarter-second slices of white noise, without any tolerance, 4
gave two false steps, 5 one and 6 none; ``tests/campaigns/change_detection.py`` has the radius's."""
SPANS = (1, 4, 8, 16, 32, 64, 120)
"""Over how many of the latest values the level is looked at."""
LEAST_REFERENCE = 4
LONGEST_REFERENCE = 40
"""Values at the beginning that tell the old level: a creep must not draw it along."""
DIFFERENCES = 240
NOISE_EVERY = 8
"""The noise is worked out anew after so many values."""
MEDIAN_LOSS = math.pi / 2
"""Variance of a median over that of a mean, for normal noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """The best division of a series into two levels, by least squares.

    Attributes:
        index: how many values lie before it.
        before: mean of those.
        after: mean of the rest.
        sse_whole: sum of squares about one mean.
        sse_split: sum of squares about the two means.
    """

    index: int
    before: float
    after: float
    sse_whole: float
    sse_split: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The level of a series changed.

    Attributes:
        index: first value at the new level.
        before: level before.
        after: level after.
        noticed: the value after which it was seen.
    """

    index: int
    before: float
    after: float
    noticed: int


def best_split(values: Values) -> Split:
    """Where two means fit a series best.

    Args:
        values: the series, shape (n,), n ≥ 2.

    Raises:
        ValueError: where there are not two values to divide.
    """
    n = values.size
    if n < 2:
        raise ValueError("a series of fewer than two values cannot be divided")
    middle = float(values.mean())
    # About the mean, so that a great level costs no digits.
    sums = np.cumsum(values - middle)[:-1]
    left = np.arange(1, n, dtype=np.float64)
    gain = sums**2 * (1 / left + 1 / (n - left))
    index = int(gain.argmax()) + 1
    sse_whole = float(np.sum((values - middle) ** 2))
    return Split(
        index=index,
        before=float(values[:index].mean()),
        after=float(values[index:].mean()),
        sse_whole=sse_whole,
        sse_split=sse_whole - float(gain.max()),
    )


class StepWatch:
    """Watches whether a series has left its level, value by value.

    Args:
        tolerance: smaller steps do not matter.
        median_span: medians of so many values are looked at, so that a spike of fewer than half
            of them is outvoted; odd, 1 for none.
        threshold: standard errors beyond which it is no noise.
        longest_reference: how many values at the beginning tell the old level.
    """

    def __init__(
        self,
        *,
        tolerance: float = 0.0,
        median_span: int = 1,
        threshold: float = THRESHOLD,
        longest_reference: int = LONGEST_REFERENCE,
    ) -> None:
        if median_span < 1 or median_span % 2 == 0:
            raise ValueError(f"a median of {median_span} values has no middle one")
        self._tolerance = tolerance
        self._threshold = threshold
        self._longest_reference = longest_reference
        self._loss = 1.0 if median_span == 1 else MEDIAN_LOSS
        self._latest: deque[float] = deque(maxlen=median_span)
        self._differences: deque[float] = deque(maxlen=DIFFERENCES)
        self._seen = 0
        self._count = 0
        self._reference_sums = [0.0]
        self._sums = deque([0.0], maxlen=SPANS[-1] + 1)
        self.noise = 0.0
        """Standard deviation of single values about their level, as the differences tell it."""

    @property
    def reference(self) -> float | None:
        """The level that is watched, or None before there is one."""
        known = len(self._reference_sums) - 1
        return self._reference_sums[-1] / known if known >= LEAST_REFERENCE else None

    def begin_anew(self, values: Sequence[float]) -> None:
        """Takes a new level from the values that it begins with; the noise stays known."""
        self._latest.clear()
        self._count = 0
        self._reference_sums = [0.0]
        self._sums = deque([0.0], maxlen=SPANS[-1] + 1)
        for value in values:
            self._add(value)

    def take(self, value: float) -> bool:
        """Whether the series has left its level, as seen with the next value."""
        if self._latest:
            self._differences.append(abs(value - self._latest[-1]))
            self._seen += 1
            if self._seen % NOISE_EVERY == 0 or self._seen < NOISE_EVERY:
                self.noise = 1.4826 * median(self._differences) / math.sqrt(2)
        self._add(value)
        return any(self._left(span) for span in SPANS if span <= self._count - LEAST_REFERENCE)

    def _add(self, value: float) -> None:
        self._latest.append(value)
        level = value if len(self._latest) < 3 else median(self._latest)
        self._count += 1
        self._sums.append(self._sums[-1] + level)
        if len(self._reference_sums) <= self._longest_reference:
            self._reference_sums.append(self._reference_sums[-1] + level)

    def _left(self, span: int) -> bool:
        """Whether the latest values of a span lie elsewhere than the reference."""
        known = min(self._count - span, len(self._reference_sums) - 1)
        before = self._reference_sums[known] / known
        after = (self._sums[-1] - self._sums[-1 - span]) / span
        off = abs(after - before)
        if off <= self._tolerance:
            return False
        # Medians of overlapping values tell no more than the values that they are made of.
        widened = span if self._loss == 1.0 else span + (self._latest.maxlen or 1) - 1
        standard_error = self.noise * math.sqrt(self._loss * (1 / widened + 1 / known))
        few = 1 + 2 / math.sqrt(max(1, len(self._differences)))
        return off > self._threshold * few * standard_error


def find_steps(
    values: Values, *, tolerance: float = 0.0, median_span: int = 1, threshold: float = THRESHOLD
) -> tuple[Step, ...]:
    """The steps of a whole series, in order, each dated by least squares between its neighbours.

    Args:
        values: the series, shape (n,).
        tolerance: as for :class:`StepWatch`, like the rest.
        median_span: likewise.
        threshold: likewise.
    """
    watch = StepWatch(
        tolerance=tolerance,
        median_span=median_span,
        threshold=threshold,
        longest_reference=max(1, values.size),
    )
    begins, noticed = [0], []
    for at, value in enumerate(values.tolist()):
        if watch.take(value):
            split = begins[-1] + best_split(values[begins[-1] : at + 1]).index
            begins.append(split)
            noticed.append(at)
            watch.begin_anew(values[split : at + 1].tolist())
    ends = [*begins[1:], values.size]
    for i in range(1, len(begins)):
        begins[i] = begins[i - 1] + best_split(values[begins[i - 1] : ends[i]]).index
    return tuple(
        Step(
            index=here,
            before=float(values[earlier:here].mean()),
            after=float(values[here:later].mean()),
            noticed=at,
        )
        for earlier, here, later, at in zip(
            begins, begins[1:], [*begins[2:], values.size], noticed, strict=False
        )
    )
