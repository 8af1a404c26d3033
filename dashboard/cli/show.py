"""``slewtrace serve`` and ``slewtrace demo``: what opens the browser."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

import typer

from dashboard.cli.analyze import analyze_command
from logger.cli.options import JsonOption, read_option
from logger.errors import BadInput
from logger.readings.quantity import Kind

PortOption = Annotated[
    int | None, typer.Option("--port", min=0, max=65535, help="Port; the usual one by default.")
]


def serve_command(
    folder: Annotated[Path, typer.Argument(help="Folder of runs.")],
    port: PortOption = None,
    *,
    no_open: Annotated[bool, typer.Option("--no-open", help="Open no browser.")] = False,
) -> None:
    """Show the runs of a folder in the browser, on this machine only.

    Example: slewtrace serve runs
    """
    from dashboard.serving import serve  # noqa: PLC0415 - pulls in Dash

    if not folder.is_dir():
        raise BadInput(where=str(folder), what="there is no such folder", would_do="name one")
    serve(folder, port=port, open_browser=not no_open)


def demo_command(
    for_: Annotated[
        str | None, typer.Option("--for", help='Most wall time for the test, such as "20 s".')
    ] = None,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="Folder for the run; a new one by default.")
    ] = None,
    scenario: Annotated[
        str, typer.Option("--scenario", help="steady, one-side or both-sides.")
    ] = "both-sides",
    port: PortOption = None,
    *,
    no_open: Annotated[
        bool, typer.Option("--no-open", help="End after the result; open no dashboard.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Test a simulated truck through a real serial line and a real broker.

    Recorded by the ordinary recorder, analysed, and opened in the dashboard.

    Example: slewtrace demo
    """
    from dashboard.demo.show import show_demo  # noqa: PLC0415 - pulls in everything

    for_s = None if for_ is None else read_option(for_, Kind.TIME, option="--for")
    folder = Path(tempfile.mkdtemp(prefix="slewtrace-demo-")) if out is None else out
    run = show_demo(folder, scenario=scenario, for_s=for_s)
    analyze_command(run, as_json=as_json)
    if not no_open:
        serve_command(folder, port=port, no_open=False)
