"""The radius of a hold: what told it, and how sure that is."""

from __future__ import annotations

import math

import numpy as np

from dashboard.capacity.evidence import Evidence
from dashboard.capacity.stretches import grouped, hung_at, inside
from logger.readings.block import Values

ASSUMED_U_RADIUS_M = 0.003
"""Where the radius sensor declares none: a tape step of 10 mm, rectangular."""


def hold_radii(evidence: Evidence, span: tuple[int, int], *, moving: bool) -> tuple[Values, str]:
    """Radii of a stretch, oldest first, m, and what told them."""
    slices_m = inside(evidence.radius, span)
    if slices_m.size:
        return (slices_m if moving else grouped(evidence.radius, span)), "sensor"
    return _tape(evidence, span)


def _tape(evidence: Evidence, span: tuple[int, int]) -> tuple[Values, str]:
    """The tape reading of a stretch: one noted in it, or on the ground just before it."""
    hung_ns = hung_at(evidence, span)
    before_ns = max((h[1] for h in evidence.hanging if h[1] <= hung_ns[0]), default=-(2**62))
    noted = [r.radius_m for r in evidence.tape if before_ns <= r.t_ns < hung_ns[1]]
    return (np.array([min(noted)]), "tape") if noted else (np.empty(0), "")


def u_hold_radius_m(evidence: Evidence, radii_m: Values, by: str) -> float:
    """Standard uncertainty of the least of a stretch's radii, m."""
    if by == "tape":
        return evidence.test.method.tape_step_m / math.sqrt(12)
    declared_m = ASSUMED_U_RADIUS_M if evidence.u_radius_m is None else evidence.u_radius_m
    # A trend is no scatter: the least radius is taken, so only what is left around it counts.
    if radii_m.size < 3:
        return declared_m
    rest = radii_m - np.polynomial.Polynomial.fit(
        np.arange(radii_m.size, dtype=np.float64), radii_m, 1
    )(np.arange(radii_m.size, dtype=np.float64))
    return math.hypot(declared_m, float(rest.std(ddof=1)) / math.sqrt(radii_m.size))
