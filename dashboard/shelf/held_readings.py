"""Readings of the few runs that were opened last, and what runs are at first sight."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from functools import partial

from dashboard.figures.overview import Overview, overview_of
from dashboard.figures.readings import Readings
from dashboard.kept_overviews import keep_overview, kept_overview
from dashboard.run_readings import read_readings
from dashboard.shelf.held import Held
from dashboard.shelf.stamps import Stamp, stamp_of
from logger.errors import RunUnreadable
from logger.recording.run import Run

RUNS_HELD_OPEN = 2
"""Runs whose readings are kept; of 36 million readings some 350 MB are kept."""
OVERVIEWS_HELD = 20
WORTH_KEEPING = 1_000_000
"""Readings of a run from which on its overview is made before anyone asks, and kept on disk: a
smaller one is looked through in less time than it takes to draw it."""


class HeldReadings:
    """Readings and overviews, each read once. Safe to use from several threads."""

    def __init__(self) -> None:
        self._readings: Held[Stamp, Readings] = Held(RUNS_HELD_OPEN)
        self._overviews: Held[Stamp, Overview] = Held(OVERVIEWS_HELD)

    def readings(self, run: Run) -> Readings:
        """All readings of a run.

        Raises:
            RunUnreadable: where the samples are damaged.
        """
        return self._readings.get(stamp_of(run.path), partial(read_readings, run))

    def overview(self, run: Run) -> Overview:
        """A run at first sight: from what was kept of it, else from all its readings.

        Raises:
            RunUnreadable: where the samples are damaged.
        """
        stamp = stamp_of(run.path)
        made = partial(_look_through, run, stamp, partial(self.readings, run))
        return self._overviews.get(stamp, made)

    def prepare(self, run: Run) -> None:
        """Reads a run on a thread of its own, since its page will ask for it in a moment."""
        threading.Thread(target=self._prepare, args=(run,), daemon=True).start()

    def look_ahead(self, run: Run) -> None:
        """Looks through a large run on a thread of its own, without keeping its readings."""
        if run.sample_count >= WORTH_KEEPING:
            threading.Thread(target=self._look_ahead, args=(run,), daemon=True).start()

    def _look_ahead(self, run: Run) -> None:
        with suppress(RunUnreadable):
            stamp = stamp_of(run.path)
            made = partial(_look_through, run, stamp, partial(read_readings, run))
            self._overviews.get(stamp, made)

    def _prepare(self, run: Run) -> None:
        with suppress(RunUnreadable):  # the page will be told when it asks
            self.overview(run)


def _look_through(run: Run, stamp: Stamp, readings: Callable[[], Readings]) -> Overview:
    if run.sample_count < WORTH_KEEPING:
        return overview_of(readings())
    overview = kept_overview(run, stamp)
    if overview is None:
        overview = overview_of(readings())
        keep_overview(run, stamp, overview)
    return overview
