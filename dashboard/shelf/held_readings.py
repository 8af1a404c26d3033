"""Readings of the few runs that were opened last, and what runs are at first sight."""

from __future__ import annotations

import threading
from collections import OrderedDict
from contextlib import suppress

from dashboard.figures.overview import Overview, overview_of
from dashboard.figures.readings import Readings
from dashboard.kept_overviews import keep_overview, kept_overview
from dashboard.run_readings import read_readings
from dashboard.shelf.stamps import Stamp, stamp_of
from logger.errors import RunUnreadable
from logger.recording.run import Run

RUNS_HELD_OPEN = 2
"""Runs whose readings are kept; of 36 million readings some 350 MB are kept."""
OVERVIEWS_HELD = 20


class HeldReadings:
    """Readings and overviews, each read once. Safe to use from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._reading = threading.Lock()
        self._readings: OrderedDict[Stamp, Readings] = OrderedDict()
        self._overviews: OrderedDict[Stamp, Overview] = OrderedDict()

    def readings(self, run: Run) -> Readings:
        """All readings of a run.

        Raises:
            RunUnreadable: where the samples are damaged.
        """
        with self._reading:
            return self._read(run, stamp_of(run.path))

    def overview(self, run: Run) -> Overview:
        """A run at first sight: from what was kept of it, else from all its readings.

        Raises:
            RunUnreadable: where the samples are damaged.
        """
        stamp = stamp_of(run.path)
        with self._lock:
            known = self._overviews.get(stamp)
        return known or self._look_through(run, stamp)

    def prepare(self, run: Run) -> None:
        """Reads a run on a thread of its own, since its page will ask for it in a moment."""
        threading.Thread(target=self._prepare, args=(run,), daemon=True).start()

    def keep_overview(self, run: Run) -> None:
        """Looks through a run for later, so that its page then opens at once."""
        with suppress(RunUnreadable):
            stamp = stamp_of(run.path)
            if kept_overview(run, stamp) is None:
                keep_overview(run, stamp, overview_of(read_readings(run)))

    def _prepare(self, run: Run) -> None:
        with suppress(RunUnreadable):  # the page will be told when it asks
            self.overview(run)

    def _look_through(self, run: Run, stamp: Stamp) -> Overview:
        with self._reading:
            overview = self._overviews.get(stamp) or kept_overview(run, stamp)
            if overview is None:
                overview = overview_of(self._read(run, stamp))
                keep_overview(run, stamp, overview)
            with self._lock:
                self._overviews[stamp] = overview
                while len(self._overviews) > OVERVIEWS_HELD:
                    self._overviews.popitem(last=False)
            return overview

    def _read(self, run: Run, stamp: Stamp) -> Readings:
        if stamp not in self._readings:
            self._readings[stamp] = read_readings(run)
        self._readings.move_to_end(stamp)
        while len(self._readings) > RUNS_HELD_OPEN:
            self._readings.popitem(last=False)
        return self._readings[stamp]
