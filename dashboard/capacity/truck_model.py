"""The truck as a rigid frame that stands on one-sided springs.

The frame has three unknowns (heave, pitch, roll; small angles), so the sinking at a support is
a plane over its place. A support pushes with stiffness × (sinking + preload) while that is
above zero and with nothing once it is open: springs that can't pull. The balance is the least
of a convex energy, one parabola for each set of closed supports; Newton steps on the set that
is closed now, each as long as the energy falls, end at the set that balances.

A truck on four springs is stiff enough to lift a wheel long before it tips: first lift is not
tipping. Tipping here is rigid: the centre of all masses crosses an edge of the convex hull of
the supports.

Where the centre of masses lies outside that hull, or on its edge, nothing balances: the truck
overturns, and its reactions are NaN. Angles are slew angles in degrees: 0 over the rear,
positive towards the truck's right side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dashboard.capacity.support_polygon import edges, margin_m
from logger.errors import FileInvalid
from logger.readings.model_table import TruckModel
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.test_file import TestFile

FORMAT = "slewtrace.model/1"
Side = Literal["right", "left"]
Numbers = NDArray[np.float64]

_SCAN_STEP_DEG = 0.25
_MOST_STEPS = 100
_EDGE_M = 1e-9
"""A centre of masses nearer than this to the hull's edge counts as tipped."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stand:
    """How the frame stands, one row for each load position.

    Attributes:
        closure_m: shape (n, supports), m: how far each spring is pressed in; below zero it is
            open by that much. NaN in rows that overturn.
        reactions_n: shape (n, supports), N, never below zero. NaN in rows that overturn.
    """

    closure_m: Numbers
    reactions_n: Numbers


def boom_direction(slew_deg: ArrayLike) -> Numbers:
    """Unit vectors along the boom, seen from above, in the vehicle frame (x forward, y left).

    Args:
        slew_deg: slew angles, shape (n,), deg.

    Returns:
        Shape (n, 2).
    """
    slew = np.radians(np.asarray(slew_deg, dtype=np.float64))
    return np.stack([-np.cos(slew), -np.sin(slew)], axis=-1)


def load_position_m(model: TruckModel, slew_deg: ArrayLike, radius_m: ArrayLike) -> Numbers:
    """Where a load hangs, in the vehicle frame.

    Args:
        model: the truck.
        slew_deg: slew angles, shape (n,), deg.
        radius_m: distances from the slew axis, shape (n,) or a number, m.

    Returns:
        Shape (n, 2), m.
    """
    radius = np.asarray(radius_m, dtype=np.float64)[..., np.newaxis]
    return np.asarray(np.asarray(model.column_m) + radius * boom_direction(slew_deg))


def reactions_n(model: TruckModel, slew_deg: ArrayLike, load_kg: float, radius_m: float) -> Numbers:
    """Reactions at every support for a load hanging at rest.

    Args:
        model: the truck.
        slew_deg: slew angles, shape (n,), deg.
        load_kg: the load, kg.
        radius_m: its distance from the slew axis, m.

    Returns:
        Shape (n, supports), N, in the order of ``model.supports``; a row is NaN where the truck
        overturns.
    """
    slew = np.atleast_1d(np.asarray(slew_deg, dtype=np.float64))
    at_m = load_position_m(model, slew, radius_m)
    return stand(model, slew, np.full(slew.shape, load_kg), at_m).reactions_n


def stand(model: TruckModel, slew_deg: Numbers, load_kg: Numbers, load_at_m: Numbers) -> Stand:
    """Balances the frame for loads that hang anywhere, as a swinging one does.

    Args:
        model: the truck.
        slew_deg: slew angles of the slewing masses, shape (n,), deg.
        load_kg: loads, shape (n,), kg.
        load_at_m: where they hang in the vehicle frame, shape (n, 2), m.

    Returns:
        The stand, n rows.
    """
    mass_kg, moment_kgm = _masses(model, slew_deg)
    mass_kg = mass_kg + load_kg
    moment_kgm = moment_kgm + load_kg[:, np.newaxis] * load_at_m
    centre_m = moment_kgm / mass_kg[:, np.newaxis]
    standing = margin_m([s.at_m for s in model.supports], centre_m) > _EDGE_M
    closure = np.full((len(slew_deg), len(model.supports)), np.nan)
    weight_n = mass_kg * STANDARD_GRAVITY_MPS2
    closure[standing] = _balance(model, weight_n[standing], centre_m[standing])
    stiffness = np.array([s.stiffness_npm for s in model.supports])
    return Stand(closure_m=closure, reactions_n=stiffness * np.maximum(closure, 0.0))


