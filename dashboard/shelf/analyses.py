"""Results of runs, computed in the background: at most one that a page waits for, and one other.

A result is kept as long as its file stays as it is. What a page waits for comes before what a
list would like to show: it does not wait for what the list has in hand, which may be a large run,
and the list goes on only when no page waits.
"""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, TypeAlias

from dashboard.shelf.stamps import Stamp, stamp_if_there, stamp_of
from logger.errors import SlewtraceError
from logger.recording.run import Run

Result: TypeAlias = dict[str, Any]
Analyse: TypeAlias = Callable[[Run], Result]


class Analyses:
    """Results of runs. Safe to use from several threads.

    Args:
        analyse: computes a run's result.
        beforehand: what is begun with each run before it is analysed.
    """

    def __init__(self, analyse: Analyse, *, beforehand: Callable[[Run], None]) -> None:
        self._analyse = analyse
        self._beforehand = beforehand
        self._lock = threading.Lock()
        self._results: dict[Stamp, Future[Result]] = {}
        self._wanted: deque[tuple[Run, Stamp]] = deque()
        self._in_hand: Future[Result] | None = None
        self._awaited: set[Future[Result]] = set()
        self._closed = False
        self._for_pages = ThreadPoolExecutor(max_workers=1, thread_name_prefix="analyse-awaited")
        self._for_lists = ThreadPoolExecutor(max_workers=1, thread_name_prefix="analyse-wanted")

    def result(self, run: Run) -> Future[Result]:
        """The result of a run, which may still be in the making.

        Raises:
            RunUnreadable: where the run's file is gone.
        """
        stamp = stamp_of(run.path)
        with self._lock:
            if stamp in self._results:
                return self._results[stamp]
            awaited = self._for_pages.submit(self._analysed, run)
            self._results[stamp] = awaited
            self._awaited.add(awaited)
        awaited.add_done_callback(self._was_awaited)
        return awaited

    def want(self, runs: Iterable[Run]) -> list[Future[Result] | None]:
        """Results as far as they are there; the rest are computed one after the other.

        What a page waits for (:meth:`result`) comes before these. A later call says anew what is
        wanted.

        Args:
            runs: those whose results are wanted, the most wanted first.
        """
        asked = [(run, stamp_if_there(run.path)) for run in runs]
        with self._lock:
            results = [None if s is None else self._results.get(s) for _, s in asked]
            self._wanted = deque(
                (r, s) for r, s in asked if s is not None and s not in self._results
            )
        self._go_on()
        return results

    def known(self, runs: Iterable[Run]) -> list[Future[Result] | None]:
        """Results that someone asked for before; asks for none."""
        stamps = [stamp_if_there(run.path) for run in runs]
        with self._lock:
            return [None if s is None else self._results.get(s) for s in stamps]

    def forget_but(self, stamps: set[Stamp]) -> None:
        """Keeps the results of these files only."""
        with self._lock:
            self._results = {s: f for s, f in self._results.items() if s in stamps}

    @property
    def done(self) -> int:
        """How many results are there."""
        with self._lock:
            return sum(f.done() for f in self._results.values())

    def close(self) -> None:
        """Gives up what is still to be analysed."""
        with self._lock:
            self._closed = True
        for analysts in (self._for_pages, self._for_lists):
            analysts.shutdown(wait=False, cancel_futures=True)

    def _analysed(self, run: Run) -> Result:
        self._beforehand(run)
        return self._analyse(run)

    def _was_awaited(self, done: Future[Result]) -> None:
        with self._lock:
            self._awaited.discard(done)
        self._go_on()

    def _go_on(self, _done: Future[Result] | None = None) -> None:
        """Begins with the next result that is wanted, unless one is in the making or awaited."""
        with self._lock:
            if self._closed or self._awaited:
                return
            if self._in_hand is not None and not self._in_hand.done():
                return
            while self._wanted:
                run, stamp = self._wanted.popleft()
                if stamp not in self._results and stamp_if_there(run.path) == stamp:
                    in_hand = self._for_lists.submit(self._analysed, run)
                    self._in_hand = self._results[stamp] = in_hand
                    break
            else:
                return
        in_hand.add_done_callback(self._go_on)


async def awaited(future: Future[Result]) -> Result:
    """A result when it is there. No thread waits for it, and whoever gives up ends nothing.

    Raises:
        RunUnreadable: where the samples are damaged; and whatever else the analysis raised.
    """
    return await asyncio.shield(asyncio.wrap_future(future))


def failure_words(future: Future[Result]) -> str:
    """Why a result could not be computed, one line; empty where it could."""
    exc = future.exception()
    if exc is None:
        return ""
    return str(exc) if isinstance(exc, SlewtraceError) else f"{type(exc).__name__}: {exc}"
