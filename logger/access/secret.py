"""A secret comes from the environment, or from a file that only its owner may read.

Never from a rig file, which is kept word for word in every recording, and never from the command
line, which every user of the machine may list. A file that others may read is refused with the
one line that mends it. Errors name the variable or the file, never what stands in it.
"""

from __future__ import annotations

import os
import secrets
import stat
import sys
from collections.abc import Mapping
from pathlib import Path

from logger.access.private_file import KNOWS_MODES, NOT_CHECKED
from logger.errors import BadInput

LONGEST_BYTES = 4096
_GENERATED_BYTES = 24
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


def generate_secret() -> str:
    """A new password of 192 random bits in 32 letters, digits, ``-`` and ``_``."""
    return secrets.token_urlsafe(_GENERATED_BYTES)


def secret_from(
    *,
    variable: str | None = None,
    file: str | Path | None = None,
    environment: Mapping[str, str],
    where: str,
) -> str | None:
    """The secret that a variable or a file holds, or None where neither is named.

    Args:
        variable: name of the environment variable, or None.
        file: the file, or None.
        environment: the variables.
        where: what to name in an error, such as ``source 'mast'``.

    Raises:
        BadInput: where both are named, the variable is missing or empty, or the file can't be
            used.
    """
    if variable is not None and file is not None:
        raise BadInput(
            where=where,
            what=f"names its secret twice, by variable {variable!r} and file {str(file)!r}",
            would_do="keep one of the two",
        )
    if variable is not None:
        return secret_in_environment(variable, environment, where=where)
    return None if file is None else secret_in_file(file, where=where)


def secret_in_environment(name: str, environment: Mapping[str, str], *, where: str) -> str:
    """A secret from an environment variable.

    Raises:
        BadInput: where the variable is not set, or empty.
    """
    found = environment.get(name)
    if found:
        return found
    state = "has no variable" if found is None else "has an empty variable"
    raise BadInput(
        where=where,
        what=f"the environment {state} {name!r}",
        would_do=f"set it before the start: export {name}=…",
    )


def secret_in_file(file: str | Path, *, where: str) -> str:
    """A secret from the first line of a file that only its owner may read.

    Owner and mode are those of the opened file, so nobody can exchange it in between. Where the
    system knows no modes they are not checked: see :func:`unchecked`.

    Args:
        file: the file; ``~`` is the home folder.
        where: what to name in an error.

    Raises:
        BadInput: in one line with what mends it.
    """
    path = Path(file).expanduser()
    try:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
        try:
            _check(os.fstat(descriptor), path, where=where)
            content = os.read(descriptor, LONGEST_BYTES + 1)
        finally:
            os.close(descriptor)
    except FileNotFoundError as exc:
        raise BadInput(
            where=where,
            what=f"there is no secret file {path}",
            would_do="mend its name, or make it",
        ) from exc
    except OSError as exc:
        raise BadInput(
            where=where,
            what=f"the secret file {path} can't be read ({exc.strerror or exc})",
            would_do="give a file that belongs to the user who starts this",
        ) from exc
    return _first_line(content, path, where=where)


def unchecked() -> str | None:
    """What is not checked of a secret's file on this system, in words; None where all is."""
    return None if KNOWS_MODES else NOT_CHECKED


def _check(found: os.stat_result, path: Path, *, where: str) -> None:
    if not stat.S_ISREG(found.st_mode):
        raise BadInput(
            where=where, what=f"{path} is no file", would_do="name a file with the secret in it"
        )
    if not KNOWS_MODES or sys.platform == "win32":
        return
    if found.st_mode & _OTHERS:
        raise BadInput(
            where=where,
            what=f"others may read or write the secret file {path} "
            f"(mode {stat.S_IMODE(found.st_mode):04o})",
            would_do=f"run: chmod 600 {path}",
        )
    if found.st_uid not in (os.geteuid(), 0):
        raise BadInput(
            where=where,
            what=f"the secret file {path} belongs to another user (number {found.st_uid})",
            would_do=f"run: sudo chown {os.geteuid()} {path}",
        )


def _first_line(content: bytes, path: Path, *, where: str) -> str:
    try:
        lines = content.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError as exc:
        raise BadInput(
            where=where, what=f"the secret file {path} is no text", would_do="write it in UTF-8"
        ) from exc
    if len(content) > LONGEST_BYTES or any(line.strip() for line in lines[1:]):
        raise BadInput(
            where=where,
            what=f"the secret file {path} holds more than one line",
            would_do="write the secret alone into it, on its first line",
        )
    if not lines or not lines[0].strip():
        raise BadInput(
            where=where,
            what=f"the secret file {path} is empty",
            would_do="write the secret into its first line",
        )
    return lines[0]
