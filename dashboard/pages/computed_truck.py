"""What is computed of a run's truck, once for each result however often it is drawn."""

from __future__ import annotations

import threading
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

from dashboard.capacity.fit.capacity_curve import CapacityCurve, capacity_curve
from dashboard.capacity.fit.measured_lifts import MeasuredLift, observations_from_result
from dashboard.capacity.fit.model_fit import fit_model
from dashboard.capacity.truck.truck_model import model_result
from dashboard.shelf.analyses import Result
from logger.errors import SlewtraceError
from logger.recording.run import Run


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stands:
    """How the truck of the test file stands all the way round.

    Attributes:
        document: a ``slewtrace.model/1`` document; None where it can't be computed.
        trouble: why not, one line; else empty.
    """

    document: dict[str, Any] | None
    trouble: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedCapacity:
    """Capacity by the model, fitted to what the run measured.

    Attributes:
        curve: capacity against slew angle; None where it can't be computed.
        lifts: the measured lifts.
        verdict: what the fit says of itself; empty without a fit.
        trouble: why something is missing, one line; else empty.
    """

    curve: CapacityCurve | None
    lifts: tuple[MeasuredLift, ...]
    verdict: str = ""
    trouble: str = ""


class ComputedTrucks:
    """Computed trucks, kept as long as the results that they belong to."""

    def __init__(self) -> None:
        self._standing, self._fitting = threading.Lock(), threading.Lock()
        self._stands: WeakKeyDictionary[Future[Result], Stands] = WeakKeyDictionary()
        self._capacities: WeakKeyDictionary[Future[Result], FittedCapacity] = WeakKeyDictionary()

    def stands(self, run: Run, future: Future[Result]) -> Stands:
        """How the truck stands with the planned load at the planned radius.

        Args:
            run: a run whose test file has a model.
            future: its result; waited for.
        """
        with self._standing:
            if future not in self._stands:
                self._stands[future] = _stands(run, future.result())
            return self._stands[future]

    def capacity(self, run: Run, future: Future[Result]) -> FittedCapacity:
        """Its capacity all the way round.

        Args:
            run: a run whose test file has a model.
            future: its result; waited for.
        """
        with self._fitting:
            if future not in self._capacities:
                self._capacities[future] = _capacity(run, future.result())
            return self._capacities[future]


def _stands(run: Run, result: Result) -> Stands:
    plan = result["plan"]
    try:
        document = model_result(
            run.header.test, radius_m=plan["guarded_radius_m"], load_kg=plan["test_load_kg"]
        )
    except (SlewtraceError, ValueError) as exc:
        return Stands(document=None, trouble=str(exc))
    return Stands(document=document)


def _capacity(run: Run, result: Result) -> FittedCapacity:
    model, plan = run.header.test.model, result["plan"]
    lifts, stays = observations_from_result(result)
    if model is None:
        return FittedCapacity(curve=None, lifts=lifts)
    fit, trouble = None, ""
    try:
        fit = fit_model(model, lifts, stays) if lifts or stays else None
    except (SlewtraceError, ValueError) as exc:
        trouble = f"the fit to the measured lifts ({exc}); the line is of the model as given"
    try:
        curve = capacity_curve(
            fit or model,
            load_kg=plan["test_load_kg"],
            radius_m=plan["guarded_radius_m"],
            required_nm=plan["required_moment_nm"],
        )
    except (SlewtraceError, ValueError) as exc:
        return FittedCapacity(curve=None, lifts=lifts, trouble=f"the capacity ({exc})")
    verdict = fit.verdict if fit else ""
    return FittedCapacity(curve=curve, lifts=lifts, verdict=verdict, trouble=trouble)
