"""Load phases: hanging, or on the ground.

The load hangs while the cell, with what hangs above it, reads at least 95 % of the test load
(common practice, no source). One second is long enough for the frame's bouncing to average out
and short enough that a brief touch on the ground still pulls the mean down. A load that swings or
bounces reads as much above its mean as below it, the ground only takes away: a second that falls
short is forgiven if it falls no deeper than the load had just risen, and if it is over within half
a swing. Doubt goes to the safe side: the ground is dated from the last slice that still read
enough, hanging from the first slice of the stretch that reads enough throughout.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from statistics import median

from logger.readings.bins import SLICE_NS, BinMedian, Bins
from logger.readings.block import Nanoseconds, Values
from logger.readings.spans import Spans

WINDOW_SLICES = 4
HANGING_SHARE = 0.95
CALM_SLICES = 40
"""What hung before: ten seconds, a whole swing of a load on 20 m of rope (9 s)."""
LEAST_CALM_SLICES = 8
SWING_SHARE = 1.5
"""A second this much deeper than the load's own risen seconds are high is not of its swing."""
DEEPEST_SHARE = 0.88
"""No swing that a test may have takes so much off the hook for a second; a choice."""
HALF_SWING_NS = 3_000_000_000
"""A swing on 9 m of rope has risen again by then (half of 2π√(L/g)), ns."""
SILENCE_NS = 2_000_000_000
"""After so long without a reading nobody knows whether the load hangs, ns."""


class LoadState(StrEnum):
    """Where the load is."""

    HANGING = "hanging"
    GROUNDED = "on the ground"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPhase:
    """The load is in a state from a time on, until the next phase begins.

    Attributes:
        state: where the load is.
        t_ns: since when, ns.
    """

    state: LoadState
    t_ns: int


class LoadPhaseDetector:
    """Finds load phases, block by block.

    Args:
        test_load_kg: all that hangs below the boom tip, kg.
    """

    def __init__(self, test_load_kg: float) -> None:
        self._enough_kg = HANGING_SHARE * test_load_kg
        self._deepest_kg = DEEPEST_SHARE * test_load_kg
        self._bins = BinMedian(SLICE_NS)
        self._window: deque[tuple[int, int, float]] = deque(maxlen=WINDOW_SLICES)
        self._calm: deque[tuple[float, float]] = deque(maxlen=CALM_SLICES)
        self._short_since: tuple[int, int] | None = None
        self.state = LoadState.UNKNOWN

    def feed(self, t_ns: Nanoseconds, applied_kg: Values) -> list[LoadPhase]:
        """The phases that the next readings begin.

        Args:
            t_ns: times, shape (n,), ns, never falling.
            applied_kg: cell reading plus what hangs above the cell, shape (n,), kg.
        """
        return self.take(self._bins.feed(t_ns, applied_kg))

    def finish(self) -> list[LoadPhase]:
        """The phase that the last readings begin, and the end of what is known."""
        phases = self.take(self._bins.finish())
        if self._window:
            phases += self._lose_sight()
        return phases

    def take(self, bins: Bins) -> list[LoadPhase]:
        """The same from slices that are complete already, as ``feed`` cuts them."""
        phases: list[LoadPhase] = []
        for first_ns, last_ns, load_kg in zip(
            bins.first_ns.tolist(), bins.last_ns.tolist(), bins.median.tolist(), strict=True
        ):
            if self._window and first_ns - self._window[-1][1] > SILENCE_NS:
                phases += self._lose_sight()
                self._window.clear()
                self._calm.clear()
            self._window.append((first_ns, last_ns, load_kg))
            phases += self._judge()
        return phases

    def _lose_sight(self) -> list[LoadPhase]:
        """Nobody knows any longer; a second that fell short and had not risen again hung not."""
        phases: list[LoadPhase] = []
        if self._short_since is not None:
            phases += self._enter(LoadState.GROUNDED, self._short_since[1])
        return phases + self._enter(LoadState.UNKNOWN, self._window[-1][1] + 1)

    def _judge(self) -> list[LoadPhase]:
        window = self._window
        mean_kg = sum(kg for _, _, kg in window) / len(window)
        enough = mean_kg >= self._enough_kg
        self._remember(window[-1][2], mean_kg)
        if self.state is not LoadState.HANGING:
            if enough and len(window) == WINDOW_SLICES and window[-1][2] >= self._enough_kg:
                since = WINDOW_SLICES - 1
                while since > 0 and window[since - 1][2] >= self._enough_kg:
                    since -= 1
                return self._enter(LoadState.HANGING, window[since][0])
            return [] if enough else self._enter(LoadState.GROUNDED, window[0][0])
        if enough:
            self._short_since = None
            return []
        if self._short_since is None:
            self._short_since = (window[-1][0], self._left_the_hook_ns())
        noticed_ns, left_ns = self._short_since
        if window[-1][0] - noticed_ns < HALF_SWING_NS and mean_kg >= self._swing_takes_to_kg():
            return []
        return self._enter(LoadState.GROUNDED, left_ns)

    def _remember(self, load_kg: float, mean_kg: float) -> None:
        """Keeps how the load hung of late; what left the hook for good is forgotten."""
        if mean_kg >= self._deepest_kg:
            self._calm.append((load_kg, mean_kg))
        elif self.state is not LoadState.HANGING:
            self._calm.clear()

    def _swing_takes_to_kg(self) -> float:
        """How little a second may read by the swing that the load has just shown, kg."""
        if len(self._calm) < LEAST_CALM_SLICES:
            return self._enough_kg
        level_kg = median(kg for kg, _ in self._calm)
        risen_kg = max(mean for _, mean in self._calm) - level_kg
        return max(self._deepest_kg, level_kg - SWING_SHARE * risen_kg)

    def _left_the_hook_ns(self) -> int:
        """End of the last slice that read enough before the load first fell short."""
        before: int | None = None
        for _, last_ns, load_kg in self._window:
            if load_kg < self._enough_kg:
                break
            before = last_ns
        return before if before is not None else self._window[0][0]

    def _enter(self, state: LoadState, t_ns: int) -> list[LoadPhase]:
        if state is self.state:
            return []
        self.state = state
        self._short_since = None
        return [LoadPhase(state=state, t_ns=t_ns)]


def hanging_spans(phases: list[LoadPhase]) -> Spans:
    """When the load hung, from all phases of a run (which :meth:`finish` has ended)."""
    return Spans.of(
        (here.t_ns, after.t_ns)
        for here, after in pairwise(phases)
        if here.state is LoadState.HANGING
    )
