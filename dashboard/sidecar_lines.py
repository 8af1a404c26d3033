"""Files beside a run to which lines of JSON are added, and never changed or taken away.

A sealed run is not altered, so what people say about it later lies in files of its own. Each line
is one thing that was said; whoever reads them leaves out what is no such line. A last line that
was torn, by a power cut or an editor, is closed off before the next is added, and none is added
that would not be read again.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

from logger.errors import BadInput
from logger.recording.new_file import sync_folder

LONGEST_TEXT = 2_000
LONGEST_NAME = 120
LARGEST_BYTES = 4 * 1024 * 1024


def read_lines(path: Path) -> Iterator[dict[str, Any]]:
    """The lines of such a file, from the oldest on; none where it is missing or can't be read.

    Nothing of ours makes a file larger than ``LARGEST_BYTES``. Of one that is, the end is read:
    there stands what was said last.
    """
    try:
        with path.open("rb") as file:
            over = file.seek(0, os.SEEK_END) - LARGEST_BYTES
            # With the byte before, a line that begins right there is seen to be whole.
            file.seek(max(0, over - 1))
            data = file.read(LARGEST_BYTES + 1)
    except OSError:
        return
    for line in data.split(b"\n")[1 if over > 0 else 0 :]:
        try:
            told = json.loads(line.decode("utf-8-sig", errors="replace"))
        except (ValueError, RecursionError):
            continue
        if isinstance(told, dict):
            yield told


def add_line(path: Path, told: Mapping[str, Any], *, would_do: str) -> None:
    """Adds a line; it is on the disk, and will be read again, when this returns.

    Args:
        path: the file, made where it is missing.
        told: what is said.
        would_do: what would do where the file can't be written.

    Raises:
        BadInput: where the file can't be written, or is full.
    """
    line = f"{json.dumps(dict(told), ensure_ascii=False)}\n".encode(errors="replace")
    try:
        with path.open("a+b") as file:
            size = file.seek(0, os.SEEK_END)
            if size and not _ends_a_line(file):
                line = b"\n" + line
            _refuse_full(path, size, len(line))
            file.write(line)
            file.flush()
            os.fsync(file.fileno())
        if not size:
            sync_folder(path.parent)
    except OSError as exc:
        raise BadInput(
            where=str(path), what=f"can't be written ({exc.strerror})", would_do=would_do
        ) from exc


def _ends_a_line(file: BinaryIO) -> bool:
    file.seek(-1, os.SEEK_END)
    return file.read(1) == b"\n"


def _refuse_full(path: Path, size: int, more: int) -> None:
    if size + more > LARGEST_BYTES:
        raise BadInput(
            where=str(path),
            what=f"has {size} bytes, and {LARGEST_BYTES} are the most that is read",
            would_do="keep a copy of it, take out lines that no longer count, and say it again",
        )


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
