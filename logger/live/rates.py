"""How many readings a second each channel gives now."""

from __future__ import annotations

from collections import Counter


class Rates:
    """Readings a second of each channel, over about the last second of wall time.

    Args:
        over_ns: over how long, ns on the run's clock.
    """

    def __init__(self, over_ns: int) -> None:
        self._over_ns = over_ns
        self._counts: Counter[str] = Counter()
        self._since_ns = 0
        self._rates_hz: dict[str, float] = {}

    def count(self, channel: str, readings: int) -> None:
        """Counts readings of a channel."""
        self._counts[channel] += readings

    def of(self, now_ns: int, *, clock_rate: float) -> dict[str, float]:
        """Readings a second of each channel.

        Args:
            now_ns: the present on the run's clock, ns.
            clock_rate: run seconds in a second of wall time.
        """
        if now_ns - self._since_ns >= self._over_ns:
            wall_s = (now_ns - self._since_ns) * 1e-9 / clock_rate
            self._rates_hz = {c: n / wall_s for c, n in self._counts.items()}
            self._counts = Counter(dict.fromkeys(self._counts, 0))
            self._since_ns = now_ns
        return self._rates_hz
