"""The samples of one channel out of a journal, on the run's clock and sorted by time."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from logger.readings.block import Nanoseconds, Values
from logger.readings.clock_alignment import ClockFit
from logger.recording.journal import RUN_CLOCK
from logger.recording.run_reading import ChannelPlaces, RunReader

_MAPPED_AT_ONCE = 1 << 20


def channel_samples(
    reader: RunReader, places: ChannelPlaces, fits: Mapping[str, ClockFit]
) -> tuple[Nanoseconds, Values]:
    """Times, shape (n,), ns on the run's clock, never falling, and raw values, shape (n,).

    Samples of one time stay in the order in which they were recorded.

    Args:
        reader: the journal.
        places: where the channel's blocks stand in it.
        fits: for each device clock how it maps to the run's.

    Raises:
        KeyError: for a clock without a fit.
        RunUnreadable: where the journal can't be read twice the same.
    """
    t_ns = np.empty(places.samples, dtype=np.int64)
    value = np.empty(places.samples, dtype=np.float64)
    stretch = _Stretch(t_ns, fits)
    end = 0
    for block in reader.blocks(places):
        start, end = end, end + len(block)
        stretch.goes_on(block.clock, start)
        t_ns[start:end], value[start:end] = block.t_ns, block.value
    stretch.ends(end)
    if bool(np.any(t_ns[1:] < t_ns[:-1])):
        order = np.argsort(t_ns, kind="stable")
        t_ns, value = t_ns[order], value[order]
    return t_ns, value


class _Stretch:
    """Times of one clock, mapped in place, many at once but never too many."""

    def __init__(self, t_ns: Nanoseconds, fits: Mapping[str, ClockFit]) -> None:
        self._t_ns = t_ns
        self._fits = fits
        self._clock = RUN_CLOCK
        self._start = 0

    def goes_on(self, clock: str, at: int) -> None:
        """Samples of a clock follow from here."""
        if clock != self._clock or at - self._start >= _MAPPED_AT_ONCE:
            self.ends(at)
            self._clock, self._start = clock, at

    def ends(self, at: int) -> None:
        """The stretch is whole."""
        if self._clock != RUN_CLOCK and at > self._start:
            part = slice(self._start, at)
            self._t_ns[part] = self._fits[self._clock].to_run(self._t_ns[part])
