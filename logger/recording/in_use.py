"""Who has a run in hand: its recorder, or the one who seals it.

A recorder holds a lock on its run's first part from the beginning to the end, and so does
whoever seals a run, so that nobody seals what is being recorded or seals it twice at once.
Readers hold no such lock. A system without it (Windows) keeps the name of a file that is open,
and whoever seals a run asks for that: there a reader holds it up too, for as long as it reads.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator
from pathlib import Path

from logger.errors import RunUnreadable
from logger.operating_system import HAS_FILE_LOCKS, is_open_elsewhere, lock_file

_NO_SUCH_LOCK = (errno.ENOSYS, errno.ENOTSUP, errno.ENOLCK, errno.EINVAL)


class InUse(OSError):
    """Another process has the run in hand."""


class RunInHand:
    """A run in hand until :meth:`release`.

    Args:
        path: a file of the run that is there.

    Raises:
        InUse: where another one has it.
        OSError: where the file can't be opened.
    """

    def __init__(self, path: Path) -> None:
        self._descriptor = -1
        if not HAS_FILE_LOCKS:
            return
        descriptor = os.open(path, os.O_RDONLY)
        try:
            lock_file(descriptor)
        except OSError as exc:
            if exc.errno in _NO_SUCH_LOCK:
                self._descriptor = descriptor
                return
            os.close(descriptor)
            raise (InUse() if isinstance(exc, BlockingIOError) else exc) from exc
        self._descriptor = descriptor

    def release(self) -> None:
        """Lets it go; only after SQLite has closed the file, whose locks end with any close."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


@contextlib.contextmanager
def run_in_hand(path: Path) -> Iterator[None]:
    """Has a run in hand while it is sealed.

    Args:
        path: a part of the run; where it is no file, nothing is held.

    Raises:
        RunUnreadable: where another process has it, or it can't be opened.
    """
    if not path.is_file():
        yield
        return
    if is_open_elsewhere(path):
        raise _in_use(path)
    try:
        held = RunInHand(path)
    except InUse as exc:
        raise _in_use(path) from exc
    except OSError as exc:
        raise RunUnreadable(where=str(path), what=f"can't be opened ({exc.strerror})") from exc
    try:
        yield
    finally:
        held.release()


def _in_use(path: Path) -> RunUnreadable:
    return RunUnreadable(
        where=str(path),
        what="is in use, perhaps it is being recorded now",
        would_do="stop the recorder first; it seals the run itself",
    )
