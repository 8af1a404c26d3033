"""The first lift that a fitted truck foresees at another load or radius.

Each truck that the fit leaves possible is slewed out; where their first lifts lie is where the
lift is to be expected. A truck that lifts no wheel counts as lifting beyond 180 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.fit.capacity_curve import BAND, QUANTILE
from dashboard.capacity.fit.fit_result import ModelFit
from dashboard.capacity.fit.fit_spread import possible_departures
from dashboard.capacity.fit.many_trucks import ManyTrucks
from dashboard.capacity.truck.truck_model import Side, first_lift

Numbers = NDArray[np.float64]

_SCAN_STEP_DEG = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedLift:
    """The first lift that a fit foresees.

    Attributes:
        side: the way of the slew.
        load_kg: the load, kg.
        radius_m: its radius, m.
        wheel: which wheel lifts, or None where the fitted truck lifts none.
        slew_deg: where, deg, negative on the left.
        u_deg: standard uncertainty of the angle, among the possible trucks that lift, deg.
        low_deg: numerically least angle of the 95 % interval, deg; counted over the possible
            trucks, those without a lift taken as lifting beyond 180.
        high_deg: numerically greatest.
        probability: share of the possible trucks that lift a wheel at all.
    """

    side: Side
    load_kg: float
    radius_m: float
    wheel: str | None
    slew_deg: float | None
    u_deg: float | None
    low_deg: float | None
    high_deg: float | None
    probability: float


def predict_lift(
    fit: ModelFit,
    side: Side,
    *,
    load_kg: float,
    radius_m: float,
    possible: Numbers | None = None,
) -> PredictedLift:
    """Foresees the first lift at another load or radius.

    Args:
        fit: the fit.
        side: the way of the slew.
        load_kg: the load, kg.
        radius_m: its radius, m.
        possible: the fit's ``possible_departures`` where they are at hand.
    """
    departures = possible_departures(fit) if possible is None else possible
    sign = 1.0 if side == "right" else -1.0
    out = _lift_deg(fit, departures, sign, load_kg, radius_m)
    lifts = np.isfinite(out)
    lift = first_lift(fit.model, side, load_kg, radius_m)
    reach = np.quantile(np.where(lifts, out, 180.0), BAND, method=QUANTILE)
    ends = np.sort(sign * reach) if lifts.any() else None
    return PredictedLift(
        side=side,
        load_kg=load_kg,
        radius_m=radius_m,
        wheel=None if lift is None else lift[0],
        slew_deg=None if lift is None else lift[1],
        u_deg=float(out[lifts].std()) if lifts.sum() > 1 else None,
        low_deg=None if ends is None else float(ends[0]),
        high_deg=None if ends is None else float(ends[1]),
        probability=float(lifts.mean()),
    )


def _lift_deg(
    fit: ModelFit, departures: Numbers, sign: float, load_kg: float, radius_m: float
) -> Numbers:
    """The first angle outward at which each truck lifts a wheel, deg ≥ 0; infinite where none."""
    out = np.arange(0.0, 180.0 + _SCAN_STEP_DEG / 2, _SCAN_STEP_DEG)
    trucks = ManyTrucks(fit.given, fit.free)
    closure = trucks.closure_m(departures, sign * out, load_kg, radius_m).min(axis=2)
    up = closure <= 0
    at = np.maximum(up.argmax(axis=1), 1)
    truck = np.arange(len(closure))
    before, after = closure[truck, at - 1], closure[truck, at]
    fall = np.where(before > after, before - after, 1.0)
    crossing = out[at - 1] + _SCAN_STEP_DEG * np.clip(before / fall, 0.0, 1.0)
    return np.where(up.any(axis=1), np.where(up[:, 0], 0.0, crossing), np.inf)
