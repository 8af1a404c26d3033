"""Where a fleet's runs and its catalogue lie: a folder, or a bucket by its fsspec URL.

A place is small on purpose: list, take, put whole, remove. A folder puts a file by writing
another beside it and renaming; an object store puts whole objects by itself. Names are paths
from the place on, with slashes, and never lead out of it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Protocol

from dashboard.catalogue.bucket import Bucket
from dashboard.catalogue.run_stamps import CORRECTIONS, RUN_SUFFIX, run_stamps
from logger.errors import BadInput, StorageFailed
from logger.recording.new_file import make_folder, sync_folder

OWN_FOLDER = ".slewtrace"
"""Folder beside the runs in which what was made of them lies; listings pass it by."""


class Place(Protocol):
    """A folder or a bucket.

    Attributes:
        words: the place as a person named it.
    """

    words: str

    def below(self, *names: str) -> Place:
        """A place within this one; it need not be there yet."""

    def names(self) -> list[str]:
        """Names of the files right here; none where the place is not there."""

    def runs(self) -> dict[str, str]:
        """Every run here and below by its path, with a stamp that changes when it does.

        Folders and files whose name begins with a dot are passed by. The corrections that lie
        beside a run are part of its stamp.

        Raises:
            BadInput: where the place is not there or can't be listed.
        """

    def has(self, name: str) -> bool:
        """Whether a file is there."""

    def get(self, name: str) -> bytes | None:
        """A file's bytes; None where it is not there."""

    def put(self, name: str, data: bytes | memoryview) -> None:
        """Puts a file in place, whole, over one of the same name.

        Raises:
            StorageFailed: where it is refused.
        """

    def put_file(self, name: str, local: Path) -> None:
        """Puts a copy of a file of this machine in place, whole, over one of the same name.

        Raises:
            StorageFailed: where it is refused.
        """

    def remove(self, name: str) -> None:
        """Removes a file, if it is there."""

    def at_hand(self, path: str) -> contextlib.AbstractContextManager[Path]:
        """A run, with its corrections, as a file of this machine for a while.

        Raises:
            RunUnreadable: where it is not there or can't be fetched.
        """


def place_of(named: str | Path) -> Place:
    """The place that a person named: a path, or an URL with ``://``.

    Raises:
        BadInput: for an URL of a kind that is not installed.
    """
    return Bucket(str(named)) if "://" in str(named) else Folder(Path(named))


def catalogue_place(runs: str | Path) -> Place:
    """Where the catalogue of a fleet lies unless someone said otherwise.

    Raises:
        BadInput: for an URL of a kind that is not installed.
    """
    return place_of(runs).below(OWN_FOLDER, "catalogue")


class Folder:
    """A folder of this machine."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.words = str(path)

    def below(self, *names: str) -> Folder:
        """A folder within this one."""
        return Folder(self._path.joinpath(*names))

    def names(self) -> list[str]:
        """Names of the files right here."""
        with contextlib.suppress(FileNotFoundError):
            return sorted(entry.name for entry in os.scandir(self._path) if entry.is_file())
        return []

    def runs(self) -> dict[str, str]:
        """Every run here and below, with its stamp."""
        found: dict[str, tuple[int, int]] = {}
        try:
            _scan(self._path, "", found)
        except OSError as exc:
            raise BadInput(
                where=str(exc.filename or self._path),
                what=f"can't be listed ({exc.strerror})",
                would_do="name a folder of sealed runs",
            ) from exc
        return run_stamps({name: f"{size} {changed}" for name, (size, changed) in found.items()})

    def has(self, name: str) -> bool:
        """Whether a file is there."""
        return (self._path / name).is_file()

    def get(self, name: str) -> bytes | None:
        """A file's bytes."""
        with contextlib.suppress(FileNotFoundError, NotADirectoryError):
            return (self._path / name).read_bytes()
        return None

    def put(self, name: str, data: bytes | memoryview) -> None:
        """Writes beside it, syncs, renames."""
        with self._beside(name) as file:
            file.write(data)

    def put_file(self, name: str, local: Path) -> None:
        """Copies beside it, syncs, renames."""
        with self._beside(name) as file, local.open("rb") as source:
            shutil.copyfileobj(source, file, 1 << 20)

    @contextlib.contextmanager
    def _beside(self, name: str) -> Iterator[BinaryIO]:
        """A file to write to that takes the name when it is whole."""
        make_folder(self._path)
        try:
            descriptor, partial = tempfile.mkstemp(dir=self._path, prefix=f".{name}.")
            try:
                with os.fdopen(descriptor, "wb") as file:
                    yield file
                    file.flush()
                    os.fsync(file.fileno())
                Path(partial).chmod(0o644)
                Path(partial).replace(self._path / name)
            finally:
                Path(partial).unlink(missing_ok=True)
            sync_folder(self._path)
        except OSError as exc:
            where = self._path / name
            raise StorageFailed(f"{where}: can't be written ({exc.strerror or exc})") from exc

    def remove(self, name: str) -> None:
        """Removes a file."""
        (self._path / name).unlink(missing_ok=True)

    @contextlib.contextmanager
    def at_hand(self, path: str) -> Iterator[Path]:
        """The file itself."""
        yield self._path / path


def _scan(folder: Path | str, prefix: str, found: dict[str, tuple[int, int]]) -> None:
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.startswith("."):
                continue
            if entry.is_dir():
                if not entry.is_symlink():  # a link may lead in a circle
                    _scan(entry.path, f"{prefix}{entry.name}/", found)
            elif entry.name.endswith((RUN_SUFFIX, CORRECTIONS)):
                with contextlib.suppress(FileNotFoundError):  # gone just now
                    stat = entry.stat()
                    found[prefix + entry.name] = (stat.st_size, stat.st_mtime_ns)
