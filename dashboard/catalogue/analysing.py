"""One file of a fleet: looked at, and analysed where nobody did before.

This is the task that workers are given. It depends on the file alone, so it may run anywhere,
twice, or again after a worker was lost. Whatever is wrong with a file becomes the reason why it
is set aside; nothing that a file holds stops the job.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from dashboard.catalogue.places import place_of
from dashboard.catalogue.rows import Recorded, run_row, sector_rows
from dashboard.catalogue.tasks import Key, Outcome, Task, one_line
from dashboard.results import analyse
from logger.errors import BadInput, RunUnreadable
from logger.recording.corrections import sidecar_path
from logger.recording.run import Run, open_run


def analyse_file(task: Task) -> Outcome:
    """Looks at a file, and analyses it unless its key is known.

    Never raises for what a file holds.
    """
    try:
        with place_of(task.runs).at_hand(task.path) as file:
            return _look(task, file)
    except RunUnreadable as exc:
        return _set_aside(task, exc, passing=_is_passing(exc))


def _look(task: Task, file: Path) -> Outcome:
    key: Key = ("", "")
    try:
        run = open_run(file)
        key = (run.header.sha256, _hash(sidecar_path(file)))
        if key in task.known:
            return Outcome(path=task.path, key=key, run_id=run.header.run_id)
        return _analysed(task, run, key)
    except RunUnreadable as exc:
        return _set_aside(task, exc, key=key, passing=_is_passing(exc))
    except Exception as exc:  # noqa: BLE001 - one file must not stop a job of a million
        return _set_aside(task, exc, key=key)


def _analysed(task: Task, run: Run, key: Key) -> Outcome:
    result = analyse(run, explain=False)
    header = run.header
    first_ns, last_ns = run.span_ns
    recorded = Recorded(
        path=task.path,
        corrections_sha256=key[1],
        build=header.test.truck.build,
        kit=header.rig.rig.id,
        started_utc=header.started_utc,
        duration_s=(last_ns - first_ns) * 1e-9,
        samples=sum(header.samples.values()),
    )
    return Outcome(
        path=task.path,
        key=key,
        run_id=header.run_id,
        run=run_row(result, recorded),
        sectors=tuple(sector_rows(result, recorded)),
    )


def _set_aside(
    task: Task, exc: Exception, *, key: Key = ("", ""), passing: bool = False
) -> Outcome:
    if isinstance(exc, BadInput):
        reason = f"{exc.what}; {exc.would_do}" if exc.would_do else exc.what
    else:
        reason = f"can't be analysed ({type(exc).__name__}: {exc})"
    return Outcome(path=task.path, key=key, reason=one_line(reason), passing=passing)


def _is_passing(exc: RunUnreadable) -> bool:
    """Whether the system refused the file, which it may not do the next time."""
    cause = exc.__cause__
    return isinstance(cause, OSError) and cause.errno is not None


def _hash(sidecar: Path) -> str:
    return hashlib.sha256(sidecar.read_bytes()).hexdigest() if sidecar.exists() else ""
