"""A small fleet of invented runs, and its catalogue built without workers."""

from __future__ import annotations

from pathlib import Path

from dashboard.capacity.method_version import METHOD_VERSION
from dashboard.catalogue.analysing import analyse_file
from dashboard.catalogue.building import build_catalogue
from dashboard.catalogue.places import catalogue_place, place_of
from dashboard.demo.synthetic_fleet import FleetPlan, write_fleet

PLAN = FleetPlan(runs=6, seed=5, trucks=3, builds=2, kits=2)


def small_fleet(tmp_path_factory):
    """A folder with the runs of ``PLAN`` and their catalogue, made once; not to be changed."""
    folder = tmp_path_factory.getbasetemp() / "small-fleet"
    if not folder.exists():
        list(write_fleet(folder, PLAN))
        build_here(folder)
    return folder


class Analyst:
    """Carries tasks out one after the other, and keeps which runs it truly analysed.

    Args:
        gives_up_after: breaks off after so many, as a person does with Ctrl-C.
        order: turns the list of tasks into another order.
    """

    def __init__(self, *, gives_up_after=None, order=list):
        self.gives_up_after = gives_up_after
        self.order = order
        self.looked_at = []
        self.analysed = []

    def __call__(self, tasks):
        """What came of each task."""
        for number, task in enumerate(self.order(tasks)):
            if number == self.gives_up_after:
                raise KeyboardInterrupt
            outcome = analyse_file(task)
            self.looked_at.append(Path(task.path).name)
            if outcome.run is not None:
                self.analysed.append(Path(task.path).name)
            yield outcome


def build_here(runs, catalogue=None, *, analyst=None, method_version=METHOD_VERSION):
    """Builds a catalogue in this process; by default beside the runs."""
    return build_catalogue(
        place_of(runs),
        catalogue_place(runs) if catalogue is None else place_of(catalogue),
        analyse=analyst or Analyst(),
        method_version=method_version,
    )
