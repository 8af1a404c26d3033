"""The hanging load as a pendulum whose upper end moves.

Seen from above, the load's offset d from the boom tip obeys d'' = −ω²·d − 2ζω·d' − (tip)'',
with ω² = g/L; both directions at once as one complex number (x + iy, m).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.readings.quantity import STANDARD_GRAVITY_MPS2

ROPE_M = 3.5
DAMPING = 0.012
"""Share of critical damping; a load on a short rope dies down by half in about 9 swings."""

Plane = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hanging:
    """A pendulum's state: offset from the tip, m, and its speed, m/s, as x + iy."""

    offset: complex = 0j
    speed: complex = 0j


def natural_frequency_rads() -> float:
    """ω = √(g/L), rad/s."""
    return math.sqrt(STANDARD_GRAVITY_MPS2 / ROPE_M)


def swing(
    tip_m: Plane, hung: NDArray[np.float64], step_s: float, start: Hanging
) -> tuple[Plane, Plane, Hanging]:
    """Lets the load swing while the tip moves.

    Args:
        tip_m: the boom tip's way, shape (n,), x + iy, m.
        hung: share of the load on the hook, shape (n,); on the ground (below a half) it is still.
        step_s: time step, s.
        start: the state before the first step.

    Returns:
        Offsets, shape (n,), m; speeds, shape (n,), m/s; and the state at the end.
    """
    push = np.zeros_like(tip_m)
    push[1:-1] = (tip_m[2:] - 2 * tip_m[1:-1] + tip_m[:-2]) / step_s**2
    omega = natural_frequency_rads()
    stiffness, friction = omega**2, 2 * DAMPING * omega
    offset, speed = start.offset, start.speed
    offsets, speeds = np.zeros_like(tip_m), np.zeros_like(tip_m)
    for i, (pushed, hanging) in enumerate(zip(push.tolist(), (hung >= 0.5).tolist(), strict=True)):
        if hanging:
            # Speed first, then place: this order keeps the energy of a free swing.
            speed += step_s * (-stiffness * offset - friction * speed - pushed)
            offset += step_s * speed
        else:
            offset, speed = 0j, 0j
        offsets[i], speeds[i] = offset, speed
    return offsets, speeds, Hanging(offset=offset, speed=speed)
