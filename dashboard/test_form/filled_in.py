"""From a test file's document to what its form shows, and back.

A form holds text only. What stands in it is one flat table: a path (``load/parts/0/mass``) and the
text of the field. Of a row, the path ending in ``#`` holds its number in the file, or nothing where
it is new; of a list, the same path says that the form has it; of a table that a person may leave
out, whether it is there. A key
that nobody knows has a path ending in ``?`` and its name; emptied, it goes.

What a field shows of a value is compared with what stands in the field: as long as both are the
same, the value stays as it was, of whatever type. So nothing that the form can't show is lost.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sized
from dataclasses import dataclass
from typing import Any

from dashboard.test_form.fields import LIMIT_KEYS, Entry, Field, Group, form_fields

Document = dict[str, Any]
FormValues = Mapping[str, str]

THERE = "on"
"""What says that a table which may be left out is there."""

_INTEGER = re.compile(r"[+-]?\d{1,18}", re.ASCII)
_DECIMAL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_LINE_BREAKS = re.compile(r"[\r\n]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """What a filled-in form comes to.

    Attributes:
        document: the test file's document.
        rows: for the path of each list of tables, the rows of the form that stand in the document,
            in order; and for each its row in the former document, None where it is new.
        repeated: paths of names that stand twice where one is needed.
    """

    document: Document
    rows: dict[str, list[tuple[int, int | None]]]
    repeated: list[str]


def values_of(document: Document) -> dict[str, str]:
    """What the form shows of a document."""
    found: dict[str, str] = {}
    for group in form_fields():
        found.update(_values_of_entry(group, document, ""))
    found.update(_unknown(document, form_fields(), ""))
    return found


def filled_in(values: FormValues, former: Document) -> Filled:
    """The document that a filled-in form comes to.

    Args:
        values: what stands in the form; what it does not name stays as it was.
        former: the document that the form was made from.
    """
    filling = _Filling(values)
    document = filling.table(form_fields(), former, "")
    return Filled(document=document, rows=filling.rows, repeated=filling.repeated)


def shown(value: object, *, lines: bool = False) -> str:
    """What a field shows of a value.

    Args:
        value: as TOML has it.
        lines: whether the field has several lines.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    text = value if isinstance(value, str) else str(value)
    return text.replace("\r\n", "\n").replace("\r", "\n") if lines else _LINE_BREAKS.sub("", text)


def _values_of_entry(entry: Entry, table: Document, path: str) -> Iterator[tuple[str, str]]:
    value, here = table.get(entry.key), f"{path}{entry.key}"
    if isinstance(entry, Field):
        yield from _values_of_field(entry, value, here)
    elif entry.kind == "rows":
        yield f"{here}/#", THERE
        for number, row in enumerate(_rows(value)):
            yield f"{here}/{number}/#", str(number)
            yield from _values_of_table(entry, row, f"{here}/{number}/")
    elif entry.kind == "named":
        yield f"{here}/#", THERE
        for number, (name, named) in enumerate(_table(value).items()):
            yield f"{here}/{number}/#", str(number)
            yield f"{here}/{number}/name", shown(name)
            yield f"{here}/{number}/mass", shown(named)
    elif entry.kind == "limit":
        limit = value if isinstance(value, dict) else {} if value is None else {"over": value}
        yield from _values_of_table(entry, limit, f"{here}/")
    else:
        if entry.optional:
            yield f"{here}/#", "" if value is None else THERE
        yield from _values_of_table(entry, _table(value), f"{here}/")


def _values_of_table(group: Group, table: Document, path: str) -> Iterator[tuple[str, str]]:
    for entry in group.entries:
        yield from _values_of_entry(entry, table, path)
    yield from _unknown(table, group.entries, path)


def _unknown(table: Document, entries: tuple[Entry, ...], path: str) -> Iterator[tuple[str, str]]:
    known = {e.key for e in entries}
    return ((f"{path}?{key}", shown(v) or '""') for key, v in table.items() if key not in known)


def _values_of_field(entry: Field, value: object, path: str) -> Iterator[tuple[str, str]]:
    if entry.kind == "pair":
        for axis in (0, 1):
            yield f"{path}/{axis}", _of_pair(value, axis)
    elif entry.kind == "names":
        yield path, _names(value)
    else:
        yield path, shown(value, lines=entry.kind == "long")


def _of_pair(value: object, axis: int) -> str:
    if isinstance(value, list):
        return shown(value[axis]) if len(value) > axis else ""
    return shown(value) if axis == 0 else ""


def _is_bare(value: object) -> bool:
    """Whether it is a number without a unit, or has one in it.

    A quantity written so won't do; as text it can be told what lacks.
    """
    if isinstance(value, list):
        return any(map(_is_bare, value))
    return isinstance(value, int | float) and not isinstance(value, bool)


def _names(value: object) -> str:
    return "\n".join(map(shown, value)) if isinstance(value, list) else shown(value)


def _table(value: object) -> Document:
    return value if isinstance(value, dict) else {}


def _rows(value: object) -> list[Document]:
    """A list of tables; one that holds anything else can't be shown as rows."""
    whole = isinstance(value, list) and all(isinstance(row, dict) for row in value)
    return value if whole and isinstance(value, list) else []


