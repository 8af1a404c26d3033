"""The command ``record``."""

from __future__ import annotations

import signal
import sys
import threading
from collections import deque
from pathlib import Path
from types import FrameType
from typing import Annotated

import typer

from logger.cli.chart_file import chart_text_of
from logger.cli.options import (
    FASTEST,
    SLOWEST,
    JsonOption,
    RigOption,
    TestOption,
    read_option,
    read_rig_file,
    read_test_file,
)
from logger.errors import BadInput
from logger.operating_system import ending_signals
from logger.readings.quantity import Kind
from logger.recording.header import Note


def record_command(
    rig: RigOption,
    test: TestOption,
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the run.")],
    for_: Annotated[
        str | None, typer.Option("--for", help='End after this long, such as "90 s".')
    ] = None,
    *,
    played_speed: Annotated[
        float,
        typer.Option(
            "--played-speed",
            help="Only for a run that `play` sends at this speed: the run's clock goes as fast.",
        ),
    ] = 1.0,
    as_json: JsonOption = False,
) -> None:
    """Record a test until Ctrl-C (or --for), then seal the run.

    Example: slewtrace record --rig rig.toml --test test.toml -o runs
    """
    from logger.live.check.report import read_report  # noqa: PLC0415 - pulls in drivers
    from logger.live.record import record, run_clock  # noqa: PLC0415 - as above
    from logger.live.terminal import listener_for  # noqa: PLC0415 - as above

    rig_file, rig_toml = read_rig_file(rig)
    test_file, test_toml = read_test_file(test)
    load_chart_csv = chart_text_of(test_file, test)
    duration_s = None if for_ is None else read_option(for_, Kind.TIME, option="--for")
    if duration_s is not None and not duration_s > 0:
        raise BadInput(where="--for", what=f"{for_!r} is no time to record")
    if not SLOWEST <= played_speed <= FASTEST:
        raise BadInput(
            where="--played-speed",
            what=f"{played_speed:g} won't do",
            would_do="give the speed that `slewtrace play` says, or leave it out",
        )
    stop = threading.Event()
    _stop_on_signals(stop)
    _stop_after(duration_s, stop)
    # An alarm must not wait the usual 5 ms for another thread's turn to end.
    sys.setswitchinterval(0.001)
    clock, notes = run_clock(rate=played_speed), deque[Note]()
    listener, show = listener_for(rig_file, test_file, clock=clock, notes=notes, as_json=as_json)
    try:
        sealed = record(
            rig_file,
            test_file,
            rig_toml,
            test_toml,
            out,
            clock=clock,
            clock_rate=played_speed,
            stop=stop,
            on_event=listener.offer,
            check=read_report(rig, rig_toml),
            load_chart_csv=load_chart_csv,
            notes=notes,
            on_snapshot=show,
        )
    finally:
        listener.close()
    if not as_json:
        typer.echo(sealed)


def _stop_on_signals(stop: threading.Event) -> None:
    def end(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    for number in ending_signals():
        # A terminal that is closed ends the run in good order; with nohup it goes on.
        if number.name != "SIGHUP" or signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, end)


def _stop_after(duration_s: float | None, stop: threading.Event) -> None:
    if duration_s is not None:
        timer = threading.Timer(duration_s, stop.set)
        timer.daemon = True
        timer.start()
