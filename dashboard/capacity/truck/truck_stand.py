"""How the truck stands under what it carries: every mass brought to the frame, and its balance.

Where the centre of all masses lies outside the hull of the supports, or on its edge, nothing
balances: the truck overturns, and its reactions are NaN. Angles are slew angles in degrees: 0
over the rear, positive towards the truck's right side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dashboard.capacity.truck.frame import Frame
from dashboard.capacity.truck.support_polygon import margin_m
from logger.readings.model_table import PointMass, TruckModel
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

Numbers = NDArray[np.float64]

EDGE_M = 1e-9
"""A centre of masses nearer than this to the hull's edge counts as tipped."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stand:
    """How the frame stands, one row for each load position.

    Attributes:
        closure_m: shape (n, supports), m: how far the frame would have to rise at each support
            until its contact with the ground opens; below zero it is open by that much. NaN in
            rows that overturn.
        reactions_n: under each tyre or pad, shape (n, supports), N, never below zero. NaN in
            rows that overturn.
        twist_deg: twist of the frame from the rear to the front axle, shape (n,), deg; 0 where
            the frame is rigid. NaN in rows that overturn.
    """

    closure_m: Numbers
    reactions_n: Numbers
    twist_deg: Numbers


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
    return stand_with(model, slew_deg, load_kg, radius_m).reactions_n


def stand_with(model: TruckModel, slew_deg: ArrayLike, load_kg: float, radius_m: float) -> Stand:
    """Balances the frame for one load that hangs at rest, at many slew angles.

    Args:
        model: the truck.
        slew_deg: slew angles, shape (n,), deg.
        load_kg: the load, kg.
        radius_m: its distance from the slew axis, m.
    """
    slew = np.atleast_1d(np.asarray(slew_deg, dtype=np.float64))
    at_m = load_position_m(model, slew, radius_m)
    return stand(model, slew, np.full(slew.shape, load_kg), at_m)


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
    frame = Frame.of(model)
    force_n = _forces_n(frame, model, slew_deg, load_kg, load_at_m)
    mass_kg, moment_kgm = masses(model, slew_deg)
    mass_kg = mass_kg + load_kg
    moment_kgm = moment_kgm + load_kg[:, np.newaxis] * load_at_m
    centre_m = moment_kgm / mass_kg[:, np.newaxis]
    standing = margin_m([s.at_m for s in model.supports], centre_m) > EDGE_M
    sinking = np.full(force_n.shape, np.nan)
    sinking[standing] = frame.balance(force_n[standing])
    closure = frame.closure_m(sinking)
    twist = sinking[:, -1] * frame.twist_deg
    return Stand(
        closure_m=closure[:, frame.first],
        reactions_n=frame.reactions_n(closure),
        twist_deg=twist,
    )


def _forces_n(
    frame: Frame, model: TruckModel, slew_deg: Numbers, load_kg: Numbers, load_at_m: Numbers
) -> Numbers:
    """What all weights do on the frame's unknowns, shape (n, unknowns), N."""
    fixed = _fixed(model)
    still = frame.force_n(STANDARD_GRAVITY_MPS2 * fixed[:, 0], fixed[:, 1:], fixed[:, 1])
    column_x_m = model.column_m[0]
    load = frame.force_n(STANDARD_GRAVITY_MPS2 * load_kg, load_at_m, column_x_m)
    force: Numbers = still.sum(axis=0) + load
    for m in model.slewing:
        weight_n = np.full(len(slew_deg), STANDARD_GRAVITY_MPS2 * m.mass_kg)
        force += frame.force_n(weight_n, load_position_m(model, slew_deg, m.radius_m), column_x_m)
    return force


def masses(model: TruckModel, slew_deg: Numbers) -> tuple[Numbers, Numbers]:
    """The whole truck at slew angles, without a load.

    Args:
        model: the truck.
        slew_deg: slew angles, shape (n,), deg.

    Returns:
        Mass, shape (n,), kg, and its first moments about the origin, shape (n, 2), kg·m.
    """
    slewing = np.array([[m.mass_kg, m.radius_m] for m in model.slewing]).reshape(-1, 2)
    fixed = _fixed(model)
    mass = fixed[:, 0].sum() + slewing[:, 0].sum()
    still = fixed[:, 0] @ fixed[:, 1:] + slewing[:, 0].sum() * np.asarray(model.column_m)
    turning = (slewing[:, 0] @ slewing[:, 1]) * boom_direction(slew_deg)
    return np.full(len(slew_deg), mass), still + turning


def _fixed(model: TruckModel) -> Numbers:
    """Mass (kg), x and y (m) of all that does not slew, the unsprung masses too."""
    rows = [(m.mass_kg, *m.at_m) for m in model.masses]
    rows += [(s.unsprung_kg, *s.at_m) for s in model.supports if s.unsprung_kg]
    return np.array(rows)


def with_mass(
    model: TruckModel, name: str, mass_kg: float, at_m: tuple[float, float]
) -> TruckModel:
    """The truck with a mass put on its frame, such as ballast.

    Args:
        model: the truck.
        name: of the mass; one of that name that is there already gives way to it.
        mass_kg: the mass, kg; 0 for taking it off.
        at_m: where it lies, in the vehicle frame, m.

    Raises:
        ValueError: for a mass below zero or not finite, or where no mass would be left.
    """
    if not (0 <= mass_kg < math.inf and math.isfinite(math.hypot(*at_m))):
        raise ValueError(f"a mass of {mass_kg:g} kg at {at_m[0]:g} m, {at_m[1]:g} m won't do")
    others = tuple(m for m in model.masses if m.name != name)
    one = PointMass.model_construct(name=name, mass_kg=mass_kg, at_m=at_m, on_scales=False)
    left = (*others, one) if mass_kg else others
    if not left:
        raise ValueError(f"without {name!r} the truck would weigh nothing")
    return model.model_copy(update={"masses": left})
