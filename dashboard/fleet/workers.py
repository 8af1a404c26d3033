"""Runs are analysed on several workers, by dask.distributed.

A task a run, handed over in small batches, a few a worker at a time, so that a million of them
burden nobody. A task depends on its file alone, so one whose worker was lost is simply done
again; what comes back may come in any order. A run on which workers are lost again and again is
set aside, so that it stops nothing, and is tried again the next time.
"""

from __future__ import annotations

import contextlib
import importlib.util
import itertools
import logging
import math
import time
from collections.abc import Iterator, Sequence
from typing import Any

from dashboard.catalogue.tasks import Outcome, Task
from logger.errors import BadInput, SourceUnavailable

Client = Any
"""dask's client of a cluster; its calls have no types."""
IN_HAND = 3
"""Batches that each thread of a worker has, so that it never waits for the next."""
LARGEST_BATCH = 16
WORKERS_LOST = 10
"""On so many lost workers a run is set aside."""
_CONNECT_S = 15
_ASK_EVERY_S = 5.0


def refuse_without_dask() -> None:
    """Says what to install where it is not.

    Raises:
        BadInput: where dask.distributed is not installed.
    """
    if importlib.util.find_spec("distributed") is None:
        raise BadInput(
            where="fleet",
            what="dask.distributed is not installed",
            would_do="pip install slewtrace[fleet]",
        )


@contextlib.contextmanager
def workers(*, count: int | None, scheduler: str | None) -> Iterator[Client]:
    """Workers to have tasks carried out by.

    Args:
        count: worker processes of this machine; None for one a core.
        scheduler: address of a running scheduler, in place of workers of this machine.

    Raises:
        SourceUnavailable: where nobody answers there.
    """
    import dask  # noqa: PLC0415 - of the extra
    import distributed  # noqa: PLC0415

    connect: Any = distributed.Client

    settings = {
        "distributed.scheduler.allowed-failures": WORKERS_LOST,
        "distributed.scheduler.work-stealing": True,
        "distributed.comm.timeouts.connect": f"{_CONNECT_S}s",
        "distributed.admin.tick.limit": "1h",  # a busy machine is no fault
        "distributed.worker.profile.enabled": False,  # looks at every worker 100 times a second
    }
    with dask.config.set(settings), _quiet():
        if scheduler is None:
            with _own_workers(count) as cluster, connect(cluster) as client:
                yield client
            return
        try:
            client = connect(scheduler, timeout=_CONNECT_S)
        except (OSError, ValueError) as exc:
            raise SourceUnavailable(
                where=f"--scheduler {scheduler}",
                what=f"no scheduler answers ({' '.join(str(exc).split())[:120]})",
                would_do="start one with `dask scheduler`, or leave the option out",
            ) from exc
        with client:
            yield client


def analyse_on(client: Client, tasks: Sequence[Task]) -> Iterator[Outcome]:
    """Has runs looked at and analysed.

    Args:
        client: of the workers.
        tasks: a run each.

    Yields:
        What came of each, in any order.
    """
    import distributed  # noqa: PLC0415 - of the extra

    crew = _Crew(client)
    waiting = _batches(tasks, crew.threads())
    asked: dict[Any, tuple[Task, ...]] = {}
    as_completed: Any = distributed.as_completed
    done = as_completed()

    def hand_out() -> None:
        for batch in itertools.islice(waiting, max(0, IN_HAND * crew.threads() - len(asked))):
            future = client.submit(_analyse, batch, pure=False)
            asked[future] = batch
            done.add(future)

    hand_out()
    while asked:
        for future in done.next_batch(block=True):
            batch = asked.pop(future)
            try:
                yield from future.result()
            except Exception as exc:  # noqa: BLE001 - KilledWorker, or what a broken worker raises
                if len(batch) == 1:
                    yield _given_up(batch[0], exc)
                # One run of it may be at fault: each is tried alone.
                alone = ((task,) for task in batch if len(batch) > 1)
                waiting = itertools.chain(alone, waiting)
            future.release()
        hand_out()


def _batches(tasks: Sequence[Task], threads: int) -> Iterator[tuple[Task, ...]]:
    """Runs that are handed over together: to hand one over costs as much as a tenth of its work."""
    size = min(LARGEST_BATCH, max(1, len(tasks) // (8 * threads)))
    return (tuple(tasks[n : n + size]) for n in range(0, len(tasks), size))


def _analyse(batch: tuple[Task, ...]) -> list[Outcome]:
    """Runs on a worker; what it needs is loaded there."""
    from dashboard.catalogue.analysing import analyse_file  # noqa: PLC0415

    return [analyse_file(task) for task in batch]


def _given_up(task: Task, exc: Exception) -> Outcome:
    words = " ".join(str(exc).split())[:120]
    reason = f"could not be analysed on the workers ({type(exc).__name__}: {words})"
    return Outcome(path=task.path, reason=reason, passing=True)


class _Crew:
    """How many threads the workers have, asked now and then: workers come and go."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._threads = 1
        self._next_s = -math.inf

    def threads(self) -> int:
        """How many, one at least."""
        if time.monotonic() >= self._next_s:
            self._threads = max(1, sum(self._client.nthreads().values()))
            self._next_s = time.monotonic() + _ASK_EVERY_S
        return self._threads


def _own_workers(count: int | None) -> Any:
    import distributed  # noqa: PLC0415 - of the extra

    cluster: Any = distributed.LocalCluster
    return cluster(
        n_workers=count,
        threads_per_worker=1,
        processes=True,
        dashboard_address="127.0.0.1:0",  # any free port: another fleet may be at work
        host="127.0.0.1",
        memory_limit=0,  # a worker that is put an end to for its memory would do a run twice
        silence_logs=logging.CRITICAL,
    )


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keeps dask's own log lines away from a person who asked for a catalogue."""
    log = logging.getLogger("distributed")
    before = log.level
    log.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        log.setLevel(before)
