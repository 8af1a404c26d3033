"""The wheel that lifts first by the model: the first contact to open on the way out.

A coarse scan finds the step on which a wheel opens, with finer angles wherever a wheel comes
near to opening, since one that opens and closes again within a step must not be missed; the
step is then cut down until the angle is known to 1e-8 deg.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.truck.truck_stand import stand_with
from logger.readings.model_table import TruckModel

Side = Literal["right", "left"]
Numbers = NDArray[np.float64]

_SCAN_STEP_DEG = 0.25
_FINEST_DEG = 1e-8
_NEAR_STEPS = 8.0


def first_lift(
    model: TruckModel, side: Side, load_kg: float, radius_m: float
) -> tuple[str, float] | None:
    """The first wheel whose contact opens on the way out from over the rear.

    Outriggers do not count. A wheel that is open over the rear already lifts at 0. Where the
    truck overturns at once, the wheel nearest to opening just before is named.

    Args:
        model: the truck.
        side: the way of the slew.
        load_kg: the load, kg.
        radius_m: its distance from the slew axis, m.

    Returns:
        The wheel and the slew angle (deg, negative on the left) to 1e-6 deg, or None where every
        wheel stays down to 180 deg.
    """
    sign = 1.0 if side == "right" else -1.0
    wheel = np.array([s.kind == "wheel" for s in model.supports])
    names = [s.name for s in model.supports if s.kind == "wheel"]
    if not names:
        return None

    def closures(out_deg: Numbers) -> Numbers:
        closure = stand_with(model, sign * out_deg, load_kg, radius_m).closure_m
        return np.where(np.isnan(closure), -np.inf, closure)[:, wheel]

    found = _first_open(closures)
    return None if found is None else (names[found[0]], sign * found[1])


def _first_open(closures: Callable[[Numbers], Numbers]) -> tuple[int, float] | None:
    """The first column that is not above zero, and from which angle on, deg."""
    out = np.arange(0.0, 180.0 + _SCAN_STEP_DEG / 2, _SCAN_STEP_DEG)
    closure = closures(out)
    finer = _near_touches(out, closure)
    if finer.size:
        out = np.union1d(out, finer)
        closure = closures(out)
    open_at = (closure <= 0).any(axis=1)
    if not open_at.any():
        return None
    at = int(open_at.argmax())
    if at == 0:
        return int(closure[0].argmin()), 0.0
    low, high = float(out[at - 1]), float(out[at])
    while high - low > _FINEST_DEG:
        finer = np.linspace(low, high, 65)
        closure = closures(finer)
        at = int((closure <= 0).any(axis=1).argmax())
        low, high = float(finer[at - 1]), float(finer[at])
    return int(closure[at - 1].argmin()), high


def _near_touches(scan_deg: Numbers, closure: Numbers) -> Numbers:
    """Finer angles around least closures that may reach zero between two angles of the scan.

    Only before the first opening, and only where the closure is not many times what it changes
    by within a step.
    """
    opened = (closure <= 0).any(axis=1)
    closed = closure[: int(opened.argmax()) if opened.any() else len(closure)]
    if len(closed) < 3:
        return np.zeros(0)
    here, before, after = closed[1:-1], closed[:-2], closed[2:]
    rise = np.maximum(before, after) - here
    dip = (here <= before) & (here <= after) & (here <= _NEAR_STEPS * rise)
    around = scan_deg[1 : len(closed) - 1][dip.any(axis=1)]
    finer = np.linspace(-_SCAN_STEP_DEG, _SCAN_STEP_DEG, 101)
    return np.asarray((around[:, np.newaxis] + finer).ravel())
