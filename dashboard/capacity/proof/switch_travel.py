"""How far the boom slews while a lifted tyre travels the way to its contact's opening.

A contact opens only when its tyre has risen by the switch's travel, so it shows a lift late. How
late in angle depends on how fast the wheel rises as the boom turns: with the load and radius of
the moment the truck model tells that, as the angle between the wheel's leaving the ground and its
standing open by the travel. The model's own lift may lie some degrees beside the measured one;
its angle is then taken from its own lift on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.stretches import inside
from dashboard.capacity.truck.truck_model import load_position_m, stand
from logger.readings.model_table import TruckModel

NEAR_DEG = 15.0
"""How far beside the measured lift the model's own is looked for, deg."""
STEP_DEG = 0.1


def travel_deg(evidence: Evidence, *, wheel: str, t_ns: int, slew_deg: float) -> float | None:
    """How late, in degrees of slew, a contact of known travel may have shown a lift.

    Args:
        evidence: what the run shows.
        wheel: position of the wheel; the model's support of this name.
        t_ns: its first open reading, ns.
        slew_deg: slew angle then, deg, signed.

    Returns:
        The angle, deg ≥ 0; 0 where the rig gives the contact no travel. None where it gives one
        and nothing tells the lift rate: no ``[model]`` in the test file, no such support in it,
        a radius that nobody knows, or a model in which the wheel does not rise so far there.
    """
    travel_m = evidence.travel_m.get(wheel, 0.0)
    if travel_m == 0.0:
        return 0.0
    model, radius_m = evidence.test.model, _radius_m(evidence, t_ns)
    names = [s.name for s in model.supports] if model is not None else []
    if model is None or wheel not in names or radius_m is None:
        return None
    outward_deg = np.arange(-NEAR_DEG, NEAR_DEG + STEP_DEG / 2, STEP_DEG)
    slews = slew_deg + (outward_deg if slew_deg >= 0 else -outward_deg)
    closure_m = _closures_m(model, slews, load_kg=_load_kg(evidence, t_ns), radius_m=radius_m)
    return _late_deg(outward_deg, closure_m[:, names.index(wheel)], travel_m)


def _closures_m(
    model: TruckModel, slew_deg: NDArray[np.float64], *, load_kg: float, radius_m: float
) -> NDArray[np.float64]:
    at_m = load_position_m(model, slew_deg, radius_m)
    return stand(model, slew_deg, np.full(slew_deg.shape, load_kg), at_m).closure_m


def _late_deg(
    outward_deg: NDArray[np.float64], closure_m: NDArray[np.float64], travel_m: float
) -> float | None:
    """From the wheel's leaving the ground to its standing open by the travel, deg.

    Args:
        outward_deg: angles beyond the measured lift, shape (n,), rising.
        closure_m: the wheel's closure at them, shape (n,), m; NaN where the truck overturns.
        travel_m: how far the wheel rises.

    Returns:
        None where it does not rise so far within these angles.
    """
    opens = np.flatnonzero((closure_m[:-1] > 0) & (closure_m[1:] <= 0))
    middle = closure_m.size // 2
    leaves = int(opens[np.abs(opens - middle).argmin()]) if opens.size else middle
    ground_m = 0.0 if opens.size else closure_m[leaves]
    risen_m = ground_m - closure_m[leaves:]
    there = np.flatnonzero(risen_m >= travel_m)
    if there.size == 0 or not np.isfinite(risen_m[: there[0] + 1]).all():
        return None
    rising = np.maximum.accumulate(risen_m[: there[0] + 1])
    left_deg, open_deg = np.interp([0.0, travel_m], rising, outward_deg[leaves:][: rising.size])
    return float(open_deg - left_deg)


def _load_kg(evidence: Evidence, t_ns: int) -> float:
    """The load that hung up to a moment; the declared one where no cell tells it."""
    slices_kg = inside(evidence.load, (_since_ns(evidence, t_ns), t_ns))
    return float(np.median(slices_kg)) if slices_kg.size else evidence.test.load.mass_kg


def _radius_m(evidence: Evidence, t_ns: int) -> float | None:
    """The radius at a moment, by sensor or geometry, else the last one read by tape."""
    slices_m = inside(evidence.radius, (_since_ns(evidence, t_ns), t_ns))
    if slices_m.size:
        return float(np.median(slices_m[-20:]))
    noted = [r.radius_m for r in evidence.tape if r.t_ns <= t_ns]
    return noted[-1] if noted else None


def _since_ns(evidence: Evidence, t_ns: int) -> int:
    return next((h[0] for h in evidence.hanging if h[0] <= t_ns < h[1]), t_ns)
