"""Files of keys and secrets: made for their owner alone, whole or absent, never written over.

A key is written under another name, with mode 0600 from its first byte on, and gets its own name
when it is whole. Windows knows no such modes: there a file has the rights of its folder.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from logger.errors import BadInput, StorageFailed

OWNER_ONLY: Final = 0o600
FOR_ALL_TO_READ: Final = 0o644
KNOWS_MODES: Final = sys.platform != "win32"
"""Whether this system has a file's owner and mode in the way that is checked here."""

NOT_CHECKED: Final = (
    "on Windows it is not checked who may read such a file; see Properties, Security, "
    "and leave only your own account there"
)
"""What to tell a person where modes are not known."""


def write_whole(path: Path, content: bytes, *, mode: int, replace: bool = False) -> None:
    """Writes a file that is whole or not there at all.

    Args:
        path: its name; its folder must be there.
        content: its bytes.
        mode: who may read and write it, such as :data:`OWNER_ONLY`.
        replace: whether a file of that name may be replaced.

    Raises:
        BadInput: where the name is taken and ``replace`` is not set, or the folder is missing.
        StorageFailed: where the disk refuses.
    """
    refuse_taken(path, replace=replace)
    try:
        with _partial(path) as partial:
            _write(partial, content, mode=mode)
            if replace:
                partial.replace(path)
            else:
                _name(partial, path)
    except OSError as exc:
        raise StorageFailed(f"{path}: can't be written ({exc.strerror or exc})") from exc


def refuse_taken(path: Path, *, replace: bool = False) -> None:
    """Refuses a name that is taken, or a folder that is not there.

    Raises:
        BadInput: in one line.
    """
    if not path.parent.is_dir():
        raise BadInput(
            where=str(path), what=f"there is no folder {path.parent}", would_do="make it first"
        )
    taken = path.is_symlink() or path.exists()
    if taken and (not replace or path.is_dir()):
        raise BadInput(
            where=str(path),
            what="is there already, and is never overwritten unasked",
            would_do="name another place, or move away what is there",
        )


@contextlib.contextmanager
def _partial(path: Path) -> Iterator[Path]:
    partial = path.with_name(f".{secrets.token_hex(8)}.partial")
    try:
        yield partial
    finally:
        partial.unlink(missing_ok=True)


def _write(partial: Path, content: bytes, *, mode: int) -> None:
    descriptor = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(descriptor, "wb") as file:
        if KNOWS_MODES and sys.platform != "win32":
            os.fchmod(descriptor, mode)  # whatever the umask took away
        file.write(content)
        file.flush()
        os.fsync(descriptor)


def _name(partial: Path, path: Path) -> None:
    try:
        os.link(partial, path)  # unlike a rename, fails where the name is taken by now
    except FileExistsError:
        refuse_taken(path)
    except OSError:
        refuse_taken(path)  # memory cards (FAT) know no links
        partial.rename(path)
