"""``slewtrace password``: a password's hash in a file that only its owner may read."""

from __future__ import annotations

import getpass
import sys
from pathlib import Path
from typing import Annotated

import typer

from logger.access.private_file import OWNER_ONLY, refuse_taken, write_whole
from logger.access.secret import unchecked
from logger.errors import BadInput


def password_command(
    file: Annotated[Path, typer.Argument(help="File to make; it must not be there yet.")],
) -> None:
    """Make a file with the hash of a password, for ``serve --listen``.

    Asks for the password twice, or reads the first line of what is piped into it. The password
    itself is kept nowhere.

    Example: slewtrace password engineer.secret
    """
    from dashboard.access.accounts import hashed  # noqa: PLC0415 - only here

    refuse_taken(file)
    line = hashed(_asked(), where="the password")
    write_whole(file, f"{line}\n".encode(), mode=OWNER_ONLY)
    typer.echo(f"{file}: holds the password's hash, for its owner alone", err=True)
    if (words := unchecked()) is not None:
        typer.echo(words, err=True)


def _asked() -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("Password: ")
    if first != getpass.getpass("Once more: "):
        raise BadInput(where="the password", what="was typed in two ways", would_do="try again")
    return first