class _Filling:
    """Fills a document from a form's values, remembering which rows stand in it.

    Args:
        values: what stands in the form.
    """

    def __init__(self, values: FormValues) -> None:
        self._values = values
        self.rows: dict[str, list[tuple[int, int | None]]] = {}
        self.repeated: list[str] = []

    def table(self, entries: tuple[Entry, ...], former: Document, path: str) -> Document:
        """A table; keys come in the former order, new ones behind them."""
        by_key = {e.key: e for e in entries}
        table: Document = {}
        for key in [*former, *(k for k in by_key if k not in former)]:
            entry = by_key.get(key)
            if entry is not None:
                value = self._value(entry, former.get(key), f"{path}{key}")
            else:
                value = former[key] if self._values.get(f"{path}?{key}", "kept") else None
            if value is not None:
                table[key] = value
        return table

    def _value(self, entry: Entry, was: Any, path: str) -> Any:
        """What stands behind a key now; None where it is left out."""
        if isinstance(entry, Field):
            return self._of_field(entry, was, path)
        by_kind: dict[str, Callable[[Group, Any, str], Any]] = {
            "rows": self._of_rows,
            "named": self._of_named,
            "limit": self._of_limit,
            "table": self._of_table,
        }
        return by_kind[entry.kind](entry, was, path)

    def _of_table(self, entry: Group, was: Any, path: str) -> Any:
        there = THERE if was is not None else ""
        if entry.optional and not self._values.get(f"{path}/#", there):
            return None
        table = self.table(entry.entries, _table(was), f"{path}/")
        if not table and was is not None and not isinstance(was, dict):
            return was  # a value of the wrong kind stays until something takes its place
        return table if table or entry.optional or was is not None else None

    def _of_field(self, entry: Field, was: Any, path: str) -> Any:
        if entry.kind == "pair":
            return self._of_axes(was, path)
        text = self._values.get(path)
        if text is None:
            return was
        if entry.kind == "names":
            names = [line.strip() for line in text.splitlines() if line.strip()]
            return was if text == _names(was) else names or None
        same = was is not None and text == shown(was, lines=entry.kind == "long")
        if same and not (entry.kind == "quantity" and _is_bare(was)):
            return was
        return _typed(entry, text)

    def _of_axes(self, was: Any, path: str) -> Any:
        shown_now = [_of_pair(was, axis) for axis in (0, 1)]
        texts = [self._values.get(f"{path}/{axis}", shown_now[axis]) for axis in (0, 1)]
        if texts == shown_now and not _is_bare(was):
            return was
        return [t.strip() for t in texts] if any(t.strip() for t in texts) else None

    def _of_rows(self, entry: Group, was: Any, path: str) -> Any:
        former, rows = _rows(was), []
        for number in _numbers(self._values, path, len(former)):
            here = f"{path}/{number}/"
            origin = _origin(self._values.get(f"{here}#", str(number)), len(former))
            row = self.table(entry.entries, {} if origin is None else former[origin], here)
            if row or origin is not None:
                self.rows.setdefault(path, []).append((number, origin))
                rows.append(row)
        return rows or _nothing_to_show(was, former)

    def _of_named(self, _entry: Group, was: Any, path: str) -> Any:
        former = _table(was)
        named: Document = {}
        for number in _numbers(self._values, path, len(former)):
            here = f"{path}/{number}/"
            origin = _origin(self._values.get(f"{here}#", str(number)), len(former))
            key, value = (None, None) if origin is None else list(former.items())[origin]
            name = self._values.get(f"{here}name", shown(key))
            text = self._values.get(f"{here}mass", shown(value))
            if not name.strip() and not text.strip():
                continue
            name = key if key is not None and name == shown(key) else name.strip()
            if name in named:
                self.repeated.append(f"{here}name")
            self.rows.setdefault(path, []).append((number, origin))
            same = value is not None and text == shown(value) and not _is_bare(value)
            named[name] = value if same else text.strip()
        return named or _nothing_to_show(was, former)

    def _of_limit(self, entry: Group, was: Any, path: str) -> Any:
        former = was if isinstance(was, dict) else {} if was is None else {"over": was}
        limit = self.table(entry.entries, former, f"{path}/")
        if set(limit) <= {LIMIT_KEYS[0]} and not isinstance(was, dict):
            return limit.get(LIMIT_KEYS[0])
        return limit or (was if was == {} else None)  # an empty table stays what it was


def _nothing_to_show(was: Any, former: Sized) -> Any:
    """What is left of a list without rows: whatever stood there that no row can show."""
    return was if was is not None and not former else None


def _typed(entry: Field, text: str) -> Any:
    """A field's text as TOML's types have it; what can't be stays text and is refused later."""
    plain = text.strip()
    if not plain:
        return None
    if entry.kind == "flag":
        return {"true": True, "false": False}.get(plain, plain)
    if entry.kind == "number" and _INTEGER.fullmatch(plain):
        return int(plain)
    if entry.kind == "number" and _DECIMAL.fullmatch(plain):
        return float(plain)
    return text if entry.kind == "long" else plain


def _numbers(values: FormValues, path: str, former: int) -> list[int]:
    """The numbers of a list's rows in the form; those of the file where the form has no list."""
    prefix = f"{path}/"
    if f"{prefix}#" not in values:
        return list(range(former))
    steps = {p[len(prefix) :].partition("/")[0] for p in values if p.startswith(prefix)}
    return sorted(int(s) for s in steps if s.isdecimal() and s.isascii())


def _origin(text: str, former: int) -> int | None:
    return int(text) if text.isdecimal() and int(text) < former else None
