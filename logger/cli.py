"""The commands beside the truck: record, recover, import, verify."""

from __future__ import annotations

import json
import signal
import sys
import threading
from pathlib import Path
from types import FrameType
from typing import Annotated, Any, Self

import typer

from logger.errors import BadInput, FileInvalid
from logger.readings.quantity import Kind, parse_quantity
from logger.readings.rig_file import RigFile, read_rig
from logger.readings.test_file import TestFile, read_test
from logger.software import software_name

LARGEST_TOML_BYTES = 1_000_000

RigOption = Annotated[Path, typer.Option("--rig", help="What is wired to what (rig.toml).")]
TestOption = Annotated[Path, typer.Option("--test", help="What is tested (test.toml).")]
JsonOption = Annotated[bool, typer.Option("--json", help="JSON on standard output.")]


def add_commands(app: typer.Typer) -> None:
    """Adds this module's commands to a command line."""
    app.command("record")(record_command)
    app.command("recover")(recover_command)
    app.command("import")(import_command)
    app.command("verify")(verify_command)


def read_text(path: Path) -> str:
    """The text of a file that a person wrote.

    Raises:
        FileInvalid: where it is missing, no text, or far too large.
    """
    try:
        if path.is_file() and path.stat().st_size > LARGEST_TOML_BYTES:
            raise FileInvalid(
                where=str(path),
                what="is far too large for such a file",
                would_do="name a TOML file",
            )
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as exc:
        raise FileInvalid(
            where=str(path), what="there is no such file", would_do="check the name"
        ) from exc
    except UnicodeDecodeError as exc:
        raise FileInvalid(
            where=str(path), what="is no text", would_do="name a TOML file in UTF-8"
        ) from exc
    except OSError as exc:
        raise FileInvalid(where=str(path), what=f"can't be read ({exc.strerror})") from exc


def read_rig_file(path: Path) -> tuple[RigFile, str]:
    """A rig file, parsed and verbatim."""
    text = read_text(path)
    return read_rig(text, name=str(path)), text


def read_test_file(path: Path) -> tuple[TestFile, str]:
    """A test file, parsed and verbatim."""
    text = read_text(path)
    return read_test(text, name=str(path)), text


def read_option(text: str, kind: Kind, *, option: str) -> float:
    """A quantity given as an option, SI.

    Raises:
        BadInput: naming the option.
    """
    try:
        return parse_quantity(text, kind)
    except ValueError as exc:
        raise BadInput(where=option, what=f"{text!r} won't do", would_do=str(exc)) from exc


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


def recover_command(
    journal: Annotated[Path, typer.Argument(help="The .journal file of a killed recorder.")],
    *,
    as_json: JsonOption = False,
) -> None:
    """Seal what a killed recorder left. Run again it changes nothing.

    Example: slewtrace recover runs/demo-a-1-20260504T093000Z.journal
    """
    from logger.recording.sealing import recover  # noqa: PLC0415 - pulls in pyarrow

    done = recover(journal)
    if as_json:
        document = {
            "path": str(done.path),
            "run_id": done.run_id,
            "samples": done.samples,
            "already_sealed": done.already_sealed,
            "damage": done.damage,
        }
        typer.echo(json.dumps(document, ensure_ascii=False))
        return
    state = "was sealed already" if done.already_sealed else "sealed"
    typer.echo(f"{done.path}: {state}, {done.samples} samples")
    if done.damage:
        typer.echo(f"{journal}: damaged, kept up to there: {done.damage}", err=True)


def verify_command(
    run: Annotated[Path, typer.Argument(help="A sealed run (.parquet).")],
    *,
    as_json: JsonOption = False,
) -> None:
    """Prove that a sealed run is as it was sealed, bit for bit.

    Example: slewtrace verify runs/demo-a-1-20260504T093000Z.parquet
    """
    from logger.recording.run import open_run  # noqa: PLC0415 - pulls in pyarrow

    opened = open_run(run)
    opened.verify()
    samples = sum(opened.header.samples.values())
    if as_json:
        document = {
            "path": str(run),
            "run_id": opened.header.run_id,
            "samples": samples,
            "sha256": opened.header.sha256,
        }
        typer.echo(json.dumps(document, ensure_ascii=False))
        return
    typer.echo(f"{run}: as sealed, {samples} samples, SHA-256 {opened.header.sha256}")


def import_command(
    table: Annotated[Path, typer.Argument(help="CSV with the columns t_s,channel,value.")],
    rig: RigOption,
    test: TestOption,
    out: Annotated[Path, typer.Option("-o", "--out", help="The run to write (.parquet).")],
    start_utc: Annotated[
        str | None, typer.Option("--start-utc", help="UTC at t_s = 0, 2026-05-04T09:30:00Z.")
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Turn a table of raw readings into a sealed run.

    Example: slewtrace import readings.csv --rig rig.toml --test test.toml -o runs/a.parquet
    """
    from logger.recording.csv_import import import_csv  # noqa: PLC0415 - pulls in pyarrow

    _, rig_toml = read_rig_file(rig)
    _, test_toml = read_test_file(test)
    header = import_csv(
        table,
        rig_text=rig_toml,
        test_text=test_toml,
        run=out,
        software=software_name(),
        rig_name=str(rig),
        test_name=str(test),
        started_utc=start_utc,
    )
    samples = sum(header.samples.values())
    if as_json:
        document = {"path": str(out), "run_id": header.run_id, "samples": samples}
        typer.echo(json.dumps(document, ensure_ascii=False))
        return
    typer.echo(f"{out}: sealed, {samples} samples of {len(header.samples)} channels")
