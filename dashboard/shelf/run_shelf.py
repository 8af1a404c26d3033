"""Which runs a folder holds.

A run is named by its id and looked up among the files that the folder holds; an id never becomes
a path. Listing reads footers only. A file that can't be read is part of the list, with the reason
in one line.
"""

from __future__ import annotations

import math
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dashboard.shelf.stamps import Stamp, stamp_if_there
from logger.errors import RunUnreadable
from logger.recording.parts import first_parts
from logger.recording.run import Run, open_run

CATALOGUED_HELD = 20
"""Runs found by the catalogue that are kept."""
_AT_ONCE = 20
"""Newest files that are opened however long it takes: a small folder is never shown in part."""
_PATIENCE_S = 0.4
"""How long a page may wait for files of a large folder that were not looked at yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable:
    """A file of the folder that can't be shown.

    Attributes:
        path: the file.
        reason: why, one line.
    """

    path: Path
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """What lies in the folder.

    Attributes:
        runs: sealed runs, the newest first.
        journals: runs that were not sealed.
        unreadable: the rest.
        unread: how many files were not looked at yet; a thread goes on with them.
    """

    runs: tuple[Run, ...]
    journals: tuple[Path, ...]
    unreadable: tuple[Unreadable, ...]
    unread: int = 0

    def run(self, run_id: str) -> Run | None:
        """The run of an id, or None."""
        return next((r for r in self.runs if r.header.run_id == run_id), None)


class RunShelf:
    """The runs of one folder. Safe to use from several threads.

    Args:
        folder: where the runs lie.
        path_of: the catalogue's word on where a run lies: here, or in a folder below.
    """

    def __init__(self, folder: Path, *, path_of: Callable[[str], Path | None]) -> None:
        self._folder = folder
        self._path_of = path_of
        self._lock = threading.Lock()
        self._opened: dict[Stamp, Run | Unreadable] = {}
        self._catalogued: OrderedDict[Stamp, Run | Unreadable] = OrderedDict()
        self._opener: threading.Thread | None = None
        self._closed = False

    def look(self, *, patience_s: float | None = None, called: str = "") -> Shelf:
        """What lies in the folder now.

        Args:
            patience_s: how long files may be opened that were not yet, the newest first; None
                opens all.
            called: name, without its ending, of the file to open before all others and in any case.
        """
        if patience_s is not None and self._is_opening():
            patience_s = 0.0
        known, unread = self._look(patience_s, called)
        if unread:
            self._open_the_rest()
        unreadable = [k for k in known.values() if isinstance(k, Unreadable)]
        runs: dict[str, Run] = {}
        for run in (k for k in known.values() if isinstance(k, Run)):
            first = runs.setdefault(run.header.run_id, run)
            if first is not run:
                reason = f"holds run {run.header.run_id}, as {first.path.name} does; move one away"
                unreadable.append(Unreadable(path=run.path, reason=reason))
        newest = sorted(runs.values(), key=lambda r: r.header.started_utc or "", reverse=True)
        return Shelf(
            runs=tuple(newest),
            journals=tuple(first_parts(self._folder)),
            unreadable=tuple(unreadable),
            unread=unread,
        )

    def find(self, run_id: str) -> Run | None:
        """The run of an id, or None where there is none here or in a folder below.

        Where files of a large folder were not opened yet, that called as the id is opened first;
        whoever asks for none of those that were waits for the thread that opens the rest.
        """
        if not run_id:
            return None
        shelf = self.look(patience_s=_PATIENCE_S, called=run_id)
        found = shelf.run(run_id) or self._find_catalogued(run_id)
        while found is None and shelf.unread and not self._closed:
            shelf = self._look_when_more_is_opened()
            found = shelf.run(run_id)
        return found

    def stamps(self) -> set[Stamp]:
        """All files that are known as they were when last looked at."""
        with self._lock:
            return self._opened.keys() | self._catalogued.keys()

    def close(self) -> None:
        """Opens no more files."""
        self._closed = True

    def _find_catalogued(self, run_id: str) -> Run | None:
        path = self._path_of(run_id)
        stamp = None if path is None else stamp_if_there(path)
        if stamp is None:
            return None
        with self._lock:
            found = self._catalogued.get(stamp) or self._opened.get(stamp)
        found = found or _open(stamp[0])
        with self._lock:
            self._catalogued[stamp] = found
            while len(self._catalogued) > CATALOGUED_HELD:
                self._catalogued.popitem(last=False)
        return found if isinstance(found, Run) and found.header.run_id == run_id else None

    def _look_when_more_is_opened(self) -> Shelf:
        """Waits for the thread that opens files; opens them itself where that thread has ended."""
        opener = self._opener
        if opener is None or not opener.is_alive():
            return self.look()
        opener.join(_PATIENCE_S)
        return self.look(patience_s=0.0)

    def _look(
        self, patience_s: float | None, called: str = ""
    ) -> tuple[dict[Stamp, Run | Unreadable], int]:
        """The folder's files, opened as far as patience goes, and how many were not."""
        paths = sorted(self._folder.glob("*.parquet"))
        stamps = [stamp for p in paths if (stamp := stamp_if_there(p)) is not None]
        until_s = math.inf if patience_s is None else time.monotonic() + patience_s
        with self._lock:
            opened = {s: self._opened[s] for s in stamps if s in self._opened}
        # Files are opened without the lock: others look at the folder meanwhile.
        newest = sorted(
            (s for s in stamps if s not in opened),
            key=lambda s: (s[0].stem == called, s[1]),
            reverse=True,
        )
        for number, stamp in enumerate(newest):
            late = time.monotonic() >= until_s and (number >= _AT_ONCE or not patience_s)
            if late and stamp[0].stem != called:
                break
            opened[stamp] = _open(stamp[0])
        with self._lock:
            opened |= {s: self._opened[s] for s in stamps if s in self._opened}
            known = {s: opened[s] for s in stamps if s in opened}
            self._opened = known
        return known, len(stamps) - len(known)

    def _is_opening(self) -> bool:
        return self._opener is not None and self._opener.is_alive()

    def _open_the_rest(self) -> None:
        with self._lock:
            if self._closed or self._is_opening():
                return
            self._opener = threading.Thread(target=self._keep_opening, name="open", daemon=True)
            self._opener.start()

    def _keep_opening(self) -> None:
        while not self._closed:
            _, unread = self._look(_PATIENCE_S)
            if not unread:
                return
            time.sleep(_PATIENCE_S / 4)  # so that a page gets its turn


def _open(path: Path) -> Run | Unreadable:
    try:
        return open_run(path)
    except RunUnreadable as exc:
        reason = f"{exc.what}; {exc.would_do}" if exc.would_do else exc.what
        return Unreadable(path=path, reason=reason)
