"""The fields of a test file, derived from the models that read it.

What the models know (keys, kinds, what must be there, what holds where nothing is written) is
taken from them, so that a key which is added there has its field here.
"""

from __future__ import annotations

import types
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import MaxLen
from pydantic.fields import FieldInfo

from dashboard.test_form.field_words import CHOICE_WORDS, FIELD_WORDS, Words
from logger.readings.method_presets import PRESETS
from logger.readings.quantity import Kind
from logger.readings.test_file import TestFile
from logger.readings.toml_file import (
    PLAUSIBLE_TEXT,
    Angle,
    Duration,
    Length,
    Mass,
    Moment,
    SlewRate,
    Stiffness,
    Table,
)
from logger.readings.watched_limits import WatchedLimit

FieldKind = Literal["text", "long", "number", "quantity", "choice", "flag", "names", "pair"]

LIMIT_KEYS = ("over", "dead_band", "on_delay", "off_delay")
"""Of a limit under [watch] that is written as a table."""

_ANNOTATED: dict[Kind, Any] = {
    Kind.MASS: Mass,
    Kind.LENGTH: Length,
    Kind.MOMENT: Moment,
    Kind.ANGLE: Angle,
    Kind.TIME: Duration,
    Kind.STIFFNESS: Stiffness,
    Kind.SLEW_RATE: SlewRate,
}
_KIND_OF = {annotated.__metadata__[0]: kind for kind, annotated in _ANNOTATED.items()}
_LIKE = {
    "watch/load_over": "50 kg",
    "watch/radius": "3.97 m",
    "watch/level": "0.6 deg",
    "watch/wind": "9 m/s",
    "model/twist": "12 kN·m/deg",
    "test/id": "truck-7-first",
}
_LIKE_KIND = {
    Kind.MASS: "1450 kg",
    Kind.LENGTH: "3.9 m",
    Kind.MOMENT: "45 kN·m",
    Kind.ANGLE: "172 deg",
    Kind.TIME: "0.5 s",
    Kind.STIFFNESS: "650 N/mm",
    Kind.SLEW_RATE: "3 deg/s",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One value of the file.

    Attributes:
        key: as the file writes it.
        path: the tables' names and the key, without the numbers of rows.
        kind: how it is written.
        words: what the form says of it.
        required: whether the file must have it.
        usual: what holds where it is left out, or how it is written, in words.
        options: values that will do, and their words; empty where any text may.
    """

    key: str
    path: str
    kind: FieldKind
    words: Words
    required: bool = False
    usual: str = ""
    options: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A table of the file, a list of tables, a table whose keys are names, or a limit.

    Attributes:
        key: as the file writes it.
        path: the tables' names and the key.
        kind: which of these it is.
        words: what the form says of it; of rows, the hint is what one of them is called.
        optional: whether a person decides if it is there at all.
        entries: what is in it, or in each of its rows.
    """

    key: str
    path: str
    kind: Literal["table", "rows", "named", "limit"]
    words: Words
    optional: bool
    entries: tuple[Field | Group, ...]


Entry = Field | Group


@cache
def form_fields() -> tuple[Group, ...]:
    """The tables of a test file, in its order."""
    return tuple(e for e in _entries(TestFile, "") if isinstance(e, Group))


def words_of(path: str) -> Words:
    """What is said of a path; of an unknown one, its key."""
    head, _, key = path.rpartition("/")
    alike = FIELD_WORDS.get(f"{head.partition('/')[0]}/*/{key}")
    return FIELD_WORDS.get(path) or alike or Words(key.replace("_", " "))


def _entries(model: type[Table], path: str) -> tuple[Entry, ...]:
    found = [
        _entry(field.alias or name, f"{path}/{field.alias or name}".strip("/"), field)
        for name, field in model.model_fields.items()
    ]
    known = list(FIELD_WORDS)
    # People think in another order than validators do.
    return tuple(
        sorted(found, key=lambda e: known.index(e.path) if e.path in known else len(known))
    )


def _entry(key: str, path: str, field: FieldInfo) -> Entry:
    annotation, optional = _without_none(field.annotation)
    if get_origin(annotation) is Annotated:
        metadata: tuple[Any, ...] = annotation.__metadata__
        annotation = get_args(annotation)[0]
    else:
        metadata = tuple(field.metadata)
    if annotation is WatchedLimit:
        return _limit(key, path)
    group = _group(key, path, annotation, optional=optional and not field.is_required())
    if group is not None:
        return group
    kind = next((_KIND_OF[m] for m in metadata if m in _KIND_OF), None)
    return _field(key, path, field, annotation, kind)


def _without_none(annotation: Any) -> tuple[Any, bool]:
    if get_origin(annotation) in (Union, types.UnionType):
        rest = [a for a in get_args(annotation) if a is not type(None)]
        return rest[0], len(rest) < len(get_args(annotation))
    return annotation, False


def _group(key: str, path: str, annotation: Any, *, optional: bool) -> Group | None:
    words = words_of(path)
    if isinstance(annotation, type) and issubclass(annotation, Table):
        entries = _entries(annotation, path)
        return Group(
            key=key, path=path, kind="table", words=words, optional=optional, entries=entries
        )
    arguments = get_args(annotation)
    if get_origin(annotation) is dict:
        entries = (
            Field(key="name", path=f"{path}/name", kind="text", words=words_of(f"{path}/name")),
            Field(
                key="mass",
                path=f"{path}/mass",
                kind="quantity",
                words=words_of(f"{path}/mass"),
                usual=f"like {_LIKE_KIND[Kind.MASS]}",
            ),
        )
        return Group(key=key, path=path, kind="named", words=words, optional=False, entries=entries)
    if get_origin(annotation) is tuple and arguments[-1] is Ellipsis:
        row = arguments[0]
        if isinstance(row, type) and issubclass(row, Table):
            return Group(
                key=key,
                path=path,
                kind="rows",
                words=words,
                optional=False,
                entries=_entries(row, path),
            )
    return None


def _limit(key: str, path: str) -> Group:
    entries = tuple(
        Field(
            key=k,
            path=f"{path}/{k}",
            kind="quantity",
            words=words_of(f"{path}/{k}"),
            usual=f"like {_LIKE[path]}" if k == "over" else "",
        )
        for k in LIMIT_KEYS
    )
    return Group(
        key=key, path=path, kind="limit", words=words_of(path), optional=False, entries=entries
    )


def _field(key: str, path: str, field: FieldInfo, annotation: Any, kind: Kind | None) -> Field:
    shape = _shape(path, field, annotation, kind)
    options = tuple(_options(path, annotation))
    return Field(
        key=key,
        path=path,
        kind=shape,
        words=words_of(path),
        # The rated load and radius stand for the rated moment.
        required=field.is_required() and path != "crane/rated_moment",
        usual=_usual(path, field, kind, options),
        options=options,
    )


def _shape(path: str, field: FieldInfo, annotation: Any, kind: Kind | None) -> FieldKind:
    if get_origin(annotation) is tuple:
        return "names" if get_args(annotation)[-1] is Ellipsis else "pair"
    if get_origin(annotation) is Literal or path == "method/preset":
        return "choice"
    if annotation is bool:
        return "flag"
    if annotation in (int, float):
        return "quantity" if kind or path in _LIKE else "number"
    longest = next((m.max_length for m in field.metadata if isinstance(m, MaxLen)), 0)
    return "long" if longest > PLAUSIBLE_TEXT else "text"


def _options(path: str, annotation: Any) -> Iterator[tuple[str, str]]:
    if path == "method/preset":
        yield from ((name, f"{name}: {p.rule}") for name, p in PRESETS.items())
    elif get_origin(annotation) is Literal:
        yield from ((str(v), CHOICE_WORDS.get(str(v), str(v))) for v in get_args(annotation))
    elif annotation is bool:
        yield from ((v, CHOICE_WORDS[v]) for v in ("true", "false"))


def _usual(
    path: str, field: FieldInfo, kind: Kind | None, options: tuple[tuple[str, str], ...]
) -> str:
    default = None if field.is_required() else field.default
    if isinstance(default, bool):
        default = str(default).lower()
    if options:
        if str(default) not in dict(options):
            return "not stated"
        return f"usual: {CHOICE_WORDS[default] if default in ('true', 'false') else default}"
    if isinstance(default, int | float):
        return f"usual: {default:g} {kind.value if kind else ''}".strip()
    like = _LIKE.get(path) or (_LIKE_KIND[kind] if kind else "")
    return f"like {like}" if like else ""
