"""The truck of a test file fitted to the lifts of sealed runs, and what follows from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from dashboard.capacity.fit.ballast import AllRound
from dashboard.capacity.fit.capacity_curve import CapacityCurve, capacity_curve
from dashboard.capacity.fit.fit_result import ModelFit
from dashboard.capacity.fit.fit_spread import possible_departures
from dashboard.capacity.fit.measured_lifts import (
    MeasuredLift,
    MeasuredStay,
    observations_from_result,
)
from dashboard.capacity.fit.model_fit import fit_model
from dashboard.capacity.fit.predicted_lift import PredictedLift, predict_lift
from dashboard.capacity.fit.remedies import Remedies, find_remedies
from dashboard.capacity.planning.methods import required_moment
from dashboard.results import analyse
from logger.errors import BadInput
from logger.readings.test_file import TestFile
from logger.recording.run import open_run


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedTruck:
    """A fit and what follows from it.

    Attributes:
        fit: the fit.
        curve: capacity against slew angle with its band.
        predicted: the first lift foreseen on each side.
        remedies: what would let the truck carry the load all round.
    """

    fit: ModelFit
    curve: CapacityCurve
    predicted: tuple[PredictedLift, ...]
    remedies: Remedies

    def document(self) -> dict[str, Any]:
        """All of it as plain values."""
        return self.fit.document() | {
            "capacity": self.curve.document(),
            "predicted": [asdict(p) for p in self.predicted],
            "remedies": self.remedies.document(),
        }


def fit_to_runs(
    test: TestFile, runs: Sequence[Path], *, load_kg: float, radius_m: float
) -> FittedTruck:
    """Fits the truck to the lifts and stays of one or more runs.

    Args:
        test: the test file; its ``[model]`` is the given truck.
        runs: sealed runs of tests of this truck.
        load_kg: load that the curve and the remedies are for, kg.
        radius_m: its radius, m.

    Raises:
        RunUnreadable: where a run can't be read.
        BadInput: where a run is of another truck, or holds nothing to fit to.
        FileInvalid: where the test file has no model, or a lifted wheel is not in it.
    """
    if test.model is None:
        raise BadInput(
            where="test file, [model]", what="is missing", would_do="describe the truck there"
        )
    lifts: list[MeasuredLift] = []
    stays: list[MeasuredStay] = []
    for path in runs:
        run = open_run(path)
        if run.header.test.truck.id != test.truck.id:
            raise BadInput(
                where=f"--fit {path}",
                what=f"is a test of truck {run.header.test.truck.id!r}, not {test.truck.id!r}",
                would_do="name runs of the truck in the test file",
            )
        seen_lifts, seen_stays = observations_from_result(analyse(run))
        lifts += seen_lifts
        stays += seen_stays
    fit = fit_model(test.model, lifts, stays)
    possible = possible_departures(fit)
    required_nm = required_moment(test).moment_nm
    wanted = AllRound(
        load_kg=load_kg,
        radius_m=radius_m,
        limit_right_deg=test.truck.slew_limit_right_deg,
        limit_left_deg=test.truck.slew_limit_left_deg,
    )
    return FittedTruck(
        fit=fit,
        curve=capacity_curve(
            fit, load_kg=load_kg, radius_m=radius_m, required_nm=required_nm, possible=possible
        ),
        predicted=(
            predict_lift(fit, "right", load_kg=load_kg, radius_m=radius_m, possible=possible),
            predict_lift(fit, "left", load_kg=load_kg, radius_m=radius_m, possible=possible),
        ),
        remedies=find_remedies(fit, wanted, required_nm=required_nm, possible=possible),
    )
