"""A small file in place of another: whole and on the disk, or as it was.

The new text goes into a file beside it, is synced, and takes the name in one step. What stood
there when it was read must still stand there, or someone else's change would be lost.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

from logger.errors import BadInput, StorageFailed
from logger.recording.new_file import sync_folder, take_away


def replace_file(path: Path, new: bytes, *, was: bytes | None) -> None:
    """Puts new contents in place of a file's, or makes the file.

    Args:
        path: the file; a link to one stays a link.
        new: what is to stand there.
        was: what stood there when it was read; None where there was no file.

    Raises:
        BadInput: where something else stands there now; it is left as it is.
        StorageFailed: where the disk refuses; the old file is as it was.
    """
    target = path.resolve()
    try:
        descriptor, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        partial = Path(name)
        try:
            _write(descriptor, partial, new)
            _refuse_changed(path, was, target.read_bytes() if target.exists() else None)
            if was is not None:
                shutil.copymode(target, partial)
            partial.replace(target)
        finally:
            take_away(partial)
        sync_folder(target.parent)
    except OSError as exc:
        raise StorageFailed(f"{path}: can't be written ({exc.strerror or exc})") from exc


def _write(descriptor: int, partial: Path, new: bytes) -> None:
    with os.fdopen(descriptor, "wb") as file:
        file.write(new)
        file.flush()
        os.fsync(file.fileno())
    # A temporary file is its maker's alone; this one is to be as any new file is.
    umask = os.umask(0)
    os.umask(umask)
    partial.chmod(0o666 & ~umask)


def _refuse_changed(path: Path, was: bytes | None, stands: bytes | None) -> None:
    if stands != was:
        raise BadInput(
            where=str(path),
            what="was changed by someone else just now, and is left as it is",
            would_do="do it again",
        )
