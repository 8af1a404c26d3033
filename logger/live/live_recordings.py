"""Which runs are being recorded on this machine now, by this user.

A recorder keeps a small file in the user's runtime folder while it records, and a lock on it,
so that a note from another terminal, and a page that shows it, find the run. The lock goes with
the process, however it ends; a file without one is stale, whoever else has its process number by
then, and is removed by the next who looks. The registration is a convenience: where it can't be
made, the run is recorded all the same.
"""

from __future__ import annotations

import contextlib
import os
import stat
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import platformdirs

from logger.errors import BadInput
from logger.operating_system import HAS_FILE_LOCKS, lock_file
from logger.recording.parts import first_part

_ENDING = ".recording"
_LARGEST_BYTES = 65_536
_OWNER_ONLY = 0o700


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveRecording:
    """A run that is being recorded now.

    Attributes:
        run_id: the run's name.
        journal: its first part, absolute.
        pid: the recorder's process.
        port: where it lets viewers watch, on the loopback address; 0 for nowhere.
        token: what a viewer must know.
    """

    run_id: str
    journal: str
    pid: int
    port: int = 0
    token: str = ""


def runtime_folder() -> Path:
    """The user's own folder for what lives no longer than a login; not made by this.

    Raises:
        OSError: where none would be safe from other users.
    """
    with warnings.catch_warnings():
        # It warns where the login set no such folder, and falls back to one that serves.
        warnings.simplefilter("ignore")
        return platformdirs.user_runtime_path("slewtrace", appauthor=False)


@contextlib.contextmanager
def registered(run_id: str, journal: Path, *, port: int = 0, token: str = "") -> Iterator[str]:
    """Lets others find a run while it is recorded; leave before it is sealed.

    Args:
        run_id: the run's name.
        journal: its first part.
        port: where viewers may watch, on the loopback address; 0 for nowhere.
        token: what they must know.

    Yields:
        Why it can't be found, one line; empty where it can.
    """
    entry = LiveRecording(
        run_id=run_id, journal=str(journal.absolute()), pid=os.getpid(), port=port, token=token
    )
    try:
        folder = safe_runtime_folder()
        path, descriptor = _write(folder, entry)
    except OSError as exc:
        yield f"no note from another terminal can reach this run: {exc.strerror or exc}"
        return
    try:
        yield ""
    finally:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            os.close(descriptor)
        if not HAS_FILE_LOCKS:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


def live_recordings() -> list[LiveRecording]:
    """The runs that are being recorded now, by name; removes what dead recorders left."""
    try:
        folder = runtime_folder()
        _check_safe(folder)
        paths = sorted(folder.glob(f"*{_ENDING}"))
    except OSError:
        return []
    found = (_living(path) for path in paths)
    return sorted((e for e in found if e is not None), key=lambda e: (e.run_id, e.pid))


def recording_to_note(run: Path | None) -> LiveRecording:
    """The run that a note goes into.

    Args:
        run: a part of its journal, or its folder; None for the only one that is recorded.

    Raises:
        BadInput: where there is none, or more than one; in one line.
    """
    living = live_recordings()
    if run is None:
        fitting, where, nothing = living, "note", "no run is being recorded here now by this user"
    else:
        asked = run.absolute()
        fitting = [e for e in living if _is_of(asked, Path(e.journal))]
        where, nothing = str(run), "is not being recorded now"
    if not fitting:
        raise BadInput(where=where, what=nothing, would_do=_what_would_do(living, run))
    if len(fitting) > 1:
        names = " and ".join(e.journal for e in fitting)
        what = f"{len(fitting)} runs are being recorded: {names}"
        raise BadInput(where=where, what=what, would_do="say which one with --run")
    return fitting[0]


def _what_would_do(living: list[LiveRecording], run: Path | None) -> str:
    if living:
        return f"name {' or '.join(e.journal for e in living)}"
    journal = None if run is None else first_part(run)
    if journal is not None and journal.suffix == ".journal" and journal.is_file():
        return f"if its recorder was killed, run `slewtrace recover {journal}`"
    return "start `slewtrace record` first, as the same user"


def _is_of(asked: Path, journal: Path) -> bool:
    """Whether a folder or a part that someone named is that of a journal."""
    try:
        if asked.is_dir():
            return journal.parent.samefile(asked)
        named = first_part(asked)
        return named.name == journal.name and named.parent.samefile(journal.parent)
    except OSError:
        return False


def safe_runtime_folder() -> Path:
    """The user's own folder, made where it is missing.

    Raises:
        OSError: where none would be safe from other users.
    """
    folder = runtime_folder()
    folder.mkdir(mode=_OWNER_ONLY, parents=True, exist_ok=True)
    _check_safe(folder)
    return folder


def _check_safe(folder: Path) -> None:
    """Refuses a folder that others could have laid there or can write to.

    Raises:
        OSError: where it won't do.
    """
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode):
        raise NotADirectoryError(f"{folder} is no folder")
    if hasattr(os, "geteuid"):
        if found.st_uid != os.geteuid():
            raise PermissionError(f"{folder} belongs to another user")
        if stat.S_IMODE(found.st_mode) & ~_OWNER_ONLY:
            folder.chmod(_OWNER_ONLY)


def _write(folder: Path, entry: LiveRecording) -> tuple[Path, int]:
    """Writes an entry and locks it, before it has the name by which others find it."""
    path = folder / f"{entry.pid}-{os.urandom(4).hex()}{_ENDING}"
    hidden = path.with_suffix(".new") if HAS_FILE_LOCKS else path
    descriptor = os.open(hidden, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        lock_file(descriptor)
        os.write(descriptor, msgspec.json.encode(entry))
        if hidden != path:
            hidden.rename(path)
    except BaseException:
        os.close(descriptor)
        hidden.unlink(missing_ok=True)
        raise
    return path, descriptor


def _living(path: Path) -> LiveRecording | None:
    """What a file says, while its recorder lives; else removes it."""
    try:
        with contextlib.suppress(PermissionError):
            if not HAS_FILE_LOCKS:
                path.unlink()  # refused while its recorder has it open
                return None
        with path.open("rb") as file:
            if HAS_FILE_LOCKS and not _is_locked(file.fileno()):
                path.unlink(missing_ok=True)
                return None
            return msgspec.json.decode(file.read(_LARGEST_BYTES), type=LiveRecording)
    except (OSError, msgspec.DecodeError):
        return None


def _is_locked(descriptor: int) -> bool:
    try:
        lock_file(descriptor, shared=True)
    except BlockingIOError:
        return True
    return False
