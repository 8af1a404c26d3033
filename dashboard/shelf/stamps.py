"""When a file of the folder is still the one that was read: its path, time and size."""

from __future__ import annotations

from pathlib import Path
from typing import TypeAlias

from logger.errors import RunUnreadable
from logger.recording.corrections import corrections_stamp

Stamp: TypeAlias = tuple[Path, int, int]
"""A run's file, ns of its last change and bytes, its later corrections included."""


def stamp_of(path: Path) -> Stamp:
    """The stamp of a run's file.

    Raises:
        RunUnreadable: where it can't be looked at.
    """
    try:
        stat = path.stat()
    except OSError as exc:
        raise RunUnreadable(where=str(path), what=f"can't be read ({exc.strerror})") from exc
    # A later correction changes what a run shows, though not the run.
    changed_ns, size = corrections_stamp(path)
    return path, max(stat.st_mtime_ns, changed_ns), stat.st_size + size


def stamp_if_there(path: Path) -> Stamp | None:
    """A file's stamp; None where it is no file, or went away just now."""
    try:
        return stamp_of(path) if path.is_file() else None
    except RunUnreadable:
        return None
