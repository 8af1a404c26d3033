"""The folder of runs that the dashboard shows.

A run is named by its id and looked up among the files that the folder holds; an id never
becomes a path. Listing reads footers only. Readings are read when a run is opened and kept for
the few runs that were opened last; results are computed in the background, one at a time, and
kept as long as the file stays as it is. A file that can't be read is part of the list, with the
reason in one line.
"""

from __future__ import annotations

import math
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dashboard.figures.overview import Overview, overview_of
from dashboard.figures.readings import Readings
from dashboard.kept_catalogue import KeptCatalogue
from dashboard.kept_overviews import keep_overview, kept_overview
from dashboard.run_readings import read_readings
from logger.errors import RunUnreadable, SlewtraceError
from logger.recording.corrections import corrections_stamp
from logger.recording.parts import first_parts
from logger.recording.run import Run, open_run

Result = dict[str, Any]
Analyse = Callable[[Run], Result]
_Stamp = tuple[Path, int, int]

RUNS_HELD_OPEN = 2
"""Runs whose readings are kept; of 36 million readings some 350 MB are kept."""
_AT_ONCE = 20
"""Newest files that are opened however long it takes: a small folder is never shown in part."""
_PATIENCE_S = 0.4
"""How long a page may wait for files of a large folder that were not looked at yet."""
OVERVIEWS_HELD = 20
CATALOGUED_HELD = 20
"""Runs found by the catalogue that are kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable:
    """A file of the folder that can't be shown.

    Attributes:
        path: the file.
        reason: why, one line.
    """

    path: Path
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """What lies in the folder.

    Attributes:
        runs: sealed runs, the newest first.
        journals: runs that were not sealed.
        unreadable: the rest.
        unread: how many files were not looked at yet; a thread goes on with them.
    """

    runs: tuple[Run, ...]
    journals: tuple[Path, ...]
    unreadable: tuple[Unreadable, ...]
    unread: int = 0


class RunLibrary:
    """The runs of one folder. Safe to use from several threads.

    Args:
        folder: where the runs lie.
        analyse: computes a run's result.

    Attributes:
        catalogue: of the runs here and in folders below.
    """

    def __init__(self, folder: Path, *, analyse: Analyse) -> None:
        self.folder = folder
        self.catalogue = KeptCatalogue(folder)
        self._analyse = analyse
        self._lock = threading.Lock()
        self._reading = threading.Lock()
        self._opened: dict[_Stamp, Run | Unreadable] = {}
        self._catalogued: OrderedDict[_Stamp, Run | Unreadable] = OrderedDict()
        self._readings: OrderedDict[_Stamp, Readings] = OrderedDict()
        self._overviews: OrderedDict[_Stamp, Overview] = OrderedDict()
        self._results: dict[_Stamp, Future[Result]] = {}
        self._wanted: deque[tuple[Run, _Stamp]] = deque()
        self._in_hand: Future[Result] | None = None
        self._opener: threading.Thread | None = None
        self._closed = False
        self._analysts = ThreadPoolExecutor(max_workers=1, thread_name_prefix="analyse")

    def shelf(self, *, patience_s: float | None = None) -> Shelf:
        """What lies in the folder now.

        Args:
            patience_s: how long files may be opened that were not yet, the newest first; None
                opens all.
        """
        if patience_s is not None and self._is_opening():
            patience_s = 0.0
        known, unread = self._look(patience_s)
        if unread:
            self._open_the_rest()
        unreadable = [k for k in known.values() if isinstance(k, Unreadable)]
        runs: dict[str, Run] = {}
        for run in (k for k in known.values() if isinstance(k, Run)):
            first = runs.setdefault(run.header.run_id, run)
            if first is not run:
                reason = f"holds run {run.header.run_id}, as {first.path.name} does; move one away"
                unreadable.append(Unreadable(path=run.path, reason=reason))
        newest = sorted(runs.values(), key=lambda r: r.header.started_utc or "", reverse=True)
        return Shelf(
            runs=tuple(newest),
            journals=tuple(first_parts(self.folder)),
            unreadable=tuple(unreadable),
            unread=unread,
        )

    def find(self, run_id: str) -> Run | None:
        """The run of an id, or None where the folder has none.

        Where a run lies that was not looked at yet, or that lies in a folder below, the catalogue
        knows.
        """
        shelf = self.shelf(patience_s=_PATIENCE_S)
        found = _of_id(shelf, run_id) or self._find_catalogued(run_id)
        return _of_id(self.shelf(), run_id) if found is None and shelf.unread else found

    def _find_catalogued(self, run_id: str) -> Run | None:
        path = self.catalogue.path_of(run_id)
        stamp = None if path is None else _stamp_of_file(path)
        if stamp is None:
            return None
        with self._lock:
            found = self._catalogued.get(stamp) or self._opened.get(stamp)
        found = found or _open(stamp[0])
        with self._lock:
            self._catalogued[stamp] = found
            while len(self._catalogued) > CATALOGUED_HELD:
                self._catalogued.popitem(last=False)
        return found if isinstance(found, Run) and found.header.run_id == run_id else None

    def _look(self, patience_s: float | None) -> tuple[dict[_Stamp, Run | Unreadable], int]:
        """The folder's files, opened as far as patience goes, and how many were not."""
        paths = sorted(self.folder.glob("*.parquet"))
        stamps = [stamp for p in paths if (stamp := _stamp_of_file(p)) is not None]
        until_s = math.inf if patience_s is None else time.monotonic() + patience_s
        with self._lock:
            opened = {s: self._opened[s] for s in stamps if s in self._opened}
        # Files are opened without the lock: others look at the folder meanwhile.
        newest = sorted((s for s in stamps if s not in opened), key=lambda s: s[1], reverse=True)
        for number, stamp in enumerate(newest):
            if time.monotonic() >= until_s and (number >= _AT_ONCE or not patience_s):
                break
            opened[stamp] = _open(stamp[0])
        with self._lock:
            opened |= {s: self._opened[s] for s in stamps if s in self._opened}
            known = {s: opened[s] for s in stamps if s in opened}
            self._opened = known
            kept = known.keys() | self._catalogued.keys()
            self._results = {s: f for s, f in self._results.items() if s in kept}
        return known, len(stamps) - len(known)

    def _is_opening(self) -> bool:
        return self._opener is not None and self._opener.is_alive()

    def _open_the_rest(self) -> None:
        with self._lock:
            if self._closed or self._is_opening():
                return
            self._opener = threading.Thread(target=self._keep_opening, name="open", daemon=True)
            self._opener.start()

    def _keep_opening(self) -> None:
        while not self._closed:
            _, unread = self._look(_PATIENCE_S)
            if not unread:
                return
            time.sleep(_PATIENCE_S / 4)  # so that a page gets its turn

    def readings(self, run: Run) -> Readings:
        """All readings of a run.

        Raises:
            RunUnreadable: where the samples are damaged.
        """
        with self._reading:
            return self._read(run, _stamp(run.path))

    def overview(self, run: Run) -> Overview:
        """A run at first sight: from what was kept of it, else from all its readings.

        Raises:
            RunUnreadable: where the samples are damaged.
        """
        stamp = _stamp(run.path)
        with self._lock:
            known = self._overviews.get(stamp)
        return known or self._look_through(run, stamp)

    def prepare(self, run: Run) -> None:
        """Reads a run on a thread of its own, since its page will ask for it in a moment."""
        threading.Thread(target=self._prepare, args=(run,), daemon=True).start()

    def _prepare(self, run: Run) -> None:
        with suppress(RunUnreadable):  # the page will be told when it asks
            self.overview(run)

    def _analysed(self, run: Run) -> Result:
        result = self._analyse(run)
        with suppress(RuntimeError):  # closed meanwhile
            self._analysts.submit(self._keep_overview, run)
        return result

    def _keep_overview(self, run: Run) -> None:
        """Looks through a run that was analysed, so that its page opens at once."""
        with suppress(RunUnreadable):
            stamp = _stamp(run.path)
            if kept_overview(run, stamp) is None:
                keep_overview(run, stamp, overview_of(read_readings(run)))

    def _look_through(self, run: Run, stamp: _Stamp) -> Overview:
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

    def _read(self, run: Run, stamp: _Stamp) -> Readings:
        if stamp not in self._readings:
            self._readings[stamp] = read_readings(run)
        self._readings.move_to_end(stamp)
        while len(self._readings) > RUNS_HELD_OPEN:
            self._readings.popitem(last=False)
        return self._readings[stamp]

    def result(self, run: Run) -> Future[Result]:
        """The result of a run, which may still be in the making."""
        stamp = _stamp(run.path)
        with self._lock:
            if stamp not in self._results:
                self._results[stamp] = self._analysts.submit(self._analysed, run)
            return self._results[stamp]

    def want(self, runs: Iterable[Run]) -> list[Future[Result] | None]:
        """Results as far as they are there; the rest are computed one after the other.

        What a page waits for (:meth:`result`) comes before these. A later call says anew what is
        wanted.

        Args:
            runs: those whose results are wanted, the most wanted first.
        """
        asked = [(run, _stamp_of_file(run.path)) for run in runs]
        with self._lock:
            results = [None if s is None else self._results.get(s) for _, s in asked]
            self._wanted = deque(
                (r, s) for r, s in asked if s is not None and s not in self._results
            )
        self._go_on()
        return results

    def known_results(self, runs: Iterable[Run]) -> list[Future[Result] | None]:
        """Results of runs that someone asked for before; asks for none."""
        stamps = [_stamp_of_file(run.path) for run in runs]
        with self._lock:
            return [None if s is None else self._results.get(s) for s in stamps]

    @property
    def analysed(self) -> int:
        """How many results are there."""
        with self._lock:
            return sum(f.done() for f in self._results.values())

    def _go_on(self, _done: Future[Result] | None = None) -> None:
        """Begins with the next result that is wanted, unless one is in the making."""
        with self._lock:
            if self._closed or (self._in_hand is not None and not self._in_hand.done()):
                return
            while self._wanted:
                run, stamp = self._wanted.popleft()
                if stamp in self._opened and stamp not in self._results:
                    self._in_hand = self._analysts.submit(self._analysed, run)
                    self._results[stamp] = self._in_hand
                    break
            else:
                return
        self._in_hand.add_done_callback(self._go_on)

    def close(self) -> None:
        """Gives up what is still to be analysed."""
        self._closed = True
        self._analysts.shutdown(wait=False, cancel_futures=True)
        self.catalogue.close()


