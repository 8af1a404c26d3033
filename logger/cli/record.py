"""The command ``record``."""

from __future__ import annotations

import json
import signal
import sys
import threading
from pathlib import Path
from types import FrameType
from typing import Annotated, Any, Self

import typer

from logger.cli.options import (
    JsonOption,
    RigOption,
    TestOption,
    read_option,
    read_rig_file,
    read_test_file,
)
from logger.errors import BadInput
from logger.readings.quantity import Kind
from logger.readings.test_file import TestFile


def record_command(
    rig: RigOption,
    test: TestOption,
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the run.")],
    for_: Annotated[
        str | None, typer.Option("--for", help='End after this long, such as "90 s".')
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Record a test until Ctrl-C (or --for), then seal the run.

    Example: slewtrace record --rig rig.toml --test test.toml -o runs
    """
    from logger.live.record import record, run_clock  # noqa: PLC0415 - pulls in drivers

    rig_file, rig_toml = read_rig_file(rig)
    test_file, test_toml = read_test_file(test)
    duration_s = None if for_ is None else read_option(for_, Kind.TIME, option="--for")
    if duration_s is not None and not duration_s > 0:
        raise BadInput(where="--for", what=f"{for_!r} is no time to record")
    stop = threading.Event()
    _stop_on_signals(stop)
    if duration_s is not None:
        timer = threading.Timer(duration_s, stop.set)
        timer.daemon = True
        timer.start()
    show = _JsonLines() if as_json else _Terminal(test_file)
    with show:
        sealed = record(
            rig_file,
            test_file,
            rig_toml,
            test_toml,
            out,
            clock=run_clock(),
            stop=stop,
            on_event=show.take,
            on_tick=show.tick,
        )
    if not as_json:
        typer.echo(sealed)


def _stop_on_signals(stop: threading.Event) -> None:
    def end(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    signal.signal(signal.SIGINT, end)
    signal.signal(signal.SIGTERM, end)


class _JsonLines:
    """One JSON object a line, flushed as it happens."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None: ...

    def take(self, event: dict[str, Any]) -> None:
        sys.stdout.write(json.dumps(event, ensure_ascii=False) + "\n")
        sys.stdout.flush()

    def tick(self, _watch: object, _now_ns: int) -> None: ...


class _Terminal:
    """A live panel on a terminal; a line an event elsewhere. All on standard error."""

    def __init__(self, test: TestFile) -> None:
        from rich.console import Console  # noqa: PLC0415 - only where it is shown
        from rich.live import Live  # noqa: PLC0415

        from logger.live.panel import RecordPanel  # noqa: PLC0415

        self._panel = RecordPanel(test)
        self._console = Console(stderr=True)
        self._live = Live(console=self._console, auto_refresh=False, screen=False)

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    def take(self, event: dict[str, Any]) -> None:
        from logger.live.panel import describe  # noqa: PLC0415

        self._panel.take(event)
        if event["event"] == "wheel_lift" and event["state"] == "confirmed":
            self._console.bell()
        if not self._console.is_terminal:
            self._console.print(describe(event), soft_wrap=True)

    def tick(self, watch: Any, now_ns: int) -> None:
        if self._console.is_terminal:
            self._live.update(self._panel.draw(watch, now_ns), refresh=True)
