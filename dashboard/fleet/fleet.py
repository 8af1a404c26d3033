"""A fleet's catalogue, made by as many workers as are asked for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.capacity.method_version import METHOD_VERSION
from dashboard.catalogue.building import Built, Told, build_catalogue
from dashboard.catalogue.columns import TABLES
from dashboard.catalogue.places import Place, catalogue_place, place_of
from dashboard.catalogue.snapshot import read_snapshot
from dashboard.catalogue.tasks import Outcome, Task
from dashboard.fleet.workers import analyse_on, refuse_without_dask, workers

if TYPE_CHECKING:
    from dashboard.fleet.packing import Packed


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """Where a fleet's runs and its catalogue lie, and who analyses.

    Attributes:
        runs: where the sealed runs lie.
        catalogue: where the catalogue is to lie.
        count: worker processes of this machine; None for one a core.
        scheduler: address of a running scheduler, in place of workers of this machine.
    """

    runs: Place
    catalogue: Place
    count: int | None = None
    scheduler: str | None = None

    def build(self, told: Told) -> Built:
        """Brings the catalogue up to what the files are now.

        Args:
            told: hears how far it is.

        Raises:
            BadInput: where dask is missing, the runs can't be listed, the scheduler does not
                answer, or the catalogue that is there is damaged.
            StorageFailed: where the catalogue can't be written.
        """
        refuse_without_dask()
        return build_catalogue(
            self.runs,
            self.catalogue,
            analyse=self._analyse,
            method_version=METHOD_VERSION,
            told=told,
        )

    def _analyse(self, tasks: list[Task]) -> Iterator[Outcome]:
        """Workers are started only where there is something to do, and no more than that."""
        count = self.count and min(self.count, len(tasks))
        with workers(count=count, scheduler=self.scheduler) as client:
            yield from analyse_on(client, tasks)

    def pack(self, packs: Place, *, pack_bytes: float, told: Told) -> Packed:
        """Packs the runs of the catalogue.

        Args:
            packs: where the packs are to lie.
            pack_bytes: how large a pack is to become.
            told: hears how far it is.

        Raises:
            BadInput: where the packs that are there are damaged.
            StorageFailed: where a pack can't be written.
        """
        from dashboard.fleet.packing import pack_fleet  # noqa: PLC0415 - few ask for it

        snapshot = read_snapshot(self.catalogue)
        rows = TABLES["runs"].empty_table() if snapshot is None else snapshot.tables["runs"]
        return pack_fleet(self.runs, rows, packs, pack_bytes=pack_bytes, told=told)


def fleet_of(
    runs: str, *, catalogue: str | None, count: int | None = None, scheduler: str | None = None
) -> Fleet:
    """A fleet as a person names it.

    Args:
        runs: folder, or URL of a bucket.
        catalogue: likewise, where its catalogue is to lie; beside the runs by default.
        count: worker processes of this machine.
        scheduler: address of a running scheduler.

    Raises:
        BadInput: for an URL of a kind that is not installed.
    """
    # Workers of another folder, or another machine, must find it too.
    named = runs if "://" in runs else str(Path(runs).resolve())
    return Fleet(
        runs=place_of(named),
        catalogue=catalogue_place(named) if catalogue is None else place_of(catalogue),
        count=count,
        scheduler=scheduler,
    )
