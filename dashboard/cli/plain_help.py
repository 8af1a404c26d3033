"""Help texts as they are written: ``[record]`` is a table of a file, and no order for colours."""

from __future__ import annotations

from typing import Any

from rich.markup import escape
from typer.core import TyperGroup


class PlainHelp(TyperGroup):
    """All commands, with the texts of their help as nothing but text."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        _as_written(self)


def _as_written(command: Any) -> None:
    """Makes plain text of a command's help, of its options' and of all below it."""
    for told in (command, *command.params):
        if told.help:
            told.help = escape(told.help)
    for below in getattr(command, "commands", {}).values():
        _as_written(below)
