"""Options and files that several commands take."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logger.errors import BadInput, FileInvalid
from logger.readings.quantity import Kind, parse_quantity
from logger.readings.rig_file import RigFile, read_rig
from logger.readings.test_file import TestFile, read_test

LARGEST_TOML_BYTES = 1_000_000
SLOWEST, FASTEST = 0.1, 1000.0
"""Speeds at which a run is played, seconds of the run in a second of wall time."""

RigOption = Annotated[Path, typer.Option("--rig", help="What is wired to what (rig.toml).")]
TestOption = Annotated[Path, typer.Option("--test", help="What is tested (test.toml).")]
JsonOption = Annotated[bool, typer.Option("--json", help="JSON on standard output.")]


def read_text(path: Path, *, wanted: str = "a TOML file") -> str:
    """The text of a file that a person wrote.

    Args:
        path: the file.
        wanted: what it should be, for errors.

    Raises:
        FileInvalid: where it is missing, no text, or far too large.
    """
    try:
        if path.is_file() and path.stat().st_size > LARGEST_TOML_BYTES:
            raise FileInvalid(
                where=str(path),
                what="is far too large for such a file",
                would_do=f"name {wanted}",
            )
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as exc:
        raise FileInvalid(
            where=str(path), what="there is no such file", would_do="check the name"
        ) from exc
    except UnicodeDecodeError as exc:
        raise _no_utf8(path, exc, wanted=wanted) from exc
    except OSError as exc:
        raise FileInvalid(where=str(path), what=f"can't be read ({exc.strerror})") from exc


def _no_utf8(path: Path, exc: UnicodeDecodeError, *, wanted: str) -> FileInvalid:
    if b"\0" in exc.object:
        return FileInvalid(where=str(path), what="is no text", would_do=f"name {wanted} in UTF-8")
    line = exc.object.count(b"\n", 0, exc.start) + 1
    return FileInvalid(
        where=f"{path}, line {line}",
        what=f"holds a sign that is not in UTF-8 (byte 0x{exc.object[exc.start]:02X})",
        would_do="save the file in UTF-8",
    )


def write_text(path: Path, text: str, *, option: str) -> None:
    """Writes a file that an option asks for.

    Raises:
        BadInput: where it can't be written.
    """
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as exc:
        raise BadInput(
            where=f"{option} {path}",
            what=f"can't be written ({exc.strerror})",
            would_do="name a file in a folder that you may write to",
        ) from exc


def check_svg(path: Path, *, option: str) -> None:
    """Refuses a figure's name that would be taken for another kind of file.

    Raises:
        BadInput: where it does not end in .svg.
    """
    if path.suffix.lower() != ".svg":
        raise BadInput(
            where=option, what=f"{str(path)!r} won't do", would_do="a name that ends in .svg"
        )


def read_rig_file(path: Path) -> tuple[RigFile, str]:
    """A rig file, parsed and verbatim."""
    text = read_text(path)
    return read_rig(text, name=str(path)), text


def read_test_file(path: Path) -> tuple[TestFile, str]:
    """A test file, parsed and verbatim."""
    text = read_text(path)
    return read_test(text, name=str(path)), text


def read_option(text: str, kind: Kind, *, option: str, would_do: str = "") -> float:
    """A quantity given as an option, SI.

    Args:
        text: as it was given.
        kind: what it measures.
        option: its name.
        would_do: what would do, where an example of the kind alone would mislead.

    Raises:
        BadInput: naming the option.
    """
    try:
        return parse_quantity(text, kind)
    except ValueError as exc:
        raise BadInput(
            where=option, what=f"{text!r} won't do", would_do=would_do or str(exc)
        ) from exc
