"""The radius of a hold: what told it, and how sure that is.

The sensor tells it; else the boom's geometry; else a tape reading. A radius can shrink under way,
so the least of its five-second medians is the one that was proved everywhere; where these differ
by no more than noise does, the radius stood still, and their mean is the better figure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dashboard.capacity.proof.boom_radius import geometry_inputs
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.stretches import grouped, hung_at, inside
from dashboard.capacity.uncertainty.budget import Input
from dashboard.capacity.uncertainty.budgets import radius_budget
from dashboard.capacity.uncertainty.tape_measure import tape_inputs
from logger.readings.block import Values

ASSUMED_U_RADIUS_M = 0.003
"""Where the radius sensor declares none: a tape step of 10 mm, rectangular."""
FARTHEST_OF_NOISE = 3.5
"""No median of a radius that stands still is farther off than so many standard deviations."""
MORE_BY_CHANCE = 1.645
"""Standard deviations of chance (95 %, one-sided) by which noise may look greater."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldRadius:
    """The radius of a hold.

    Attributes:
        radius_m: least radius, m, or None where nothing tells it.
        first_m: radius at the hold's beginning, m.
        last_m: radius at its end, m.
        by: what told it: ``sensor``, ``geometry`` or ``tape``; empty where nothing does.
        u_m: standard uncertainty of the least radius, m.
        inputs: what makes it uncertain, ``u`` in m.
    """

    radius_m: float | None
    first_m: float = 0.0
    last_m: float = 0.0
    by: str = ""
    u_m: float = 0.0
    inputs: tuple[Input, ...] = ()


def hold_radius(evidence: Evidence, span: tuple[int, int], *, moving: bool) -> HoldRadius:
    """The radius of a stretch.

    Args:
        evidence: what the run shows.
        span: first moment and the one after the last, ns.
        moving: whether the radius moved in it, so that its least slice counts.
    """
    slices_m = inside(evidence.radius, span)
    if not slices_m.size:
        return _by_tape(evidence, span)
    radii_m = slices_m if moving else grouped(evidence.radius, span)
    step_m = evidence.step.get("radius", 0.0)
    noise_m = _noise_m(slices_m, of_medians=radii_m.size)
    steady = not moving and _stands_still(radii_m, noise_m=noise_m, step_m=step_m)
    least_m = float(radii_m.mean() if steady else radii_m.min())
    if evidence.radius_by == "geometry":
        inputs = geometry_inputs(evidence, span)
    else:
        inputs = _of_the_sensor(evidence, least_m)
    inputs += _scatter(slices_m.size, radii_m.size, noise_m, steady=steady)
    return HoldRadius(
        radius_m=least_m,
        first_m=float(radii_m[0]),
        last_m=float(radii_m[-1]),
        by=evidence.radius_by,
        u_m=radius_budget(radius_m=least_m, inputs=inputs).u,
        inputs=inputs,
    )


def _by_tape(evidence: Evidence, span: tuple[int, int]) -> HoldRadius:
    """The tape reading of a stretch: one noted in it, or on the ground just before it."""
    hung_ns = hung_at(evidence, span)
    before_ns = max((h[1] for h in evidence.hanging if h[1] <= hung_ns[0]), default=-(2**62))
    noted = [r.radius_m for r in evidence.tape if before_ns <= r.t_ns < hung_ns[1]]
    if not noted:
        return HoldRadius(radius_m=None)
    radius_m = min(noted)
    inputs = tape_inputs(evidence.test.method, radius_m)
    return HoldRadius(
        radius_m=radius_m,
        first_m=radius_m,
        last_m=radius_m,
        by="tape",
        u_m=radius_budget(radius_m=radius_m, inputs=inputs).u,
        inputs=inputs,
    )


def _of_the_sensor(evidence: Evidence, radius_m: float) -> tuple[Input, ...]:
    declared_m, step_m = evidence.u_radius_m, evidence.step.get("radius", 0.0)
    sensor = Input(
        name="radius sensor",
        u=ASSUMED_U_RADIUS_M if declared_m is None else declared_m,
        value=radius_m,
        unit="m",
        source="assumed: the rig file declares none" if declared_m is None else "rig file",
    )
    if step_m <= 0:
        return (sensor,)
    resolution = Input(
        name="resolution of the radius sensor",
        u=step_m / math.sqrt(12),
        unit="m",
        shape="rectangular",
        source=f"steps of {1000 * step_m:.3g} mm / √12",
    )
    return sensor, resolution


def _noise_m(slices_m: Values, *, of_medians: int) -> float:
    """Standard deviation of a stretch's medians as the noise of its slices makes it, m.

    From the median difference of neighbours, which neither a creep nor a move disturbs, and the
    efficiency of a median (√(π/2)).
    """
    if slices_m.size < 2:
        return 0.0
    slice_m = float(np.median(np.abs(np.diff(slices_m)))) / 0.6745 / math.sqrt(2)
    each = slices_m.size / of_medians
    return slice_m * min(1.0, math.sqrt(math.pi / 2 / each))


def _stands_still(radii_m: Values, *, noise_m: float, step_m: float) -> bool:
    """Whether medians differ no more than noise and rounding make them."""
    if radii_m.size < 2:
        return True
    noise_m = math.hypot(noise_m, step_m / math.sqrt(12))
    by_chance = 1 + MORE_BY_CHANCE / math.sqrt(2 * (radii_m.size - 1))
    farthest_m = float(np.abs(radii_m - np.median(radii_m)).max())
    return bool(
        radii_m.std(ddof=1) <= by_chance * noise_m and farthest_m <= FARTHEST_OF_NOISE * noise_m
    )


def _scatter(slices: int, medians: int, noise_m: float, *, steady: bool) -> tuple[Input, ...]:
    if noise_m <= 0:
        return ()
    return (
        Input(
            name="scatter of the radius",
            u=noise_m / math.sqrt(medians) if steady else noise_m,
            unit="m",
            dof=float(slices - 1),
            source=f"{'mean' if steady else 'least'} of {medians} medians",
        ),
    )
