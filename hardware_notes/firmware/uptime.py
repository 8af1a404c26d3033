"""Uptime without end from a tick counter that starts again at 0.

A board's microsecond counter wraps, often after 2**30 µs: 17 min 54 s. The recorder wants the time
since the start. So each tick is taken as a step from the newest one seen, forwards or backwards,
and the steps are added up. That is right as long as less than half a turn lies between two calls.

Whole numbers only: a board's float has 24 bits and would lose the microseconds in ten seconds.
"""


class Uptime:
    """Microseconds since the program's start.

    Args:
        start_ticks: the counter now, µs.
        period: counts in a turn of the counter.
    """

    def __init__(self, start_ticks, period):
        self._period = period
        self._half = period // 2
        self._newest_ticks = start_ticks
        self._newest_us = 0

    def of(self, ticks):
        """The uptime that belongs to a tick, µs.

        Args:
            ticks: the counter then, µs; within half a turn of the newest one seen.
        """
        step_us = self.between(self._newest_ticks, ticks)
        if step_us > 0:
            self._newest_ticks = ticks
            self._newest_us += step_us
            return self._newest_us
        return self._newest_us + step_us

    def between(self, earlier, later):
        """Microseconds from one tick to another; negative where the second came first."""
        return (later - earlier + self._half) % self._period - self._half


def seconds_text(us):
    """Microseconds, not below 0, as seconds with six digits, for JSON."""
    return f"{us // 1000000}.{us % 1000000:06d}"
