"""Files beside a run to which lines of JSON are added, and never changed or taken away.

A sealed run is not altered, so what people say about it later lies in files of its own. Each line
is one thing that was said; whoever reads them leaves out what is no such line.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logger.errors import BadInput

LONGEST_TEXT = 2_000
LONGEST_NAME = 120
LARGEST_BYTES = 4 * 1024 * 1024


def read_lines(path: Path) -> Iterator[dict[str, Any]]:
    """The lines of such a file, from the oldest on; none where it is missing or far too large."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            return
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return
    for line in lines:
        try:
            told = json.loads(line)
        except ValueError:
            continue
        if isinstance(told, dict):
            yield told


def add_line(path: Path, told: Mapping[str, Any], *, would_do: str) -> None:
    """Adds a line; it is on the disk when this returns.

    Args:
        path: the file, made where it is missing.
        told: what is said.
        would_do: what would do where the file can't be written.

    Raises:
        BadInput: where the file can't be written.
    """
    line = json.dumps(dict(told), ensure_ascii=False)
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(line + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as exc:
        raise BadInput(
            where=str(path), what=f"can't be written ({exc.strerror})", would_do=would_do
        ) from exc


def one_line(text: str, *, where: str) -> str:
    """Someone's words on one line.

    Raises:
        BadInput: where there are none, or too many.
    """
    words = " ".join(text.split())
    if not words or len(words) > LONGEST_TEXT:
        raise BadInput(
            where=where,
            what="has no words" if not words else f"has {len(words)} characters",
            would_do=f"write 1 to {LONGEST_TEXT}",
        )
    return words


def short_name(by: str) -> str:
    """Who says it, on one line, cut where it is far too long."""
    return " ".join(by.split())[:LONGEST_NAME]


def written_utc(now: datetime | None) -> str:
    """A time as such lines hold it; None for now."""
    return (now or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
