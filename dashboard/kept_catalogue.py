"""The catalogue of the served folder, kept open, and what was made of it.

A catalogue that was written anew is opened anew, and what was made of the last one goes with it.
The database is imported when it is first asked for, since most folders have no catalogue.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from functools import partial
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, TypeVar

from dashboard.capacity.method_version import METHOD_VERSION
from logger.errors import BadInput

if TYPE_CHECKING:
    from dashboard.catalogue.queries import Catalogue

Made = TypeVar("Made")
_KEPT = 24


class KeptCatalogue:
    """The catalogue that lies beside the runs of a folder. Safe to use from several threads.

    Args:
        folder: where the runs lie.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._making = threading.Lock()
        self._building = threading.Lock()
        self._closed = False
        self._open: Catalogue | None = None
        self._made: OrderedDict[Hashable, Any] = OrderedDict()

    def now(self) -> Catalogue | None:
        """The catalogue as it stands; None where there is none.

        Raises:
            BadInput: where it is damaged.
        """
        from dashboard.catalogue.queries import catalogue_stamp, open_catalogue  # noqa: PLC0415

        with self._lock:
            if self._closed:
                return None
            stamp = catalogue_stamp(self._folder)
            if self._open is not None and self._open.stamp == stamp:
                return self._open
            self._made.clear()
            self._open = open_catalogue(self._folder) if stamp else None
            return self._open

    def bring_up(self) -> None:
        """Makes the catalogue, or brings it up to date, one run after the other.

        For a folder of some runs; ``slewtrace fleet`` does it with all cores.

        Raises:
            BadInput: where the runs can't be listed, or the catalogue is damaged.
            StorageFailed: where it can't be written.
        """
        from dashboard.catalogue.analysing import analyse_file  # noqa: PLC0415 - only when asked
        from dashboard.catalogue.building import build_catalogue  # noqa: PLC0415
        from dashboard.catalogue.places import catalogue_place, place_of  # noqa: PLC0415

        with self._building:
            build_catalogue(
                place_of(self._folder),
                catalogue_place(self._folder),
                analyse=partial(map, analyse_file),
                method_version=METHOD_VERSION,
            )

    def path_of(self, run_id: str) -> Path | None:
        """The file that the catalogue says a run lies in; None where it says none."""
        try:
            catalogue = self.now()
        except BadInput:  # a page about the catalogue says so; a run is looked for without it
            return None
        row = None if catalogue is None else catalogue.find(run_id)
        if row is None:
            return None
        path = PurePosixPath(row["path"])
        leads_out = path.is_absolute() or ".." in path.parts
        return None if leads_out else self._folder / path

    def once(self, catalogue: Catalogue, key: Hashable, make: Callable[[], Made]) -> Made:
        """What was made of a catalogue; made now where it was not yet, or not lately.

        Args:
            catalogue: as :meth:`now` gave it.
            key: what is wanted.
            make: makes it.

        Raises:
            RuntimeError: once it is closed.
        """
        key = catalogue.stamp, key
        with self._making:  # apart from the other lock, since making may take a while
            with self._lock:
                if key in self._made:
                    self._made.move_to_end(key)
                    known: Made = self._made[key]
                    return known
                if self._closed:
                    raise RuntimeError("the catalogue is closed")
            made = make()
            with self._lock:
                self._made[key] = made
                while len(self._made) > _KEPT:
                    self._made.popitem(last=False)
            return made

    def close(self) -> None:
        """Gives it up, once nobody is reading it: a database must not outlive the program."""
        with self._making, self._lock:
            self._closed = True
            self._made.clear()
            self._open = None
