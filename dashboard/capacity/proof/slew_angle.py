"""The slew angle at a moment, and how the error of that reading is distributed.

*Rounding.* A counter shows one whole number for all angles within a step, so what is lost is
rectangular, a step wide. Whether the number stands for the middle of its step (rounded) or for
its lower end (cut off) no reading tells, and nobody knows: each is taken to be as likely as the
other. The angle is then half a step beyond the reading, or not at all, in the direction in which
the counts rise: a quarter of a step is added, and the other quarter is a two-point part of the
budget. A zero that was found by sighting has taken this in already, and is none the worse.

*Between two readings* the angle lies on a straight line. Within a step the two share one
rounding; farther apart each has its own. Where a boom climbs from step to step with several
readings on each, more is known: two readings that differ have the step's edge between them.

*Noise.* Where it is larger than half a step it also smooths the steps away, so a parabola through
the half seconds before and after (a boom may gain or lose speed in them) is read; its
uncertainty comes from how the readings scatter about it, with the degrees of freedom that they
have left. Smaller noise stays in the reading. Readings that lie several to a step and never turn
back have none: what scatters about the parabola there is the staircase alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.proof.evidence import NEIGHBOURHOOD_NS, SlewRecord
from dashboard.capacity.uncertainty.budget import Input

Numbers = NDArray[np.float64]

LEAST_FITTED = 7
"""A parabola takes three degrees of freedom; four are the least that tell a scatter."""
NO_NOISE_DEG = 0.005
"""Less is below what any slew sensor is read for, and no reason to smooth, deg."""
SEVERAL_TO_A_STEP = 4
NOTHING_DEG = 1e-9
"""What is left of zero after rounding in the computer, deg."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleRead:
    """A slew angle at a moment.

    Attributes:
        angle_deg: best estimate, deg.
        inputs: what makes it uncertain besides the sensor's zero and the time, deg.
    """

    angle_deg: float
    inputs: tuple[Input, ...]


def read_angle(slew: SlewRecord, t_ns: int) -> AngleRead:
    """The slew angle at a time, deg.

    Raises:
        ValueError: where there is no reading at all.
    """
    climb_deg = _climb_deg(slew, t_ns)
    angle_deg, inputs = (
        _scattered(slew, t_ns) if climb_deg is None else _in_stairs(slew, t_ns, climb_deg)
    )
    towards = -1.0 if slew.falls_with_counts else 1.0
    return AngleRead(
        angle_deg=angle_deg + towards * slew.step_deg / 4,
        inputs=tuple(i for i in (*inputs, _whole_or_cut(slew.step_deg)) if i.u > NOTHING_DEG),
    )


def _parabola(slew: SlewRecord, t_ns: int) -> tuple[float, float, float, float]:
    """A parabola through the readings around a time.

    Returns:
        Its angle then, deg; the scatter of single readings about it, deg (0 where there are too
        few to tell); the share of their variance that the angle has; degrees of freedom.
    """
    first, last = np.searchsorted(slew.t_ns, [t_ns - NEIGHBOURHOOD_NS, t_ns + NEIGHBOURHOOD_NS])
    t = (slew.t_ns[first:last] - t_ns) / NEIGHBOURHOOD_NS
    if t.size < LEAST_FITTED:
        return 0.0, 0.0, 1.0, math.inf
    design = np.stack([np.ones(t.size), t, t * t], axis=1)
    angle_deg = slew.slew_deg[first:last]
    normal = np.linalg.pinv(design.T @ design)
    fitted = normal @ (design.T @ angle_deg)
    rest_deg = angle_deg - design @ fitted
    dof = t.size - 3
    return float(fitted[0]), math.sqrt(float(rest_deg @ rest_deg) / dof), float(normal[0, 0]), dof


def _climb_deg(slew: SlewRecord, t_ns: int) -> float | None:
    """How far the boom moves from one reading to the next around a time, deg, signed.

    None where noise or fast movement hide it: only readings that go one way, in steps that hold
    several of them, tell the stairs.
    """
    first, last = np.searchsorted(slew.t_ns, [t_ns - NEIGHBOURHOOD_NS, t_ns + NEIGHBOURHOOD_NS])
    steps_deg = np.diff(slew.slew_deg[first:last])
    moved_deg = float(steps_deg.sum())
    several = abs(moved_deg) * SEVERAL_TO_A_STEP <= slew.step_deg * steps_deg.size
    one_way = abs(moved_deg) >= float(np.abs(steps_deg).sum()) * (1 - 1e-9)
    return moved_deg / steps_deg.size if several and one_way and steps_deg.size else None


def _in_stairs(slew: SlewRecord, t_ns: int, climb_deg: float) -> tuple[float, list[Input]]:
    """The angle where readings climb step by step.

    Between two equal readings the boom was a whole climb inside the step; between two that differ
    it crossed from one into the other, and so is known to within that climb.
    """
    (before, after), apart_deg = _neighbours(slew, t_ns)
    crossed = apart_deg > slew.step_deg / 2
    at = int(np.clip(np.searchsorted(slew.t_ns, t_ns), 1, slew.t_ns.size - 1))
    middle_deg = float(slew.slew_deg[at - 1] + slew.slew_deg[at]) / 2
    width_deg = abs(climb_deg) if crossed else slew.step_deg - abs(climb_deg)
    return middle_deg + climb_deg * (after - before) / 2, [_rounding(width_deg)]


def _scattered(slew: SlewRecord, t_ns: int) -> tuple[float, list[Input]]:
    """The angle where readings scatter or are far apart."""
    smooth_deg, scatter_deg, leverage, dof = _parabola(slew, t_ns)
    noise_deg = math.sqrt(max(0.0, scatter_deg**2 - slew.step_deg**2 / 12))
    if noise_deg > max(slew.step_deg / 2, NO_NOISE_DEG):
        return smooth_deg, [_noise(scatter_deg * math.sqrt(leverage), dof)]
    weights, apart_deg = _neighbours(slew, t_ns)
    own = weights if apart_deg > 1.5 * slew.step_deg else (1.0,)
    inputs = [_rounding(w * slew.step_deg) for w in own]
    return slew.at(t_ns), [*inputs, _noise(noise_deg * math.hypot(*weights), dof)]


def _neighbours(slew: SlewRecord, t_ns: int) -> tuple[tuple[float, float], float]:
    """Weights of the readings before and after a time, and how far apart their angles are, deg."""
    after = int(np.searchsorted(slew.t_ns, t_ns))
    if after in (0, slew.t_ns.size):
        return (0.0, 1.0), 0.0
    t0, t1 = int(slew.t_ns[after - 1]), int(slew.t_ns[after])
    share = (t_ns - t0) / (t1 - t0) if t1 > t0 else 1.0
    return (1 - share, share), abs(float(slew.slew_deg[after] - slew.slew_deg[after - 1]))


def _rounding(width_deg: float) -> Input:
    return Input(
        name="encoder step",
        u=width_deg / math.sqrt(12),
        unit="deg",
        shape="rectangular",
        source="least difference between readings",
    )


def _whole_or_cut(step_deg: float) -> Input:
    return Input(
        name="encoder rounds or cuts off",
        u=step_deg / 4,
        unit="deg",
        shape="two-point",
        source="not known, each as likely as the other",
    )


def _noise(u_deg: float, dof: float) -> Input:
    return Input(
        name="noise of the slew readings",
        u=u_deg,
        unit="deg",
        dof=dof,
        source="scatter around the moment",
    )
