"""The folder of runs that the dashboard shows: what pages ask for, by one name."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Future
from pathlib import Path

from dashboard.figures.overview import Overview
from dashboard.figures.readings import Readings
from dashboard.kept_catalogue import KeptCatalogue
from dashboard.shelf.analyses import Analyse, Analyses, Result
from dashboard.shelf.held_readings import HeldReadings
from dashboard.shelf.run_shelf import RunShelf, Shelf
from logger.recording.run import Run


class RunLibrary:
    """The runs of one folder. Safe to use from several threads.

    Args:
        folder: where the runs lie.
        analyse: computes a run's result.

    Attributes:
        folder: where the runs lie.
        catalogue: of the runs here and in folders below.
    """

    def __init__(self, folder: Path, *, analyse: Analyse) -> None:
        self.folder = folder
        self.catalogue = KeptCatalogue(folder)
        self._held = HeldReadings()
        self._shelf = RunShelf(folder, path_of=self.catalogue.path_of)
        self._analyses = Analyses(analyse, beforehand=self._held.look_ahead)

    def shelf(self, *, patience_s: float | None = None) -> Shelf:
        """What lies in the folder now.

        Args:
            patience_s: how long files may be opened that were not yet, the newest first; None
                opens all.
        """
        shelf = self._shelf.look(patience_s=patience_s)
        self._analyses.forget_but(self._shelf.stamps())
        return shelf

    def find(self, run_id: str) -> Run | None:
        """The run of an id, or None where there is none here or in a folder below."""
        return self._shelf.find(run_id)

    def readings(self, run: Run) -> Readings:
        """All readings of a run.

        Raises:
            RunUnreadable: where the samples are damaged.
        """
        return self._held.readings(run)

    def overview(self, run: Run) -> Overview:
        """A run at first sight: from what was kept of it, else from all its readings.

        Raises:
            RunUnreadable: where the samples are damaged.
        """
        return self._held.overview(run)

    def prepare(self, run: Run) -> None:
        """Reads a run on a thread of its own, since its page will ask for it in a moment."""
        self._held.prepare(run)

    def result(self, run: Run) -> Future[Result]:
        """The result of a run, which may still be in the making.

        Raises:
            RunUnreadable: where the run's file is gone.
        """
        return self._analyses.result(run)

    def want(self, runs: Iterable[Run]) -> list[Future[Result] | None]:
        """Results as far as they are there; the rest are computed, the most wanted first."""
        return self._analyses.want(runs)

    def known_results(self, runs: Iterable[Run]) -> list[Future[Result] | None]:
        """Results of runs that someone asked for before; asks for none."""
        return self._analyses.known(runs)

    @property
    def analysed(self) -> int:
        """How many results are there."""
        return self._analyses.done

    def close(self) -> None:
        """Gives up what is still to be opened and analysed."""
        self._shelf.close()
        self._analyses.close()
        self.catalogue.close()
