"""The command line from its first word to its exit code: one line for every mistake."""

from __future__ import annotations

import typer

from dashboard.cli import INTERRUPTED
from dashboard.cli.commands import app
from dashboard.cli.standard_output import output_fails_in_words, warnings_never_fail
from logger.errors import ReaderGone, SlewtraceError
from logger.operating_system import speak_every_sign

MISTAKE = 2
READER_GONE = 141
"""What shells give for a program that a closed pipe ended: 128 + SIGPIPE.

1 would say that a test proved nothing, and 2 that somebody made a mistake.
"""


def run() -> None:
    """Runs the command that the program's words name.

    Raises:
        SystemExit: with the exit code.
    """
    try:
        speak_every_sign()
        with warnings_never_fail():
            _run()
    except KeyboardInterrupt:
        raise SystemExit(INTERRUPTED) from None


def _run() -> None:
    try:
        with output_fails_in_words():
            app()
    except ReaderGone as exc:
        raise SystemExit(READER_GONE) from exc
    except SlewtraceError as exc:
        typer.echo(f"slewtrace: {exc}", err=True)
        raise SystemExit(MISTAKE) from exc
