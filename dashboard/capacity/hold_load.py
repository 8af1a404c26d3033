"""The load of a hold: what hung, and how sure that is."""

from __future__ import annotations

import math

import numpy as np

from dashboard.capacity.evidence import Evidence
from dashboard.capacity.stretches import grouped, hung_at, inside
from logger.readings.block import Values

LEAST_GROUPS = 3
ASSUMED_U_LOAD_SHARE = 0.001
"""Of the load, where neither the cell nor the parts declare an uncertainty: 0.1 %."""


def hold_load(evidence: Evidence, span: tuple[int, int]) -> tuple[float | None, float]:
    """Applied load and its standard uncertainty, kg, over the whole time that it hung."""
    span = hung_at(evidence, span)
    slices_kg = inside(evidence.load, span)
    if slices_kg.size == 0:
        return None, 0.0
    middle_kg = float(np.median(slices_kg))
    declared_kg = evidence.u_load_kg
    if declared_kg is None:
        declared_kg = max(evidence.test.load.u_kg, ASSUMED_U_LOAD_SHARE * middle_kg)
    return middle_kg, math.hypot(declared_kg, _scatter_kg(slices_kg, grouped(evidence.load, span)))


def _scatter_kg(slices_kg: Values, groups_kg: Values) -> float:
    """Standard uncertainty of the load's median, kg.

    From the medians of its groups, by the median absolute deviation (× 1.4826 for a normal
    distribution) and the efficiency of a median (√(π/2)), so that taking up and setting down
    the load do not count as noise. A hold of a swing or two has no groups to speak of: there the
    swing itself, as its slices show it, is the uncertainty.
    """
    if groups_kg.size < LEAST_GROUPS:
        low_kg, high_kg = np.quantile(slices_kg, (0.1, 0.9))
        return float(high_kg - low_kg) / 2
    deviation_kg = 1.4826 * float(np.median(np.abs(groups_kg - np.median(groups_kg))))
    return deviation_kg * math.sqrt(math.pi / 2 / groups_kg.size)
