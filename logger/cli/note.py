"""The command ``note``."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, TypeAlias

import typer
from typer.core import TyperCommand

from logger.cli.options import JsonOption, read_option
from logger.errors import BadInput
from logger.readings.quantity import Kind
from logger.recording.header import NoteKind

LONGEST_RADIUS_M = 200.0
LONGEST_TEXT = 2000

_Parts: TypeAlias = tuple[NoteKind, str, float | None]
_BELOW_ZERO = re.compile(r"[-−]\s*[\d.]")


class NoteCommand(TyperCommand):
    """The command, which knows a radius below zero from an option."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Takes the words apart; a radius below zero is refused as one."""
        for before, word in pairwise(args):
            if before == "radius" and _BELOW_ZERO.match(word):
                _radius_m(word)
        return super().parse_args(ctx, args)


def note_command(
    what: Annotated[
        list[str],
        typer.Argument(
            help='radius "3.49 m", text "…", mark, acknowledge; other words are a text.',
            show_default=False,
        ),
    ],
    run: Annotated[
        Path | None,
        typer.Option("--run", help="The run's journal or folder, where several are recorded."),
    ] = None,
    at: Annotated[
        str | None, typer.Option("--at", help='The moment it is of, such as "12.5 s" into the run.')
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Note something in the run that is being recorded: a tape radius, a text, a mark.

    A radius is what the tape read, load hanging. acknowledge tells the recorder that someone has
    seen the alarms that stand. The note is on the disk when this ends.

    Example: slewtrace note radius "3.49 m"
    """
    from logger.live.noting import take_note  # noqa: PLC0415 - pulls in the journal

    kind, text, value_m = note_of(what)
    if kind == "acknowledge" and at is not None:
        raise BadInput(where="--at", what="an acknowledgement is of now", would_do="leave it out")
    at_s = None if at is None else read_option(at, Kind.TIME, option="--at")
    noted = take_note(kind, text=text, value_m=value_m, run=run, at_s=at_s)
    t_s = noted.note.t_ns * 1e-9
    if as_json:
        document = {
            "run_id": noted.recording.run_id,
            "path": noted.recording.journal,
            "kind": kind,
            "t_s": round(t_s, 6),
            "text": text,
            "value_m": value_m,
        }
        typer.echo(json.dumps(document, ensure_ascii=False))
        return
    said = {
        "radius": f"radius {value_m or 0.0:.3f} m",
        "text": f"{text!r}",
        "mark": f"mark {text!r}" if text else "mark",
        "acknowledge": "standing alarms acknowledged",
    }[kind]
    typer.echo(f"noted: {said} at {t_s:.2f} s of {noted.recording.run_id}")


def note_of(words: list[str]) -> _Parts:
    """Kind, text and radius (m) of a note as it was typed.

    Raises:
        BadInput: in one line.
    """
    text = " ".join(" ".join(words[1:]).split())
    match words[0]:
        case "radius":
            return "radius", text, _radius_m(text)
        case "text":
            return "text", _checked(text), None
        case "mark":
            return "mark", _checked(text) if text else "", None
        case "acknowledge":
            return "acknowledge", _checked(text) if text else "", None
        case _:
            return "text", _checked(" ".join(" ".join(words).split())), None


def _radius_m(text: str) -> float:
    if not text:
        raise BadInput(
            where="note radius", what="has no reading", would_do='write it like radius "3.49 m"'
        )
    radius_m = read_option(text, Kind.LENGTH, option="note radius")
    if not 0 < radius_m <= LONGEST_RADIUS_M:
        raise BadInput(
            where="note radius",
            what=f"{text!r} is no crane's radius",
            would_do='write it like radius "3.49 m"',
        )
    return radius_m


def _checked(text: str) -> str:
    shown = "".join(c if c.isprintable() else "�" for c in text)
    if not shown:
        raise BadInput(where="note", what="has no words", would_do='write it like "wind picks up"')
    if len(shown) > LONGEST_TEXT:
        raise BadInput(where="note", what=f"has {len(shown)} characters, more than {LONGEST_TEXT}")
    return shown
