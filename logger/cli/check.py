"""The command ``check``."""

from __future__ import annotations

import os
import shutil
import signal
import sys
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import IO, TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from logger.cli.options import (
    JsonOption,
    RigOption,
    read_option,
    read_rig_file,
    read_test_file,
)
from logger.errors import BadInput
from logger.operating_system import ending_signals
from logger.readings.quantity import Kind

if TYPE_CHECKING:
    from logger.live.check.checking import Listened
    from logger.live.check.findings import Finding

LISTEN_S = 5.0
LONGEST_S = 3600.0
NOT_PASSED = 1
INTERRUPTED = 130
"""What shells give for a program that Ctrl-C ended: 128 + SIGINT."""


def check_command(
    rig: RigOption,
    test: Annotated[
        Path | None, typer.Option("--test", help="What is to be tested (test.toml).")
    ] = None,
    for_: Annotated[
        str | None, typer.Option("--for", help='Listen this long, such as "10 s".')
    ] = None,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="The report; beside the rig file by default.")
    ] = None,
    broker: Annotated[
        Path | None,
        typer.Option("--broker", help="Folder that `broker` made: try each of its logins."),
    ] = None,
    *,
    guided: Annotated[
        bool | None,
        typer.Option("--guided/--no-guided", help="Guided steps; in a terminal by default."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """See that every sensor lives and tells the truth, before the crane moves.

    Listens to all sources, then leads through exercises by hand.

    Proves, line by line, what its broker refuses. Exit code 1 where the rig is not ready.

    Example: slewtrace check --rig rig.toml --test test.toml
    """
    listen_s = LISTEN_S if for_ is None else read_option(for_, Kind.TIME, option="--for")
    if not 0 < listen_s <= LONGEST_S:
        raise BadInput(
            where="--for", what=f"{for_!r} is no time to listen", would_do="give one up to 1 h"
        )
    try:
        with _ended_by_signals():
            is_ready = _check(
                rig,
                test,
                out,
                broker=broker,
                listen_s=listen_s,
                guided=os.isatty(0) if guided is None else guided,
                as_json=as_json,
            )
    except KeyboardInterrupt:
        typer.echo("\nslewtrace: check interrupted; no report was saved", err=True)
        raise typer.Exit(INTERRUPTED) from None
    if not is_ready:
        raise typer.Exit(NOT_PASSED)


def _check(
    rig: Path,
    test: Path | None,
    out: Path | None,
    *,
    broker: Path | None,
    listen_s: float,
    guided: bool,
    as_json: bool,
) -> bool:
    """Checks, saves, shows; whether the rig is ready."""
    from logger.live.check.checking import check  # noqa: PLC0415 - pulls in drivers
    from logger.live.check.guide import Answers  # noqa: PLC0415
    from logger.live.check.report import (  # noqa: PLC0415
        as_text,
        refuse_place,
        save_report,
        usual_path,
    )

    rig_file, rig_toml = read_rig_file(rig)
    test_file = None if test is None else read_test_file(test)[0]
    place = usual_path(rig) if out is None else out
    if broker is not None and not broker.is_dir():
        raise BadInput(
            where=f"--broker {broker}",
            what="is no folder",
            would_do="name the one that `slewtrace broker` made",
        )
    refuse_place(place)
    show = _Show(sys.stderr if as_json else sys.stdout, guided=guided)
    report, findings = check(
        rig_file,
        test_file,
        rig_toml,
        listen_s=listen_s,
        say=_say,
        answers=Answers(0) if guided else None,
        on_listened=show.listened,
        broker_folder=broker,
    )
    save_report(report, place)
    show.end(report, findings, place)
    if as_json:
        typer.echo(as_text(report))
    return str(report["verdict"]) != "not_ready"


class _Show:
    """What a person sees, in its order."""

    def __init__(self, file: IO[str], *, guided: bool) -> None:
        from logger.live.check.showing import paper_for  # noqa: PLC0415 - pulls in drivers

        self._paper = paper_for(file)
        self._guided = guided

    def listened(self, listened: Listened) -> None:
        """Tables of what came; before the steps also what was found so far."""
        from logger.live.check.showing import show_findings, show_listened  # noqa: PLC0415

        self._paper.line()
        show_listened(self._paper, listened.sources, listened.channels)
        self._paper.line()
        grave = [f for f in listened.findings if f.severity != "note"]
        if self._guided and grave:
            self._paper.line("So far:")
            show_findings(self._paper, grave)
            self._paper.line()

    def end(self, report: dict[str, Any], findings: list[Finding], place: Path) -> None:
        """Steps, findings and the verdict."""
        from logger.live.check.showing import (  # noqa: PLC0415
            show_end,
            show_findings,
            show_steps,
        )

        if self._guided:
            self._paper.line()
            show_steps(self._paper, report["steps"])
            self._paper.line()
        show_findings(self._paper, findings)
        self._paper.line()
        show_end(self._paper, findings, str(place))


def _say(text: str) -> None:
    """Progress and prompts go to standard error; after a prompt the cursor stays."""
    lines = text.split("\n")
    if sys.stderr.isatty():
        width = shutil.get_terminal_size().columns
        lines = [_wrapped(line, width) for line in lines]
    shown = "\n".join(lines)
    sys.stderr.write(shown if text.endswith("> ") else f"{shown}\n")
    sys.stderr.flush()


def _wrapped(line: str, width: int) -> str:
    """A line broken between words, its indent kept."""
    if len(line) <= width:
        return line
    indent = " " * (len(line) - len(line.lstrip()))
    kept = " " if line.endswith(" ") else ""
    return (
        textwrap.fill(line.strip(), width, initial_indent=indent, subsequent_indent=indent) + kept
    )


@contextmanager
def _ended_by_signals() -> Iterator[None]:
    """What ends a program from outside ends the check as Ctrl-C does: sources stopped first."""

    def end(_number: int, _frame: FrameType | None) -> NoReturn:
        raise KeyboardInterrupt

    ends = (number for number in ending_signals() if number != signal.SIGINT)
    before = {number: signal.signal(number, end) for number in ends}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
