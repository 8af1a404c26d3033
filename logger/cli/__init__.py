"""The commands beside the truck, a module for each or for a few that belong together."""

from __future__ import annotations

import typer

from logger.cli.broker import broker_command
from logger.cli.calibrate import calibrate_app
from logger.cli.check import check_command
from logger.cli.note import NoteCommand, note_command
from logger.cli.play import play_command
from logger.cli.record import record_command
from logger.cli.runs import import_command, recover_command, verify_command


def add_commands(app: typer.Typer) -> None:
    """Adds this package's commands to a command line."""
    app.add_typer(calibrate_app, name="calibrate")
    app.command("broker")(broker_command)
    app.command("check")(check_command)
    app.command("record")(record_command)
    app.command("play")(play_command)
    app.command("note", cls=NoteCommand)(note_command)
    app.command("recover")(recover_command)
    app.command("import")(import_command)
    app.command("verify")(verify_command)
