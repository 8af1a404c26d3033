"""From TOML text to a checked model, with errors that a person can act on.

Each error names the file, the key, what stands there and what would do. Every table is
closed: a key nobody knows is an error that suggests the nearest one, since a misspelt
``stale_afer`` would otherwise quietly leave a sensor unwatched.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from logger.errors import FileInvalid
from logger.readings.quantity import Kind, parse_quantity

_SHOWN_CHARACTERS = 60
IDENTIFIER_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$"
PLAUSIBLE_TEXT = 200
"""Longest name that a person would write."""


def _reader(kind: Kind) -> Callable[[object], float]:
    def read(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, str):
            raise ValueError("a quantity is text with its unit, in quotes")  # noqa: TRY004 - pydantic shows ValueErrors
        return parse_quantity(value, kind)

    return read


Mass = Annotated[float, BeforeValidator(_reader(Kind.MASS))]
Length = Annotated[float, BeforeValidator(_reader(Kind.LENGTH))]
Moment = Annotated[float, BeforeValidator(_reader(Kind.MOMENT))]
Angle = Annotated[float, BeforeValidator(_reader(Kind.ANGLE))]
Duration = Annotated[float, BeforeValidator(_reader(Kind.TIME))]
Stiffness = Annotated[float, BeforeValidator(_reader(Kind.STIFFNESS))]
SlewRate = Annotated[float, BeforeValidator(_reader(Kind.SLEW_RATE))]


class Table(BaseModel):
    """A TOML table whose keys are all known and whose values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


TableT = TypeVar("TableT", bound=Table)


def read_toml(text: str, *, model: type[TableT], name: str) -> TableT:
    """Reads TOML text into a model.

    Args:
        text: the file's text.
        model: what the file must hold.
        name: the file's name, for the error.

    Raises:
        FileInvalid: naming the file, the key, what stands there and what would do.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise FileInvalid(where=name, what=f"is no valid TOML ({exc})") from exc
    try:
        return model.model_validate(document)
    except ValidationError as exc:
        raise _first_error(exc, document=document, model=model, name=name) from exc


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing in a document that won't do.

    Attributes:
        path: keys and numbers of rows that lead to it.
        what: what stands there, or that it is missing.
        would_do: what would do instead; empty where ``what`` says it.
        unknown: whether nobody knows the key.
    """

    path: tuple[str | int, ...]
    what: str
    would_do: str = ""
    unknown: bool = False


def problems_in(exc: ValidationError, *, model: type[BaseModel]) -> tuple[Problem, ...]:
    """All that a model refused in a document, unknown keys first.

    An unknown key often is the cause of a missing one.

    Args:
        exc: the model's refusal.
        model: the model.
    """
    found = [_problem(e, model) for e in exc.errors(include_url=False)]
    return tuple(sorted(found, key=lambda p: not p.unknown))


def _first_error(
    exc: ValidationError, *, document: dict[str, Any], model: type[BaseModel], name: str
) -> FileInvalid:
    first = problems_in(exc, model=model)[0]
    where = f"{name}, {_spell(first.path, document)}" if first.path else name
    return FileInvalid(where=where, what=first.what, would_do=first.would_do)


def _problem(error: ErrorDetails, model: type[BaseModel]) -> Problem:
    path = error["loc"]
    if error["type"] == "extra_forbidden":
        known = _known_keys(model, path[:-1])
        near = difflib.get_close_matches(str(path[-1]), known, n=1)
        would_do = f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(known)}"
        return Problem(path=path, what="unknown key", would_do=would_do, unknown=True)
    if error["type"] == "missing":
        return Problem(path=path, what="is missing", would_do="add it")
    message = _words(error)
    if not path or isinstance(error["input"], dict):
        # A whole table, of which two keys don't go together.
        return Problem(path=path, what=message)
    return Problem(path=path, what=f"{_shown(error['input'])} won't do", would_do=message)


def _words(error: ErrorDetails) -> str:
    """What is asked for, in words; pydantic's own speak of tuples and patterns."""
    limits = error.get("ctx", {})
    match error["type"]:
        case "too_short":
            return f"at least {limits['min_length']} are needed"
        case "too_long":
            return f"at most {limits['max_length']} will do"
        case "string_pattern_mismatch" if limits["pattern"] == IDENTIFIER_PATTERN:
            return "letters, digits, '_', '.' and '-' will do, beginning with a letter or digit"
    message = error["msg"].removeprefix("Value error, ")
    return message[:1].lower() + message[1:]


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= _SHOWN_CHARACTERS else text[:_SHOWN_CHARACTERS] + "…"


def _spell(path: Sequence[str | int], document: object) -> str:
    """``source "mast", key "baud"`` rather than ``source.0.baud``."""
    words: list[str] = []
    here = document
    for step in path:
        here = _descend(here, step)
        if isinstance(step, int):
            label = here.get("id", here.get("name")) if isinstance(here, dict) else None
            words[-1] += f' "{label}"' if isinstance(label, str) else f" number {step + 1}"
        else:
            words.append(step)
    if not words:
        return "file"
    tables, key = words[:-1], words[-1]
    return f"{' '.join(f'[{t}]' for t in tables)} {key}".strip()


def _descend(here: object, step: str | int) -> object:
    if isinstance(here, dict):
        return here.get(step)
    if isinstance(here, list) and isinstance(step, int) and step < len(here):
        return here[step]
    return None


def _known_keys(model: type[BaseModel], path: Sequence[str | int]) -> list[str]:
    """The keys that the table at a path may hold."""
    for step in path:
        if isinstance(step, int):
            continue
        field = next(
            (f for n, f in model.model_fields.items() if step in (n, f.alias)),
            None,
        )
        inner = _model_in(field.annotation) if field else None
        if inner is None:
            return []
        model = inner
    return [f.alias or n for n, f in model.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The table inside ``tuple[Table, ...]``, ``Table | None`` or ``Table``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        if (found := _model_in(argument)) is not None:
            return found
    return None