def _of_id(shelf: Shelf, run_id: str) -> Run | None:
    return next((r for r in shelf.runs if r.header.run_id == run_id), None)


def failure_words(future: Future[Result]) -> str:
    """Why a result could not be computed, one line; empty where it could."""
    exc = future.exception()
    if exc is None:
        return ""
    return str(exc) if isinstance(exc, SlewtraceError) else f"{type(exc).__name__}: {exc}"


def _stamp(path: Path) -> _Stamp:
    try:
        stat = path.stat()
    except OSError as exc:
        raise RunUnreadable(where=str(path), what=f"can't be read ({exc.strerror})") from exc
    # A later correction changes what a run shows, though not the run.
    changed_ns, size = corrections_stamp(path)
    return path, max(stat.st_mtime_ns, changed_ns), stat.st_size + size


def _stamp_of_file(path: Path) -> _Stamp | None:
    """A file's stamp; None where it is no file, or went away just now."""
    try:
        return _stamp(path) if path.is_file() else None
    except RunUnreadable:
        return None


def _open(path: Path) -> Run | Unreadable:
    try:
        return open_run(path)
    except RunUnreadable as exc:
        reason = f"{exc.what}; {exc.would_do}" if exc.would_do else exc.what
        return Unreadable(path=path, reason=reason)
