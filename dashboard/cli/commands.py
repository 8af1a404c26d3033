"""All commands of ``slewtrace``."""

from __future__ import annotations

from typing import Annotated

import typer

from dashboard.cli.analyze import analyze_command
from dashboard.cli.compare import compare_command
from dashboard.cli.export import export_command
from dashboard.cli.fleet import fleet_command
from dashboard.cli.model import model_command
from dashboard.cli.password import password_command
from dashboard.cli.plain_help import PlainHelp
from dashboard.cli.plan import plan_command
from dashboard.cli.sheet import sheet_command
from dashboard.cli.show import demo_command, serve_command
from logger.cli import add_commands
from logger.software import software_name

app = typer.Typer(
    name="slewtrace",
    cls=PlainHelp,
    help="From wires to capacity sectors: the stability test of a truck-mounted crane. "
    "An advisory instrument: no safety function. It replaces neither the competent person, "
    "the maker's manual nor the local code.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
add_commands(app)
app.command("plan")(plan_command)
app.command("model")(model_command)
app.command("analyze")(analyze_command)
app.command("compare")(compare_command)
app.command("export")(export_command)
app.command("sheet")(sheet_command)
app.command("fleet")(fleet_command)
app.command("serve")(serve_command)
app.command("password")(password_command)
app.command("demo")(demo_command)


@app.callback(invoke_without_command=True)
def _top(
    *, version: Annotated[bool, typer.Option("--version", help="Show the version.")] = False
) -> None:
    if version:
        typer.echo(software_name())
        raise typer.Exit
