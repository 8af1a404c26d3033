"""The files of one run while it is recorded: parts, by name.

``<run>.journal`` is the first part, ``<run>.2.journal`` the second, and so on; beside a part
SQLite keeps its log and, for a moment, other files. The sealed run is ``<run>.parquet``, and
``<run>.parquet.partial`` while it is being written. ``<run>.journal.damaged`` is no part any
more: it was sealed as far as it could be read, and is kept with its log. A run's own name can't
end in a dot and a number above 1, so a file's name alone says whose part it is.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from logger.errors import BadInput, StorageFailed
from logger.recording.new_file import refuse_to_overwrite, sync_folder

_PART = re.compile(r"(?P<run>.+)\.(?P<number>[2-9]|[1-9][0-9]{1,8})\.journal", re.ASCII | re.DOTALL)
_LOG = "-wal"
_INDEX = "-shm"
_BESIDE = (_LOG, _INDEX, "-journal")

ASIDE = ".damaged"
"""Ending of a part that is kept after sealing, since its log holds what could not be read."""


def first_part(path: Path) -> Path:
    """The first part of the run that a part, or the sealed run, belongs to."""
    if path.suffix == ".parquet":
        return path.with_suffix(".journal")
    later = _PART.fullmatch(path.name)
    return path.with_name(f"{later['run']}.journal") if later else path


def part_path(first: Path, number: int) -> Path:
    """Where part ``number`` of a run stands, counted from 1."""
    return first if number == 1 else first.with_name(f"{first.stem}.{number}.journal")


def parts_of(first: Path) -> list[tuple[int, Path]]:
    """The parts of a run that are there, with their numbers, rising."""
    return sorted((n, path) for n, path in _numbered(first) if path.exists())


def first_parts(folder: Path) -> list[Path]:
    """The runs in a folder that were not sealed, each by its first part's name."""
    return sorted({first_part(path) for path in folder.glob("*.journal")})


def sealed_path(first: Path) -> Path:
    """Where a run stands once it is sealed."""
    return first.with_suffix(".parquet")


def partial_path(sealed: Path) -> Path:
    """Where a run is written while it is being sealed."""
    return sealed.with_name(f"{sealed.name}.partial")


def refuse_taken_name(first: Path) -> None:
    """Refuses a name for a new run that is taken, or could be mistaken for a later part.

    Raises:
        BadInput: in one line.
    """
    if first_part(first) != first:
        raise BadInput(
            where=str(first),
            what="a run's name can't end in a dot and a number",
            would_do="give another name",
        )
    refuse_to_overwrite(first)
    refuse_to_overwrite(sealed_path(first))
    refuse_to_overwrite(partial_path(sealed_path(first)))
    for _, path in _numbered(first):
        refuse_to_overwrite(path)


def remove_part(path: Path) -> None:
    """Removes a part and what SQLite keeps beside it.

    Raises:
        OSError: where the disk refuses.
    """
    for suffix in ("", *_BESIDE):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def remove_parts(first: Path) -> None:
    """Removes all parts of a run, the newest first, and what was left beside parts.

    Raises:
        OSError: where the disk refuses; what is left may be removed later.
    """
    found = {path for _, path in _numbered(first)}
    for path in sorted(found, key=lambda p: (len(p.name), p.name), reverse=True):
        remove_part(path)
    sync_folder(first.parent)


def log_of(part: Path) -> Path:
    """Where SQLite keeps the log of a part."""
    return part.with_name(f"{part.name}{_LOG}")


def has_log(path: Path) -> bool:
    """Whether a log that is not empty stands beside a part."""
    try:
        return log_of(path).stat().st_size > 0
    except (FileNotFoundError, NotADirectoryError):
        return False


def lone_logs(first: Path) -> list[Path]:
    """Logs that hold something, of parts that are not there themselves."""
    gone = [path for _, path in _numbered(first) if not path.exists()]
    return [log_of(path) for path in gone if has_log(path)]


def set_parts_aside(first: Path) -> None:
    """Renames all parts of a run with their logs, so that none is taken for unsealed any more.

    ``a.journal`` becomes ``a.journal.damaged``, its log ``a.journal.damaged-wal``, as SQLite has
    it. Done again after a crash it goes on; no file is written over.

    Raises:
        OSError: where the disk refuses; what is left may be renamed later.
    """
    for _, path in _numbered(first):
        for suffix in ("", *_BESIDE):
            file = path.with_name(path.name + suffix)
            if suffix == _INDEX:
                file.unlink(missing_ok=True)  # SQLite makes it anew from the log
            elif file.exists():
                file.rename(_free_aside(path, suffix))
    sync_folder(first.parent)


def _free_aside(part: Path, suffix: str) -> Path:
    aside, again = part.with_name(f"{part.name}{ASIDE}{suffix}"), 1
    while aside.exists():
        again += 1
        aside = part.with_name(f"{part.name}{ASIDE}-{again}{suffix}")
    return aside


def _names_in(folder: Path) -> list[str]:
    """What is in a folder; nothing where there is none.

    Raises:
        StorageFailed: where the system refuses to say.
    """
    try:
        return os.listdir(folder)  # noqa: PTH208 - Path.iterdir would not tell a missing folder
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as exc:
        raise StorageFailed(f"{folder}: the folder can't be read ({exc.strerror})") from exc


def _numbered(first: Path) -> list[tuple[int, Path]]:
    """Every part of which the file, or a file beside it, is there."""
    found = {}
    for name in _names_in(first.parent):
        for suffix in _BESIDE:
            name = name.removesuffix(suffix)  # noqa: PLW2901 - that is the point
        if name == first.name:
            found[1] = first
        elif (later := _PART.fullmatch(name)) and later["run"] == first.stem:
            found[int(later["number"])] = first.with_name(name)
    return sorted(found.items())
