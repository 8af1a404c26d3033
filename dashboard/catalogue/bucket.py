"""Runs and a catalogue in a bucket, or wherever else an fsspec URL leads."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import Any

from dashboard.catalogue.run_stamps import CORRECTIONS, run_stamps
from logger.errors import BadInput, RunUnreadable, StorageFailed


class Bucket:
    """A bucket, or anything else that fsspec has an URL for.

    Object stores put an object whole; a ``file://`` URL of fsspec does not, so name a path.
    """

    def __init__(self, url: str) -> None:
        self.words = url.rstrip("/")
        self._fs, self._root = _opened(self.words)

    def below(self, *names: str) -> Bucket:
        """A prefix within this one."""
        return Bucket("/".join([self.words, *names]))

    def names(self) -> list[str]:
        """Names of the objects right here."""
        self._fs.invalidate_cache(self._root)
        with contextlib.suppress(FileNotFoundError):
            entries = self._fs.ls(self._root, detail=True)
            return sorted(PurePosixPath(e["name"]).name for e in entries if e["type"] == "file")
        return []

    def runs(self) -> dict[str, str]:
        """Every run here and below, with its stamp, from one listing."""
        self._fs.invalidate_cache()
        try:
            found = self._fs.find(self._root, detail=True)
        except Exception as exc:  # each store has errors of its own
            raise _refused(self.words, exc) from exc
        cut = len(self._root) + 1
        stamps = {path[cut:]: _bucket_stamp(entry) for path, entry in found.items()}
        return run_stamps({name: stamp for name, stamp in stamps.items() if "/." not in f"/{name}"})

    def has(self, name: str) -> bool:
        """Whether an object is there."""
        return bool(self._fs.exists(self._at(name)))

    def get(self, name: str) -> bytes | None:
        """An object's bytes."""
        with contextlib.suppress(FileNotFoundError):
            return bytes(self._fs.cat_file(self._at(name)))
        return None

    def put(self, name: str, data: bytes | memoryview) -> None:
        """Puts an object."""
        try:
            self._fs.makedirs(self._root, exist_ok=True)
            self._fs.pipe_file(self._at(name), bytes(data))
        except Exception as exc:  # each store has errors of its own
            raise StorageFailed(f"{self._at(name)}: can't be written ({_one_line(exc)})") from exc

    def put_file(self, name: str, local: Path) -> None:
        """Puts an object from a file."""
        try:
            self._fs.makedirs(self._root, exist_ok=True)
            self._fs.put_file(str(local), self._at(name))
        except Exception as exc:  # each store has errors of its own
            raise StorageFailed(f"{self._at(name)}: can't be written ({_one_line(exc)})") from exc

    def remove(self, name: str) -> None:
        """Removes an object."""
        with contextlib.suppress(FileNotFoundError):
            self._fs.rm_file(self._at(name))

    @contextlib.contextmanager
    def at_hand(self, path: str) -> Iterator[Path]:
        """A copy in a folder of its own, which goes afterwards."""
        with tempfile.TemporaryDirectory(prefix="slewtrace-") as folder:
            local = Path(folder) / PurePosixPath(path).name
            sidecar = str(PurePosixPath(path).with_suffix(CORRECTIONS))
            try:
                self._fs.get_file(self._at(path), str(local))
                if self._fs.exists(self._at(sidecar)):
                    self._fs.get_file(self._at(sidecar), str(local.with_suffix(CORRECTIONS)))
            except Exception as exc:  # each store has errors of its own
                what = f"can't be fetched ({_one_line(exc)})"
                raise RunUnreadable(where=f"{self.words}/{path}", what=what) from exc
            yield local

    def _at(self, name: str) -> str:
        return f"{self._root}/{name}"


def _bucket_stamp(entry: dict[str, Any]) -> str:
    """Size, and whichever of the store's marks of a change there is."""
    marks = ("ETag", "etag", "LastModified", "last_modified", "mtime", "updated", "created")
    mark = next((entry[m] for m in marks if entry.get(m)), "")
    return f"{entry.get('size')} {mark}"


def _opened(url: str) -> tuple[Any, str]:
    try:
        import fsspec  # noqa: PLC0415 - of the extra, and not needed for folders

        fs, root = fsspec.core.url_to_fs(url)
    except ImportError as exc:
        raise BadInput(
            where=url,
            what=f"what reads such an URL is not installed ({_one_line(exc)})",
            would_do="pip install slewtrace[fleet], and the fsspec package of that store",
        ) from exc
    except Exception as exc:  # each store has errors of its own
        raise _refused(url, exc) from exc
    return fs, str(root).rstrip("/")


def _refused(url: str, exc: Exception) -> BadInput:
    return BadInput(where=url, what=f"can't be listed ({_one_line(exc)})")


def _one_line(exc: Exception) -> str:
    return " ".join(str(exc).split())[:200] or type(exc).__name__
