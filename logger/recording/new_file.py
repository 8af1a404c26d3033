"""New files: never over an old one, and their names as durable as their bytes."""

from __future__ import annotations

import os
from pathlib import Path

from logger.errors import BadInput, StorageFailed


def refuse_to_overwrite(path: Path) -> None:
    """Refuses a name that is taken, or a folder that is not there.

    Raises:
        BadInput: in one line.
    """
    if path.exists() or path.is_symlink():
        raise BadInput(
            where=str(path),
            what="is there already, and a run is never overwritten",
            would_do="give another name",
        )
    if not path.parent.is_dir():
        raise BadInput(
            where=str(path), what=f"there is no folder {path.parent}", would_do="make it first"
        )


def file_identity(path: Path) -> tuple[int, int]:
    """Device and number of the file that a name leads to: another's differ.

    Raises:
        OSError: where there is none, or the disk refuses.
    """
    found = path.stat()
    return found.st_dev, found.st_ino


def make_folder(folder: Path) -> None:
    """Makes a folder, and those above it, where it is missing.

    Raises:
        StorageFailed: where the disk refuses.
    """
    if folder.is_dir():
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
        sync_folder(folder.parent)
    except OSError as exc:
        raise StorageFailed(f"{folder}: the folder can't be made ({exc.strerror or exc})") from exc


def sync_folder(folder: Path) -> None:
    """Makes new and removed names in a folder durable, where the system can.

    Raises:
        OSError: where the disk refuses.
    """
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
