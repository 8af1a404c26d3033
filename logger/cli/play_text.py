"""What `play` says: what goes where, how far it is, and how it ended."""

from __future__ import annotations

import math
import shlex
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from logger.live.play.frames import Stretch
    from logger.live.play.playing import OnProgress, Playing
    from logger.live.play.sent import Sent
    from logger.recording.run import Run

LATE_S = 0.1
"""A sender that was later than this says so."""


def say_start(
    run: Run, playing: Playing, stretch: Stretch, *, speed: float, bench: Path | None
) -> None:
    """What goes where, what does not, and how to record it."""
    length_s = (stretch.end_ns - stretch.start_ns) / 1e9
    say(
        f"{run.header.run_id}: {length_s:.1f} s of the run at {speed:g} × "
        f"in {length_s / speed:.1f} s"
    )
    for sent in playing.sent:
        say(f"  {sent.source}: {sent.form} to {sent.to}, {_TIMES[sent.times]}")
    for source, filled in playing.filled.items():
        for name, text in filled.items():
            say(f"  {source}: group {name!r} was not recorded and is sent as {text!r}")
    if run.notes:
        say(f"  not sent: {len(run.notes)} notes, which were made at the recorder")
    if bench is not None:
        words = ["slewtrace", "record", "--rig", str(bench / "rig.toml")]
        words += ["--test", str(bench / "test.toml"), "-o", "runs"]
        words += ["--played-speed", f"{speed:g}"] if speed != 1 else []
        say(f"  record it with: {shlex.join(words)}")
    elif speed != 1:
        say(
            f"  its devices' clocks go {speed:g} times as fast as this room's: "
            f"record with --played-speed {speed:g}"
        )


_TIMES = {
    "uptime": "times by the device's uptime",
    "absolute": "times in UTC, moved to now",
    "arrival": "times by arrival, as good as this computer's pace",
}


def say_end(sent: Sequence[Sent], *, complete: bool, shown: bool) -> None:
    """What was sent, on standard output where ``shown``; and what went wrong with it."""
    for one in sent:
        if shown:
            left_out = f", {one.left_out} packs left out as then" if one.left_out else ""
            typer.echo(f"{one.source}: {one.frames} {one.form}, {one.readings} readings{left_out}")
        if one.late_s > LATE_S:
            say(f"{one.source}: at worst {one.late_s:.2f} s late; a slower --speed would fit")
        if one.refused:
            say(f"{one.source}: {one.refused} {one.form} that nobody took from {one.to}")
    if not complete:
        say("ended before the run's end")


@contextmanager
def progress(stretch: Stretch) -> Iterator[OnProgress]:
    """A bar in a terminal, else a line for each tenth."""
    from rich.console import Console  # noqa: PLC0415 - only a playing needs it
    from rich.progress import BarColumn, Progress, TextColumn  # noqa: PLC0415

    length_s = (stretch.end_ns - stretch.start_ns) / 1e9
    if not sys.stderr.isatty():
        yield _Tenths(stretch)
        return
    columns = (BarColumn(), TextColumn("{task.completed:.1f} of {task.total:.1f} s"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=length_s)
        yield lambda now_ns: bar.update(task, completed=(now_ns - stretch.start_ns) / 1e9)


class _Tenths:
    """Says how far it is at each tenth."""

    def __init__(self, stretch: Stretch) -> None:
        self._stretch = stretch
        self._told = 0

    def __call__(self, now_ns: int) -> None:
        length_ns = self._stretch.end_ns - self._stretch.start_ns
        tenth = min(10, math.floor(10 * (now_ns - self._stretch.start_ns) / length_ns))
        if tenth > self._told:
            self._told = tenth
            say(f"{10 * tenth} %")


def say(text: str) -> None:
    """A line on standard error."""
    typer.echo(text, err=True)
