"""The folder of runs that the dashboard shows.

A run is named by its id and looked up among the files that the folder holds; an id never
becomes a path. Listing reads footers only. Readings are read when a run is opened and kept for
the few runs that were opened last; results are computed in the background, one at a time, and
kept as long as the file stays as it is. A file that can't be read is part of the list, with the
reason in one line.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dashboard.figures.readings import Readings
from dashboard.run_readings import read_readings
from logger.errors import RunUnreadable, SlewtraceError
from logger.recording.corrections import corrections_stamp
from logger.recording.parts import first_parts
from logger.recording.run import Run, open_run

Result = dict[str, Any]
Analyse = Callable[[Run], Result]
_Stamp = tuple[Path, int, int]

RUNS_HELD_OPEN = 2
"""Runs whose readings are kept; 9 million readings are some 150 MB."""


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
    """

    runs: tuple[Run, ...]
    journals: tuple[Path, ...]
    unreadable: tuple[Unreadable, ...]


class RunLibrary:
    """The runs of one folder. Safe to use from several threads.

    Args:
        folder: where the runs lie.
        analyse: computes a run's result.
    """

    def __init__(self, folder: Path, *, analyse: Analyse) -> None:
        self.folder = folder
        self._analyse = analyse
        self._lock = threading.Lock()
        self._reading = threading.Lock()
        self._opened: dict[_Stamp, Run | Unreadable] = {}
        self._readings: OrderedDict[_Stamp, Readings] = OrderedDict()
        self._results: dict[_Stamp, Future[Result]] = {}
        self._analysts = ThreadPoolExecutor(max_workers=1, thread_name_prefix="analyse")

    def shelf(self) -> Shelf:
        """What lies in the folder now."""
        with self._lock:
            stamps = [_stamp(p) for p in sorted(self.folder.glob("*.parquet")) if p.is_file()]
            known = {s: self._opened.get(s) or _open(s[0]) for s in stamps}
            self._opened = known
            self._results = {s: f for s, f in self._results.items() if s in known}
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
        )

    def find(self, run_id: str) -> Run | None:
        """The run of an id, or None where the folder has none."""
        return next((r for r in self.shelf().runs if r.header.run_id == run_id), None)

    def readings(self, run: Run) -> Readings:
        """All readings of a run.

        Raises:
            RunUnreadable: where the samples are damaged.
        """
        with self._reading:
            stamp = _stamp(run.path)
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
                self._results[stamp] = self._analysts.submit(self._analyse, run)
            return self._results[stamp]

    def close(self) -> None:
        """Gives up what is still to be analysed."""
        self._analysts.shutdown(wait=False, cancel_futures=True)


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


def _open(path: Path) -> Run | Unreadable:
    try:
        return open_run(path)
    except RunUnreadable as exc:
        reason = f"{exc.what}; {exc.would_do}" if exc.would_do else exc.what
        return Unreadable(path=path, reason=reason)
