"""Why a wheel lifted there, in sentences, by the truck model.

Reactions at that angle, where the centre of all masses stands against the polygon of the
supports, how far the truck is from tipping, and whether the model foresaw the lift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.fit.capacity_curve import greatest_share
from dashboard.capacity.fit.fit_result import ModelFit
from dashboard.capacity.fit.measured_lifts import MeasuredLift, check_wheels
from dashboard.capacity.truck.support_polygon import edges
from dashboard.capacity.truck.truck_model import (
    first_lift,
    stand_with,
    tipping_load_kg,
)
from logger.readings.model_table import TruckModel

Numbers = NDArray[np.float64]
_AGREES_U = 2.0
_ROUNDED_DEG = 0.05
"""Angles are told to a tenth of a degree: less than half of that is no disagreement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Standing:
    """How the truck stands at a lift.

    Attributes:
        reactions_n: under each support, N.
        centre_m: centre of all masses, load included, m.
        edge: names of the supports at both ends of the nearest edge of the polygon.
        margin_m: how far inside that edge the centre lies, m.
    """

    reactions_n: Numbers
    centre_m: tuple[float, float]
    edge: tuple[str, str]
    margin_m: float


def why_it_lifted(truck: TruckModel | ModelFit, lift: MeasuredLift) -> str:
    """Explains a lift.

    Args:
        truck: a model, or a fit.
        lift: the lift.

    Raises:
        FileInvalid: where the model has no such wheel.
    """
    model = truck.model if isinstance(truck, ModelFit) else truck
    check_wheels(model, (lift,))
    return " ".join((_stood(model, lift), _tipping(model, lift), _foreseen(model, lift)))


def _stood(model: TruckModel, lift: MeasuredLift) -> str:
    at = f"{abs(lift.slew_deg):.1f}° {lift.side}"
    load = f"{lift.load_kg:.0f} kg at {lift.radius_m:.2f} m"
    standing = _standing(model, lift)
    if standing is None:
        return (
            f"At {at}, with {load}, the model's truck overturns: it can't be this truck, which "
            f"only lifted {_plain(lift.wheel)}."
        )
    supports = [
        f"{_plain(s.name)} {_kilonewton(r)}"
        for s, r in zip(model.supports, standing.reactions_n, strict=True)
    ]
    x, y = standing.centre_m
    return (
        f"At {at}, with {load}, the model has under its supports {', '.join(supports)} (kN). "
        f"The boom and the load have drawn the centre of all masses to {_place(x, y)}, away from "
        f"{_plain(lift.wheel)}, so that the springs under the others carry nearly all and its own "
        f"has nothing left to press with. {_reach(model, lift)}"
    )


def _reach(model: TruckModel, lift: MeasuredLift) -> str:
    share = float(
        greatest_share(model, [lift.slew_deg], load_kg=lift.load_kg, radius_m=lift.radius_m)[0]
    )
    if share <= 0:
        return "In this direction a wheel is up even with the load at the column."
    return (
        f"In this direction the model keeps every wheel down with that load up to "
        f"{share * lift.radius_m:.2f} m."
    )


def _tipping(model: TruckModel, lift: MeasuredLift) -> str:
    standing = _standing(model, lift)
    tips_kg = tipping_load_kg(model, lift.slew_deg, lift.radius_m)
    if standing is None:
        return "Look for a wrong mass, place or support in the model."
    inside = (
        f"First lift is not tipping: the centre still lies {standing.margin_m:.2f} m inside the "
        f"line from {_plain(standing.edge[0])} to {_plain(standing.edge[1])}"
    )
    if tips_kg is None:
        return f"{inside}, and no load tips the truck in this direction at this radius."
    return (
        f"{inside}, and a rigid truck would begin to tip at {tips_kg:.0f} kg, "
        f"{tips_kg / lift.load_kg:.2f} times the load."
    )


def _foreseen(model: TruckModel, lift: MeasuredLift) -> str:
    found = first_lift(model, lift.side, lift.load_kg, lift.radius_m)
    if found is None:
        return "The model foresees no lift on this side: it does not explain this one."
    wheel, slew_deg = found
    off = slew_deg - lift.slew_deg
    at = f"The model foresees {_plain(wheel)} at {abs(slew_deg):.1f}°"
    measured = f"measured {abs(lift.slew_deg):.1f}° ± {_AGREES_U * lift.u_deg:.1f}°"
    if wheel != lift.wheel:
        return (
            f"{at}, {measured} for {_plain(lift.wheel)}: another wheel, so it does not explain it."
        )
    if abs(off) <= max(_AGREES_U * lift.u_deg, _ROUNDED_DEG):
        return f"{at}, {measured}: they agree."
    sooner = "later" if abs(slew_deg) > abs(lift.slew_deg) else "sooner"
    return (
        f"{at}, {measured}: {abs(off):.1f}° {sooner}, {abs(off) / lift.u_deg:.1f} standard "
        "uncertainties of the measured angle."
    )


def _standing(model: TruckModel, lift: MeasuredLift) -> _Standing | None:
    """How the truck stands at a lift; None where it overturns."""
    reactions = stand_with(model, [lift.slew_deg], lift.load_kg, lift.radius_m).reactions_n[0]
    if np.isnan(reactions).any():
        return None
    places = [s.at_m for s in model.supports]
    # What the supports carry balances the centre of all masses.
    centre = reactions @ np.array(places) / reactions.sum()
    corner, normal = edges(places)
    inward = ((centre - corner) * normal).sum(axis=1)
    nearest = int(inward.argmin())
    ends = corner[nearest], corner[(nearest + 1) % len(corner)]
    far_m = [[math.dist(s.at_m, end) for s in model.supports] for end in ends]
    names = [model.supports[int(np.argmin(row))].name for row in far_m]
    return _Standing(
        reactions_n=reactions,
        centre_m=(float(centre[0]), float(centre[1])),
        edge=(names[0], names[1]),
        margin_m=float(inward[nearest]),
    )


def _kilonewton(reaction_n: float) -> str:
    return f"{reaction_n / 1000:.1f}"


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _place(x_m: float, y_m: float) -> str:
    along = f"{abs(x_m):.2f} m {'before' if x_m >= 0 else 'behind'} the rear axle"
    return f"{along} and {abs(y_m):.2f} m {'left' if y_m >= 0 else 'right'} of the middle"
