"""From a fleet's files to its catalogue, doing again only what is not known.

A file whose stamp has not changed is not opened. One that has is opened, and analysed unless
rows of the same content, the same corrections and this version of the method are there. What
comes out depends on the files alone: not on who analysed them, in which order, or how often the
job was broken off. Of two files with one run id the first by path counts.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from dashboard.catalogue.known import Known, what_is_known
from dashboard.catalogue.places import Place
from dashboard.catalogue.snapshot import Snapshot, read_snapshot, write_snapshot
from dashboard.catalogue.tasks import Outcome, Task

Analyse = Callable[[list[Task]], Iterable[Outcome]]
"""Has tasks carried out, in any order."""

Told = Callable[[int, int], None]
"""Hears how many of how many tasks are done."""

KEEP_EVERY_S = 60.0
"""How often what is known so far is written, s."""
KEEPING_SHARE = 0.05
"""Of the time that may go into that: a catalogue of a million rows takes seconds to write."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """What a building came to.

    Attributes:
        runs: rows of runs in the catalogue.
        sectors: rows of sectors.
        set_aside: files that are set aside, each with its reason, by path.
        looked_at: files that were new or changed.
        analysed: those of them whose rows were not known.
        removed: files that are gone since the last time.
        written: whether the catalogue had to be written.
    """

    runs: int
    sectors: int
    set_aside: dict[str, str]
    looked_at: int
    analysed: int
    removed: int
    written: bool


def build_catalogue(
    runs: Place,
    catalogue: Place,
    *,
    analyse: Analyse,
    method_version: str,
    told: Told = lambda _done, _of: None,
) -> Built:
    """Builds a catalogue, or brings it up to what the files are now.

    Args:
        runs: where the sealed runs lie.
        catalogue: where the catalogue is to lie.
        analyse: has tasks carried out.
        method_version: of the method that analyses.
        told: hears how far it is.

    Raises:
        BadInput: where the runs can't be listed, or the catalogue there is damaged.
        StorageFailed: where it can't be written.
    """
    stamps = runs.runs()
    last = read_snapshot(catalogue)
    known = what_is_known(stamps, last, method_version)
    keeper = _Keeper(catalogue, known, method_version)
    tasks = known.tasks(runs.words, stamps)
    looked_at = 0
    while tasks:
        looked_at += len(tasks)
        _carry_out(tasks, stamps, known, analyse=analyse, told=told, keeper=keeper)
        # A file that stood behind another of its run id may count now.
        tasks = known.without_rows(runs.words)
    written = looked_at > 0 or known.removed > 0 or not _settled(last, method_version)
    if written:
        keeper.keep(waiting=0)
        last = read_snapshot(catalogue)
    return _built(last, known, looked_at=looked_at, written=written)


def _built(last: Snapshot | None, known: Known, *, looked_at: int, written: bool) -> Built:
    aside = [] if last is None else last.tables["set_aside"].to_pylist()
    rows = {} if last is None else last.rows
    return Built(
        runs=rows.get("runs", 0),
        sectors=rows.get("sectors", 0),
        set_aside={row["path"]: row["reason"] for row in aside},
        looked_at=looked_at,
        analysed=known.analysed,
        removed=known.removed,
        written=written,
    )


def _settled(last: Snapshot | None, method_version: str) -> bool:
    return last is not None and not last.waiting and last.method_version == method_version


def _carry_out(
    tasks: list[Task],
    stamps: Mapping[str, str],
    known: Known,
    *,
    analyse: Analyse,
    told: Told,
    keeper: _Keeper,
) -> None:
    """Has tasks carried out; whatever breaks it off, what was done is kept."""
    done = 0
    told(done, len(tasks))
    try:
        for done, outcome in enumerate(analyse(tasks), start=1):
            known.take(outcome, stamps[outcome.path])
            told(done, len(tasks))
            keeper.keep_now_and_then(waiting=len(tasks) - done)
    except BaseException:
        keeper.keep(waiting=len(tasks) - done)
        raise


class _Keeper:
    """Writes the catalogue as far as it is known."""

    def __init__(self, catalogue: Place, known: Known, method_version: str) -> None:
        self._catalogue = catalogue
        self._known = known
        self._method_version = method_version
        self._next_s = time.monotonic() + KEEP_EVERY_S

    def keep_now_and_then(self, *, waiting: int) -> None:
        """Writes it where that was long ago."""
        begun_s = time.monotonic()
        if waiting and begun_s >= self._next_s:
            self.keep(waiting=waiting)
            now_s = time.monotonic()
            self._next_s = now_s + max(KEEP_EVERY_S, (now_s - begun_s) / KEEPING_SHARE)

    def keep(self, *, waiting: int) -> None:
        """Writes it."""
        write_snapshot(
            self._catalogue,
            self._known.tables(),
            method_version=self._method_version,
            waiting=waiting,
        )