def _masses(model: TruckModel, slew_deg: Numbers) -> tuple[Numbers, Numbers]:
    """Mass, shape (n,), kg, and its first moments, shape (n, 2), kg·m, without a load."""
    slewing = np.array([[m.mass_kg, m.radius_m] for m in model.slewing]).reshape(-1, 2)
    fixed = np.array([[m.mass_kg, *m.at_m] for m in model.masses])
    mass = fixed[:, 0].sum() + slewing[:, 0].sum()
    still = fixed[:, 0] @ fixed[:, 1:] + slewing[:, 0].sum() * np.asarray(model.column_m)
    turning = (slewing[:, 0] @ slewing[:, 1]) * boom_direction(slew_deg)
    return np.full(len(slew_deg), mass), still + turning


def _balance(model: TruckModel, weight_n: Numbers, centre_m: Numbers) -> Numbers:
    """Closures, shape (n, supports), m, that balance weights at places inside the hull."""
    place = np.array([s.at_m for s in model.supports])
    middle = place.mean(axis=0)
    size = float(np.abs(place - middle).max())
    stiffness = np.array([s.stiffness_npm for s in model.supports])
    preload = np.array([s.preload_m for s in model.supports])
    shape = np.column_stack([np.ones(len(place)), (place - middle) / size])
    force = weight_n[:, np.newaxis] * np.column_stack(
        [np.ones(len(weight_n)), (centre_m - middle) / size]
    )
    all_closed = shape.T @ (stiffness[:, np.newaxis] * shape)
    sinking = np.linalg.solve(all_closed, (force - shape.T @ (stiffness * preload)).T).T
    rows = np.arange(len(weight_n))
    for _ in range(_MOST_STEPS):
        closure = sinking[rows] @ shape.T + preload
        missing = force[rows] - (stiffness * np.maximum(closure, 0.0)) @ shape
        unbalanced = np.abs(missing).max(axis=1, initial=0.0) > 1e-11 * weight_n[rows]
        rows, closure, missing = rows[unbalanced], closure[unbalanced], missing[unbalanced]
        if not rows.size:
            break
        closed = np.where(closure > 0, stiffness, 0.0)
        matrix = np.einsum("ns,si,sj->nij", closed, shape, shape)
        # Two closed supports leave a free rocking: a soft spring keeps the step finite.
        matrix += (1e-9 * stiffness.sum()) * np.eye(3)
        step = np.linalg.solve(matrix, missing[..., np.newaxis])[..., 0]
        length = _step_length(closure, step @ shape.T, stiffness, (force[rows] * step).sum(axis=1))
        sinking[rows] += length[:, np.newaxis] * step
    return np.asarray(sinking @ shape.T + preload)


def _step_length(closure: Numbers, change: Numbers, stiffness: Numbers, work: Numbers) -> Numbers:
    """How far along a step the energy falls, shape (n,).

    Along the step the energy is a chain of parabolas, joined where a support opens or closes,
    so its slope is a rising chain of straight pieces whose zero is looked up.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        joint = np.where(change != 0, -closure / change, 0.0)
    joint = np.sort(np.where(joint > 0, joint, 0.0), axis=1)
    last = joint[:, -1:]
    ends = np.hstack([np.zeros_like(last), joint, 2 * last + 1, 4 * last + 2])
    at = closure[:, np.newaxis, :] + ends[..., np.newaxis] * change[:, np.newaxis, :]
    slope = (stiffness * np.maximum(at, 0.0) * change[:, np.newaxis, :]).sum(axis=2)
    slope -= work[:, np.newaxis]
    # The last piece goes on for ever: its two ends give its line, also beyond them.
    piece = np.where((slope >= 0).any(axis=1), (slope >= 0).argmax(axis=1), ends.shape[1] - 1)
    row = np.arange(len(closure))
    after = np.maximum(piece, 1)
    rise = slope[row, after] - slope[row, after - 1]
    run = ends[row, after] - ends[row, after - 1]
    flat = rise <= 0
    beyond = -slope[row, after - 1] * run / np.where(flat, 1.0, rise)
    return np.asarray(ends[row, after - 1] + np.where(flat, run, beyond))


def first_lift(
    model: TruckModel, side: Side, load_kg: float, radius_m: float
) -> tuple[str, float] | None:
    """The first wheel whose reaction reaches zero on the way out from over the rear.

    Outriggers do not count. A wheel that is open over the rear already lifts at 0. Where the
    truck overturns at once, the wheel with the least reaction just before is named.

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
    names = [s.name for s in model.supports if s.kind == "wheel"]
    if not names:
        return None

    def closures(out_deg: Numbers) -> Numbers:
        slew = sign * out_deg
        at_m = load_position_m(model, slew, radius_m)
        closure = stand(model, slew, np.full(slew.shape, load_kg), at_m).closure_m
        wheel = np.array([s.kind == "wheel" for s in model.supports])
        return np.where(np.isnan(closure), -np.inf, closure)[:, wheel]

    scan = np.arange(0.0, 180.0 + _SCAN_STEP_DEG / 2, _SCAN_STEP_DEG)
    out = _with_dips(scan, closures(scan))
    closure = closures(out)
    open_at = (closure <= 0).any(axis=1)
    if not open_at.any():
        return None
    at = int(open_at.argmax())
    if at == 0:
        return names[int(closure[0].argmin())], 0.0
    low, high = float(out[at - 1]), float(out[at])
    while high - low > 1e-8:
        finer = np.linspace(low, high, 65)
        closure = closures(finer)
        at = int((closure <= 0).any(axis=1).argmax())
        low, high = float(finer[at - 1]), float(finer[at])
    return names[int(closure[at - 1].argmin())], sign * high


