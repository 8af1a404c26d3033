"""The demo as a command shows it: progress on standard error, the sealed run as the answer."""

from __future__ import annotations

import signal
import threading
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from dashboard.demo.demo import run_demo
from dashboard.demo.scenario import SCENARIOS
from logger.errors import BadInput


def show_demo(folder: Path, *, scenario: str, for_s: float | None) -> Path:
    """Runs the demo with a progress bar.

    Args:
        folder: where the run goes.
        scenario: which of the demo's tests.
        for_s: most wall time for the test, s.

    Returns:
        The sealed run.

    Raises:
        BadInput: for an unknown scenario or a time that is not above zero.
    """
    if scenario not in SCENARIOS:
        raise BadInput(
            where="--scenario",
            what=f"{scenario!r} won't do",
            would_do=f"one of {', '.join(SCENARIOS)}",
        )
    if for_s is not None and not for_s > 0:
        raise BadInput(where="--for", what=f"{for_s:g} s is no time for a test")
    stop = threading.Event()
    console = Console(stderr=True)
    console.print(
        "A simulated truck is tested in accelerated time, through a real serial line and broker.\n"
        "Ctrl-C ends the test early and seals what was recorded.",
        soft_wrap=True,
    )
    columns = (TextColumn("{task.description:28}"), BarColumn(), TimeElapsedColumn())
    before = signal.signal(signal.SIGINT, lambda _number, _frame: stop.set())
    try:
        with Progress(*columns, console=console) as bar:
            task = bar.add_task("starting", total=1.0)
            done = run_demo(
                folder,
                scenario=scenario,
                for_s=for_s,
                stop=stop,
                progress=lambda share, what: bar.update(task, completed=share, description=what),
            )
    finally:
        signal.signal(signal.SIGINT, before)
    console.print(f"Sealed {done.run_path}", soft_wrap=True)
    return done.run_path
