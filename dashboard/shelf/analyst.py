"""Who analyses runs for the pages: this process the usual ones, one of their own the large ones.

Python lets one thread at a time compute, so while a run of an hour at 10 kHz is analysed, every
page that is opened would wait again and again. A large run is therefore analysed by a process that
lets all others go first; small ones are done before such a process would have begun.

    python -P -m dashboard.shelf.analyst RUN    # what that process runs: prints the result as JSON
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from logger.errors import RunUnreadable
from logger.operating_system import start_behind
from logger.recording.run import Run, open_run

LARGE = 4_000_000
"""Samples of a run from which on it has a process of its own."""


class Analyst:
    """Computes results of runs. Safe to use from several threads.

    Args:
        large: samples of a run from which on it has a process of its own.
    """

    def __init__(self, *, large: int = LARGE) -> None:
        self._large = large
        self._started: set[subprocess.Popen[bytes]] = set()
        self._closed = False

    def __call__(self, run: Run) -> dict[str, Any]:
        """The result of a run.

        Raises:
            RunUnreadable: where the samples are damaged, or its process was ended.
        """
        if run.sample_count < self._large:
            return _analysed(run)
        # -P: what lies in the folder that the dashboard was started in is no part of the program.
        started = start_behind([sys.executable, "-P", "-m", __name__, str(run.path)])
        self._started.add(started)
        try:
            if self._closed:
                started.kill()
            told, complaint = started.communicate()
        finally:
            self._started.discard(started)
        return _read(run, told, started.returncode, complaint)

    def close(self) -> None:
        """Ends what is still being analysed."""
        self._closed = True
        for started in tuple(self._started):
            started.kill()


def _read(run: Run, told: bytes, code: int, complaint: bytes) -> dict[str, Any]:
    if code:
        last = complaint.decode(errors="replace").strip().splitlines()[-1:]
        raise RunUnreadable(
            where=str(run.path),
            what=f"its analysis ended early, with {code} {' '.join(last)}".rstrip(),
            would_do="see whether the computer is out of memory, and start the dashboard again",
        )
    document: dict[str, Any] = json.loads(told)
    if refused := document.get("refused"):
        raise RunUnreadable(**refused)
    return document


def _analysed(run: Run) -> dict[str, Any]:
    from dashboard.results import analyse  # noqa: PLC0415 - a second that a server's start need not

    return analyse(run)


def main() -> None:
    """Prints the result of the run that the command line names, or why there is none, as JSON."""
    try:
        told = _analysed(open_run(Path(sys.argv[1])))
    except RunUnreadable as exc:
        told = {"refused": {"where": exc.where, "what": exc.what, "would_do": exc.would_do}}
    json.dump(told, sys.stdout)


if __name__ == "__main__":
    main()
