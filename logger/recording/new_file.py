"""New files: never over an old one, and their names as durable as their bytes."""

from __future__ import annotations

import contextlib
import os
import secrets
import sys
from collections.abc import Iterator
from pathlib import Path

from logger.errors import BadInput, StorageFailed


def refuse_to_overwrite(path: Path, *, kind: str = "a run") -> None:
    """Refuses a name that is taken, or a folder that is not there.

    Args:
        path: the name.
        kind: what would be written, for the error.

    Raises:
        BadInput: in one line.
    """
    if path.exists() or path.is_symlink():
        raise BadInput(
            where=str(path),
            what=f"is there already, and {kind} is never overwritten",
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
    if sys.platform == "win32":  # no folder can be opened there
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def whole_file(path: Path, *, kind: str) -> Iterator[Path]:
    """Makes a file that is whole or not there at all, and never in place of another.

    Args:
        path: the file's name.
        kind: what it is, for errors: ``an export``.

    Yields:
        A file beside it to write to; it gets the name, synced, when nothing was raised.

    Raises:
        BadInput: where the name is taken, or its folder is not there.
        StorageFailed: where the disk refuses.
    """
    refuse_to_overwrite(path, kind=kind)
    # Its name is known before it is there, so that no interruption leaves it behind.
    partial = path.with_name(f".{secrets.token_hex(8)}.partial")
    try:
        try:
            partial.touch(exist_ok=False)
            yield partial
            _sync(partial)
            give_name(partial, path, kind=kind)
        finally:
            take_away(partial)
    except OSError as exc:
        raise StorageFailed(f"{path}: can't be written ({exc.strerror or exc})") from exc


def take_away(partial: Path) -> None:
    """Removes a file that has its name by now, or is not wanted.

    Where the disk refuses, it stays and harms nothing: whoever writes that name next replaces
    it, and what was written under the other name is whole.
    """
    with contextlib.suppress(OSError):
        partial.unlink(missing_ok=True)


def give_name(partial: Path, path: Path, *, kind: str = "a run") -> None:
    """Gives a written file its name, unless that is taken by now.

    Raises:
        BadInput: where it is taken.
        OSError: where the disk refuses.
    """
    try:
        os.link(partial, path)  # unlike a rename, fails where the name is taken
    except FileExistsError:
        refuse_to_overwrite(path, kind=kind)
    except OSError:
        # Memory cards (FAT) know no links.
        refuse_to_overwrite(path, kind=kind)
        partial.rename(path)
    sync_folder(path.parent)


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())
