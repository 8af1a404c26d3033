"""How far an export is, on standard error; an export that is done at once says nothing."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, Self

import typer

if TYPE_CHECKING:
    from rich.progress import Progress

QUIET_S = 2.0
"""How long an export may take before it tells how far it is."""


class ExportProgress:
    """A bar in a terminal, else a line for each tenth; a context that ends it.

    Args:
        quiet_s: how long nothing is told, s.
        clock_s: a clock that only goes forward, s.
    """

    def __init__(
        self, *, quiet_s: float = QUIET_S, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._lock = threading.Lock()
        self._clock_s = clock_s
        self._tells_from_s = clock_s() + quiet_s
        # What takes long in one step, as the analysis may, is told by a thread.
        self._timer = threading.Timer(quiet_s, self._tell)
        self._timer.daemon = True
        self._doing = ""
        self._tenth = 0
        self._told: tuple[str, int] | None = None
        self._ended = False
        self._bar: Progress | None = None

    def __enter__(self) -> Self:
        self._timer.start()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _exc: BaseException | None,
        _at: TracebackType | None,
    ) -> None:
        self._timer.cancel()
        with self._lock:
            self._ended = True
            if self._bar is not None:
                self._bar.stop()

    def doing(self, words: str) -> None:
        """What is done now, in a few words."""
        with self._lock:
            self._doing, self._tenth = words, 0
        self._tell()

    def share(self, share: float) -> None:
        """How much of it is done, 0 to 1."""
        with self._lock:
            self._tenth = min(10, int(10 * share))
            if self._bar is not None:
                self._bar.update(self._bar.task_ids[0], completed=share)
        self._tell()

    def _tell(self) -> None:
        with self._lock:
            state = self._doing, self._tenth
            if self._ended or state == self._told or self._clock_s() < self._tells_from_s:
                return
            self._told = state
            if sys.stderr is not None and sys.stderr.isatty():
                self._draw()
            else:
                share = f": {10 * self._tenth} %" if self._tenth else " …"
                typer.echo(f"{self._doing}{share}", err=True)

    def _draw(self) -> None:
        from rich.console import Console  # noqa: PLC0415 - only a long export needs it
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn  # noqa: PLC0415

        if self._bar is None:
            columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn())
            self._bar = Progress(*columns, console=Console(stderr=True), transient=True)
            self._bar.add_task("", total=1.0)
            self._bar.start()
        self._bar.update(self._bar.task_ids[0], description=self._doing, completed=self._tenth / 10)
