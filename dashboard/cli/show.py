"""``slewtrace serve`` and ``slewtrace demo``: what opens the browser."""

from __future__ import annotations

import os
import socket
import tempfile
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.cli.analyze import analyze_command
from logger.cli.options import JsonOption, read_option
from logger.errors import BadInput
from logger.readings.quantity import Kind

if TYPE_CHECKING:
    from dashboard.access.opening import Asked, Opening

PortOption = Annotated[
    int | None, typer.Option("--port", min=0, max=65535, help="Port; the usual one by default.")
]


_BEYOND = "From another screen"


def serve_command(
    folder: Annotated[Path, typer.Argument(help="Folder of runs.")],
    port: PortOption = None,
    *,
    no_open: Annotated[bool, typer.Option("--no-open", help="Open no browser.")] = False,
    listen: Annotated[
        str | None,
        typer.Option(
            "--listen",
            metavar="ADDRESS[:PORT]",
            help="Let other machines in, who sign in first.",
            rich_help_panel=_BEYOND,
        ),
    ] = None,
    own_certificate: Annotated[
        Path | None,
        typer.Option(
            "--own-certificate",
            metavar="FOLDER",
            help="Make a certificate, signed by an authority kept in this folder.",
            rich_help_panel=_BEYOND,
        ),
    ] = None,
    certificate: Annotated[
        Path | None,
        typer.Option("--certificate", help="A certificate, PEM.", rich_help_panel=_BEYOND),
    ] = None,
    key: Annotated[
        Path | None, typer.Option("--key", help="Its key, PEM.", rich_help_panel=_BEYOND)
    ] = None,
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name",
            metavar="HOST",
            help="A further name by which it is reached.",
            rich_help_panel=_BEYOND,
        ),
    ] = None,
    behind: Annotated[
        str | None,
        typer.Option(
            "--behind",
            metavar="https://NAME",
            help="What people type to reach a reverse proxy that has TLS.",
            rich_help_panel=_BEYOND,
        ),
    ] = None,
    proxy: Annotated[
        str | None,
        typer.Option(
            "--proxy",
            metavar="ADDRESS",
            help="The address from which that proxy asks; 127.0.0.1 by default.",
            rich_help_panel=_BEYOND,
        ),
    ] = None,
    engineer_password_file: Annotated[
        Path | None,
        typer.Option(
            "--engineer-password-file",
            metavar="FILE",
            help="The password of who may do everything, or SLEWTRACE_ENGINEER_PASSWORD.",
            rich_help_panel=_BEYOND,
        ),
    ] = None,
    witness_password_file: Annotated[
        Path | None,
        typer.Option(
            "--witness-password-file",
            metavar="FILE",
            help="The password of who may see everything, or SLEWTRACE_WITNESS_PASSWORD.",
            rich_help_panel=_BEYOND,
        ),
    ] = None,
) -> None:
    """Show the runs of a folder in the browser: on this machine only, unless told otherwise.

    Example: slewtrace serve runs

    To a tablet beside the truck: slewtrace password engineer.secret, slewtrace password
    witness.secret, then slewtrace serve runs --listen 192.168.4.20 --own-certificate access
    --engineer-password-file engineer.secret --witness-password-file witness.secret
    """
    from dashboard.serving import serve  # noqa: PLC0415 - pulls in Dash

    if not folder.is_dir():
        raise BadInput(where=str(folder), what="there is no such folder", would_do="name one")
    further = {
        "--own-certificate": own_certificate,
        "--certificate": certificate,
        "--key": key,
        "--name": name,
        "--behind": behind,
        "--proxy": proxy,
        "--engineer-password-file": engineer_password_file,
        "--witness-password-file": witness_password_file,
    }
    if listen is None:
        _refuse_without_listen(further)
        serve(folder, port=port, open_browser=not no_open)
        return
    if port is not None:
        raise BadInput(
            where="--port",
            what="stands beside --listen",
            would_do=f"write the port there: --listen ADDRESS:{port}",
        )
    from dashboard.access.opening import Asked  # noqa: PLC0415 - only where others come in
    from dashboard.access.visit import Role  # noqa: PLC0415

    asked = Asked(
        listen=listen,
        certificate=certificate,
        key=key,
        own_certificate=own_certificate,
        names=tuple(name or ()),
        behind=behind,
        proxy=proxy,
        password_files={
            Role.ENGINEER: engineer_password_file,
            Role.WITNESS: witness_password_file,
        },
    )
    serve(folder, open_browser=not no_open, opening=_opening(asked))


def _refuse_without_listen(further: Mapping[str, object]) -> None:
    given = [option for option, value in further.items() if value]
    if given:
        raise BadInput(
            where=given[0],
            what="is for a dashboard that others reach, and no address is named",
            would_do="add --listen ADDRESS",
        )


def _opening(asked: Asked) -> Opening:
    """How the dashboard is opened; what this starts later does not inherit the passwords."""
    from dashboard.access.opening import VARIABLES, read_opening  # noqa: PLC0415

    opening = read_opening(
        asked, os.environ, host_name=socket.gethostname(), now_utc=datetime.now(UTC)
    )
    for variable in VARIABLES.values():
        os.environ.pop(variable, None)
    return opening


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
