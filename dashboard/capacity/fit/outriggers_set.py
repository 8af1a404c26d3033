"""Trucks with their outriggers set otherwise, and how little of a change is enough."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from dashboard.capacity.fit.ballast import AllRound
from dashboard.capacity.truck.truck_model import first_lift
from logger.readings.model_table import TruckModel

_SCAN = 31


def stays_down(model: TruckModel, wanted: AllRound) -> bool:
    """Whether no wheel lifts within the slew limits."""
    right = first_lift(model, "right", wanted.load_kg, wanted.radius_m)
    left = first_lift(model, "left", wanted.load_kg, wanted.radius_m)
    return (right is None or right[1] > wanted.limit_right_deg) and (
        left is None or -left[1] > wanted.limit_left_deg
    )


def spread_outriggers(model: TruckModel, by_m: float) -> TruckModel:
    """The truck with its outriggers farther out.

    Args:
        model: the truck.
        by_m: how far each goes out from the centre line, m.
    """
    supports = tuple(
        s.model_copy(update={"at_m": (s.at_m[0], s.at_m[1] + math.copysign(by_m, s.at_m[1]))})
        if s.kind == "outrigger"
        else s
        for s in model.supports
    )
    return model.model_copy(update={"supports": supports})


def preload_outriggers(model: TruckModel, by_m: float) -> TruckModel:
    """The truck with its outriggers set down by so much more, m."""
    supports = tuple(
        s.model_copy(update={"preload_m": s.preload_m + by_m}) if s.kind == "outrigger" else s
        for s in model.supports
    )
    return model.model_copy(update={"supports": supports})


def least_change(
    made: Callable[[float], TruckModel], wanted: AllRound, most: float
) -> float | None:
    """The least change with which no wheel lifts, to a ten-thousandth of the most."""
    scan = np.linspace(0.0, most, _SCAN)
    good = next((i for i, c in enumerate(scan) if wanted.spare_m(made(float(c))) >= 0), None)
    if good is None:
        return None
    low, high = float(scan[max(good - 1, 0)]), float(scan[good])
    while high - low > 1e-5 * most:
        middle = (low + high) / 2
        if wanted.spare_m(made(middle)) >= 0:
            high = middle
        else:
            low = middle
    return high if stays_down(made(high), wanted) else None
