"""What a fit of the truck model comes to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.fit.fit_parameters import Free, changed
from dashboard.capacity.fit.identifiability import Identifiability, Told
from dashboard.capacity.fit.measured_lifts import MeasuredLift, MeasuredStay
from logger.readings.model_table import TruckModel

FORMAT = "slewtrace.model-fit/1"

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedParameter:
    """One parameter after the fit.

    Attributes:
        name: its name.
        words: what it is.
        unit: ``m``, or ``1`` for a factor on the given stiffness.
        value: its value: m in the vehicle frame, a preload's change in m, or a factor.
        given: what the test file says.
        u: standard uncertainty; of a factor, relative.
        u_before: the same before the fit.
        low: lower bound of the value.
        high: upper bound.
        at_bound: whether the fit ended at a bound.
        told: whether the lifts determine it.
        tied_to: parameters that it can be traded for.
    """

    name: str
    words: str
    unit: str
    value: float
    given: float
    u: float
    u_before: float
    low: float
    high: float
    at_bound: bool
    told: Told
    tied_to: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModelFit:
    """A truck model after its fit.

    Attributes:
        given: the model of the test file.
        model: the fitted one.
        lifts: the lifts it was fitted to.
        stays: the stays.
        free: the parameters that were free.
        departure: their fitted departures, shape (parameters,), m or logarithms of factors.
        unknown: the same over ``u_before``, then the common errors of load, radius and slew zero
            over their standard uncertainties.
        covariance: of the departures, shape (parameters, parameters).
        parameters: the same for people.
        off_deg: model's angle less measured angle of each lift, shape (lifts,), deg.
        off_u: the same in standard uncertainties of the measured angle, after the common
            errors of load, radius and slew zero were fitted, shape (lifts,).
        chi_square: sum of all squared residuals, those of what was known before included.
        degrees_of_freedom: number of lifts.
        probability: that a right model fits no better than this one.
        explains: whether the model explains the lifts.
        verdict: that in a sentence.
        identifiability: what the lifts tell and what not.
    """

    given: TruckModel
    model: TruckModel
    lifts: tuple[MeasuredLift, ...]
    stays: tuple[MeasuredStay, ...]
    free: tuple[Free, ...]
    departure: Numbers
    unknown: Numbers
    covariance: Numbers
    parameters: tuple[FittedParameter, ...]
    off_deg: Numbers
    off_u: Numbers
    chi_square: float
    degrees_of_freedom: int
    probability: float
    explains: bool
    verdict: str
    identifiability: Identifiability

    def document(self) -> dict[str, Any]:
        """The fit as plain values, in the format ``slewtrace.model-fit/1``."""
        return {
            "format": FORMAT,
            "parameters": [
                {
                    "name": p.name,
                    "unit": p.unit,
                    "value": p.value,
                    "given": p.given,
                    "u": p.u,
                    "u_before": p.u_before,
                    "low": p.low,
                    "high": p.high,
                    "at_bound": p.at_bound,
                    "told": p.told,
                    "tied_to": list(p.tied_to),
                }
                for p in self.parameters
            ],
            "covariance": self.covariance.tolist(),
            "lifts": [
                {
                    "side": lift.side,
                    "wheel": lift.wheel,
                    "slew_deg": lift.slew_deg,
                    "u_deg": lift.u_deg,
                    "u_zero_deg": lift.u_zero_deg,
                    "load_kg": lift.load_kg,
                    "radius_m": lift.radius_m,
                    "off_deg": float(deg),
                    "off_u": float(u),
                }
                for lift, deg, u in zip(self.lifts, self.off_deg, self.off_u, strict=True)
            ],
            "stays": len(self.stays),
            "chi_square": self.chi_square,
            "degrees_of_freedom": self.degrees_of_freedom,
            "probability": self.probability,
            "explains": self.explains,
            "verdict": self.verdict,
            "singular_values": list(self.identifiability.singular_values),
            "identifiability": list(self.identifiability.sentences),
        }


def fitted_truck(fit: ModelFit, departure: Numbers) -> TruckModel:
    """The given truck with other departures, for what follows from their spread.

    Args:
        fit: the fit.
        departure: shape (parameters,).
    """
    return changed(fit.given, fit.free, departure)