def _with_dips(scan_deg: Numbers, closure: Numbers) -> Numbers:
    """The scan with finer angles around each least closure, where a wheel may just touch zero."""
    dip = (closure[1:-1] <= closure[:-2]) & (closure[1:-1] <= closure[2:])
    around = scan_deg[1:-1][dip.any(axis=1)]
    finer = np.linspace(-_SCAN_STEP_DEG, _SCAN_STEP_DEG, 101)
    return np.union1d(scan_deg, (around[:, np.newaxis] + finer).ravel())


def tipping_load_kg(model: TruckModel, slew_deg: float, radius_m: float) -> float | None:
    """The load at which the truck, taken as rigid, begins to tip over an edge.

    Args:
        model: the truck.
        slew_deg: slew angle, deg.
        radius_m: the load's distance from the slew axis, m.

    Returns:
        The least over all edges of the hull of the supports, kg; 0 where the truck tips without
        a load; None where no load can tip it.
    """
    mass, moment = _masses(model, np.array([slew_deg]))
    start, normal = edges([s.at_m for s in model.supports])
    holding = ((moment[0] - mass[0] * start) * normal).sum(axis=1)
    at_m = load_position_m(model, np.array([slew_deg]), radius_m)[0]
    lever = ((start - at_m) * normal).sum(axis=1)
    if (holding <= 0).any():
        return 0.0
    tips = lever > _EDGE_M
    return float((holding[tips] / lever[tips]).min()) if tips.any() else None


def model_result(
    test: TestFile, *, radius_m: float, load_kg: float, step_deg: float = 1.0
) -> dict[str, Any]:
    """The model's answer all the way round, in the format ``slewtrace.model/1``.

    Args:
        test: the test file; its ``[model]`` is used.
        radius_m: the load's distance from the slew axis, m.
        load_kg: the load, kg.
        step_deg: step of the slew angle, deg; angles are its multiples from −180 to 180.

    Returns:
        A dictionary of plain values. Reactions are None at angles where the truck overturns.

    Raises:
        FileInvalid: where the test file has no model.
        ValueError: where the step is not between 0.01 and 180 deg, or a size is not above zero.
    """
    if test.model is None:
        raise FileInvalid(
            where="test file, [model]",
            what="is missing, so there is no truck to compute with",
            would_do="add a [model] table: column, masses, slewing, supports",
        )
    if not 0.01 <= step_deg <= 180:
        raise ValueError(f"a step of {step_deg:g} deg won't do; between 0.01 and 180 deg")
    if not (radius_m >= 0 and load_kg >= 0 and math.isfinite(radius_m + load_kg)):
        raise ValueError(f"a load of {load_kg:g} kg at {radius_m:g} m won't do")
    count = math.floor(180 / step_deg + 1e-9)
    slew = step_deg * np.arange(-count, count + 1)
    reactions = reactions_n(test.model, slew, load_kg, radius_m)
    return {
        "format": FORMAT,
        "radius_m": radius_m,
        "load_kg": load_kg,
        "supports": [s.name for s in test.model.supports],
        "slew_deg": slew.tolist(),
        "reactions_n": [[None if math.isnan(r) else r for r in row] for row in reactions.tolist()],
        "first_lift": {
            side: _lift_entry(first_lift(test.model, side, load_kg, radius_m))
            for side in ("right", "left")
        },
        "tipping_load_kg": [tipping_load_kg(test.model, float(a), radius_m) for a in slew],
    }


def _lift_entry(lift: tuple[str, float] | None) -> dict[str, object] | None:
    return None if lift is None else {"wheel": lift[0], "slew_deg": lift[1]}
