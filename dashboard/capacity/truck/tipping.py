"""Rigid tipping: the load that brings the centre of all masses to an edge of the polygon.

Springs do not matter here. The moment of the truck's own masses holds each edge of the polygon
of supports down; the load has a lever over those edges that it hangs beyond.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dashboard.capacity.truck.support_polygon import corners, edges
from dashboard.capacity.truck.truck_stand import EDGE_M, load_position_m, masses
from logger.readings.model_table import TruckModel

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TippingLoads:
    """The loads that tip a truck over each edge, at many slew angles.

    Attributes:
        supports: the two supports that each edge runs between.
        load_kg: shape (n, edges), kg; 0 where the truck tips over the edge without a load,
            infinite where no load can tip it over the edge.
    """

    supports: tuple[tuple[str, str], ...]
    load_kg: Numbers

    @property
    def least_kg(self) -> Numbers:
        """The least over all edges, shape (n,), kg."""
        return np.asarray(self.load_kg.min(axis=1))


def tipping_loads(model: TruckModel, slew_deg: ArrayLike, radius_m: float) -> TippingLoads:
    """The load at which the truck, taken as rigid, begins to tip over each edge.

    Args:
        model: the truck.
        slew_deg: slew angles, shape (n,), deg.
        radius_m: the load's distance from the slew axis, m.
    """
    slew = np.atleast_1d(np.asarray(slew_deg, dtype=np.float64))
    mass_kg, moment_kgm = masses(model, slew)
    places_m = [s.at_m for s in model.supports]
    start, normal = edges(places_m)
    inward = (start * normal).sum(axis=1)
    holding_kgm = moment_kgm @ normal.T - mass_kg[:, np.newaxis] * inward
    lever_m = inward - load_position_m(model, slew, radius_m) @ normal.T
    can = lever_m > EDGE_M
    load_kg = np.where(can, holding_kgm / np.where(can, lever_m, 1.0), np.inf)
    names = [model.supports[index].name for index in corners(places_m)]
    return TippingLoads(
        supports=tuple(zip(names, [*names[1:], names[0]], strict=True)),
        load_kg=np.where(holding_kgm <= 0, 0.0, load_kg),
    )


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
    least = float(tipping_loads(model, [slew_deg], radius_m).least_kg[0])
    return least if least < np.inf else None
