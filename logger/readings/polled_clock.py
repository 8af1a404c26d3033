"""When a polled reading was taken: after the question had left, before the answer was there.

Nothing else is known of it, whatever the wires and the device did in between. So its time is
the middle of the exchange, and it may be off by half the exchange and no more; where the device
renews what stands in its registers only now and then, by half of that as well. Each reading has
an exchange of its own, so what one exchange tells says nothing of another: no line is fitted,
and the uncertainty of a run is that of its longest exchange.

Such times are on the run's clock already. They still carry a clock of their own name in the
journal, so that the sealed run says how they were made and how well they are known.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import sqrt
from statistics import median
from typing import TypeAlias

from logger.readings.block import Nanoseconds
from logger.readings.causal_alignment import CausalAlignment
from logger.readings.clock_alignment import ClockFit, fit_clock
from logger.readings.pack import ClockPair

WINDOW_NS = 20_000_000_000
"""How long an exchange counts for the uncertainty that is shown while running, ns."""

_POLLED = "@polled"


def polled_clock(source_id: str) -> str:
    """The name of a source's polled times; no device's clock, ``<source>#<boot>``, can have it."""
    return source_id + _POLLED


def is_polled(clock: str) -> bool:
    """Whether a clock's times are those of exchanges."""
    return clock.endswith(_POLLED) and "#" not in clock


def source_of_clock(clock: str) -> str:
    """The source that a clock belongs to; neither mark can stand in the id of one."""
    return clock.split("#", maxsplit=1)[0].removesuffix(_POLLED)


def clock_in_words(clock: str) -> str:
    """A clock as people read it: ``bus, by question and answer``; a device's stays as it is."""
    return f"{source_of_clock(clock)}, by question and answer" if is_polled(clock) else clock


def exchange(*, asked_ns: int, arrival_ns: int) -> ClockPair:
    """An exchange as a pair: the middle of it, and both its ends.

    Args:
        asked_ns: the reading was taken after this, ns on the run's clock.
        arrival_ns: and before this.
    """
    middle_ns = (asked_ns + arrival_ns) // 2
    return ClockPair(device_ns=middle_ns, arrival_ns=arrival_ns, asked_ns=asked_ns)


def half_ns(pair: ClockPair) -> int:
    """How far a reading's time may be off, ns."""
    asked_ns = pair.arrival_ns if pair.asked_ns is None else pair.asked_ns
    return (pair.arrival_ns - asked_ns + 1) // 2


def fit_polled(pairs: Sequence[ClockPair]) -> ClockFit:
    """What is known of the times of a polled source over a run.

    Args:
        pairs: its exchanges, in any order.

    Returns:
        A line that changes nothing, with the standard uncertainty of a reading in the longest
        exchange (rectangular); ``residual_s`` is how much longer half of it is than half of the
        usual one.

    Raises:
        ValueError: without an exchange.
    """
    if not pairs:
        raise ValueError("no exchange to judge by")
    halves_ns = [half_ns(pair) for pair in pairs]
    return ClockFit(
        offset_ns=0,
        rate=1.0,
        u_s=max(halves_ns) / sqrt(3) / 1e9,
        residual_s=(max(halves_ns) - median(halves_ns)) / 1e9,
        pairs=len(pairs),
        pairs_two_way=len(pairs),
    )


def fit_of_clock(clock: str, pairs: Sequence[ClockPair], *, clock_rate: float = 1.0) -> ClockFit:
    """What ties a clock's times to the run's, over a whole run.

    Args:
        clock: its name.
        pairs: of a device's clock, moments on both; of a polled source, its exchanges.
        clock_rate: run seconds in a second of wall time.

    Raises:
        ValueError: without a pair.
    """
    return fit_polled(pairs) if is_polled(clock) else fit_clock(pairs, clock_rate=clock_rate)


class PolledAlignment:
    """The same while the run goes on: times stay, the last seconds' longest exchange counts.

    Args:
        window_ns: how long an exchange is remembered, ns of the run's clock.
    """

    def __init__(self, *, window_ns: int = WINDOW_NS) -> None:
        self._window_ns = window_ns
        # Halves that fall as their age does: the first is the longest in the window.
        self._longest: deque[tuple[int, int]] = deque()

    @property
    def u_ns(self) -> int:
        """Standard uncertainty of a time now, ns.

        Raises:
            ValueError: before the first exchange.
        """
        if not self._longest:
            raise ValueError("no exchange yet")
        return round(self._longest[0][1] / sqrt(3)) + 1

    def add(self, pair: ClockPair) -> None:
        """Takes the next exchange, in order of arrival."""
        half = half_ns(pair)
        while self._longest and self._longest[-1][1] <= half:
            self._longest.pop()
        self._longest.append((pair.arrival_ns, half))
        while self._longest[0][0] <= pair.arrival_ns - self._window_ns:
            self._longest.popleft()

    def to_run(self, t_ns: Nanoseconds) -> Nanoseconds:
        """Times are on the run's clock as they are."""
        return t_ns


LiveAlignment: TypeAlias = CausalAlignment | PolledAlignment


def alignment_of(clock: str, *, clock_rate: float = 1.0) -> LiveAlignment:
    """What ties a clock's times to the run's while it goes on.

    Args:
        clock: its name.
        clock_rate: run seconds in a second of wall time.
    """
    return PolledAlignment() if is_polled(clock) else CausalAlignment(clock_rate=clock_rate)
