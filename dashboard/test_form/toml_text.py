"""A test file's text with another document in it: remarks, order and spelling stay as they were.

tomlkit changes what differs and leaves every other byte. What comes out is read again: where it
does not hold the document to the last value, the document is written plainly instead, and whoever
asked is told that remarks were lost.
"""

from __future__ import annotations

import tomllib
from collections.abc import MutableMapping, MutableSequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, InlineTable
from tomlkit.items import Table as TomlTable

from dashboard.test_form.filled_in import Document, Filled
from logger.errors import FileInvalid

LARGEST_TEXT = 100_000
"""Characters of a test file that a form takes; a long one has five thousand."""

_LONG_ROW = 60
"""Characters from which on rows written inline stand on a line each."""

_LIMITS = "watch/"
"""Where new tables are written on one line: a limit and its delays."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenText:
    """A document as text.

    Attributes:
        text: TOML.
        remarks_kept: whether remarks and order of the former text are in it.
    """

    text: str
    remarks_kept: bool


def read_document(text: str, *, name: str) -> Document:
    """The document of a TOML text.

    Args:
        text: the file's text.
        name: the file's name, for errors.

    Raises:
        FileInvalid: where it is no TOML or far too long for a form.
    """
    if len(text) > LARGEST_TEXT:
        raise FileInvalid(
            where=name, what="is far too large for a test file", would_do="open another one"
        )
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as exc:
        raise FileInvalid(where=name, what=f"is no valid TOML ({exc})") from exc


def written(former: str, filled: Filled) -> WrittenText:
    """A former text with a document in it.

    Args:
        former: the text that the document was made from; valid TOML.
        filled: the document, and which rows of it were there before.
    """
    text = _changed(former, filled)
    if text is not None and _holds(text, filled.document):
        return WrittenText(text=text, remarks_kept=True)
    return WrittenText(text=tomlkit.dumps(filled.document), remarks_kept="#" not in former)


def _changed(former: str, filled: Filled) -> str | None:
    try:
        document = tomlkit.parse(former.replace("\r\n", "\n"))
        _merge(document, filled.document, "", filled)
        text = tomlkit.dumps(document)
    except (TOMLKitError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return None
    return text.replace("\n", "\r\n") if "\r\n" in former else text


def _holds(text: str, document: Document) -> bool:
    try:
        return _same(tomllib.loads(text), document)
    except tomllib.TOMLDecodeError:
        return False


def _same(one: Any, other: Any) -> bool:
    """Equal in value and in type; ``1`` is not ``True``, and NaN is NaN."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_same(one[k], other[k]) for k in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return type(one) is type(other) and (one == other or str(one) == str(other) == "nan")


def _merge(table: MutableMapping[str, Any], wanted: Document, path: str, filled: Filled) -> None:
    for key in [k for k in table if k not in wanted]:
        del table[key]
    for key, value in wanted.items():
        here = f"{path}{key}"
        if key not in table:
            _add(table, key, value, in_line=path == _LIMITS)
            continue
        item = table[key]
        was = item.unwrap() if hasattr(item, "unwrap") else item
        if _same(was, value):
            continue
        if isinstance(value, dict) and isinstance(item, MutableMapping):
            _merge(item, value, f"{here}/", filled)
        elif here in filled.rows and isinstance(item, AoT | Array):
            _merge_rows(item, value, here, filled)
        else:
            table[key] = value


def _merge_rows(
    rows: MutableSequence[Any], wanted: list[Document], path: str, filled: Filled
) -> None:
    origins = [origin for _, origin in filled.rows[path]]
    kept = [o for o in origins if o is not None]
    if kept != sorted(set(kept)) or origins[: len(kept)] != kept:
        raise ValueError("rows of a form keep their order, and new ones stand behind them")
    for number in reversed(range(len(rows))):
        if number not in kept:
            del rows[number]
    for row, value in zip(rows, wanted, strict=False):
        _merge(row, value, f"{path}/", filled)
    for value in wanted[len(kept) :]:
        if isinstance(rows, AoT):
            rows.append(tomlkit.item(value))
        else:
            rows.append(_inline(value))


def _add(table: MutableMapping[str, Any], key: str, value: Any, *, in_line: bool) -> None:
    """New keys go before the blank lines and remarks at a table's end: they belong to the next."""
    body = table.value.body if isinstance(table, TomlTable) else []
    end = len(body)
    while end and body[end - 1][0] is None:
        end -= 1
    behind = body[end:]
    del body[end:]
    table[key] = _item(value, in_line=in_line or isinstance(table, InlineTable))
    body.extend(behind)


def _item(value: Any, *, in_line: bool) -> Any:
    if isinstance(value, dict):
        return _inline(value) if in_line else tomlkit.item(value)
    if isinstance(value, list) and value and all(isinstance(row, dict) for row in value):
        rows = [_spelled(row) for row in value]
        many = len(rows) > 1 or len(rows[0]) > _LONG_ROW
        lines = "[\n  " + ",\n  ".join(rows) + ",\n]"
        return _parsed(lines if many and not in_line else f"[{', '.join(rows)}]")
    return tomlkit.item(value)


def _inline(row: Document) -> Any:
    return _parsed(_spelled(row))


def _spelled(row: Document) -> str:
    """A table on one line, as people write it."""
    cells = (
        f"{tomlkit.key(k).as_string()} = {_item(v, in_line=True).as_string()}"
        for k, v in row.items()
    )
    return f"{{ {', '.join(cells)} }}" if row else "{}"


def _parsed(text: str) -> Any:
    return tomlkit.parse(f"item = {text}\n")["item"]
