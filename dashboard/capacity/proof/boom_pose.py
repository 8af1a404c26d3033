"""How the boom stood at a time, as far as a run tells it: angle, length, tilt; and its rope."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.stretches import inside, middle_ns, within
from logger.readings.bins import Bins
from logger.readings.block import Nanoseconds, Values
from logger.readings.boom_geometry import BoomGeometry, BoomPose, tip_height_m

APART_NS = 2_000_000_000
"""Farther from a slice than this nobody knows how the boom stood, ns."""


def posed_slices(evidence: Evidence, geometry: BoomGeometry) -> Bins | None:
    """The slices at which the boom's pose can be told; None where angle or length is unknown."""
    angle_known = evidence.boom_angle is not None or geometry.angle_deg is not None
    length_known = evidence.boom_length is not None or geometry.length_m is not None
    if not (angle_known and length_known):
        return None
    return evidence.boom_angle or evidence.boom_length or evidence.load


def pose_at(
    evidence: Evidence, geometry: BoomGeometry, at_ns: Nanoseconds
) -> tuple[BoomPose, NDArray[np.bool_]]:
    """How the boom stood at times, where that is known.

    Args:
        evidence: what the run shows.
        geometry: the crane's.
        at_ns: times, shape (n,), ns.

    Returns:
        The poses at those of the times at which all is known; and which of them these are,
        shape (n,).
    """
    angle_deg = told(evidence.boom_angle, at_ns, otherwise=geometry.angle_deg)
    length_m = told(evidence.boom_length, at_ns, otherwise=geometry.length_m)
    tilt_deg = _tilt_deg(evidence, at_ns)
    known = np.isfinite(angle_deg) & np.isfinite(length_m) & np.isfinite(tilt_deg)
    pose = BoomPose(angle_deg=angle_deg[known], length_m=length_m[known], tilt_deg=tilt_deg[known])
    return pose, known


def hanging_kg(evidence: Evidence, at_ns: Nanoseconds) -> Values:
    """Load hanging at times, kg, never below 0; the test load where no cell tells it."""
    load_kg = told(evidence.load, at_ns, otherwise=evidence.test.load.mass_kg)
    return np.asarray(np.maximum(0.0, np.nan_to_num(load_kg)))


def rope_length_m(evidence: Evidence, span: tuple[int, int]) -> float | None:
    """From the boom tip to the middle of the load, m; None where nothing tells it.

    As the test file gives it; else from the tip's height, which geometry or test file gives, down
    to the hook, whose height a sensor tells, and half of what hangs under the hook.
    """
    crane = evidence.test.crane
    if crane.rope_length_m is not None:
        return crane.rope_length_m
    hook_m = inside(evidence.hook_height, span)
    tip_m = _tip_height_m(evidence, span)
    if hook_m.size == 0 or tip_m is None:
        return None
    rope_m = tip_m - float(np.median(hook_m)) + (crane.hanging_height_m or 0.0) / 2
    return rope_m if rope_m > 0 else None


def told(bins: Bins | None, at_ns: Nanoseconds, *, otherwise: float | None) -> Values:
    """A channel's value at times, by straight lines between its slices; NaN where it is silent.

    Args:
        bins: the channel's slices, or None where there is no such channel.
        at_ns: times, shape (n,), ns.
        otherwise: the value without such a channel; None for NaN.
    """
    if bins is None or len(bins) == 0:
        return np.full(at_ns.size, np.nan if otherwise is None else otherwise)
    middle = middle_ns(bins)
    after = np.searchsorted(middle, at_ns)
    before_ns = middle[np.clip(after - 1, 0, len(bins) - 1)]
    after_ns = middle[np.clip(after, 0, len(bins) - 1)]
    far = (np.abs(at_ns - before_ns) > APART_NS) | (np.abs(at_ns - after_ns) > APART_NS)
    value = np.interp(at_ns.astype(np.float64), middle.astype(np.float64), bins.median)
    return np.where(far, np.nan, value)


def _tilt_deg(evidence: Evidence, at_ns: Nanoseconds) -> Values:
    """Tilt of the truck in the boom's direction, upward positive, deg.

    Over the rear a nose that is down lifts the boom; over the right a right side that is down
    lowers it. 0 where no level sensor tells.
    """
    if evidence.slew is None or (evidence.pitch is None and evidence.roll is None):
        return np.zeros(at_ns.size)
    psi = np.radians(told(evidence.slew.bins, at_ns, otherwise=0.0))
    pitch_deg = told(evidence.pitch, at_ns, otherwise=0.0)
    roll_deg = told(evidence.roll, at_ns, otherwise=0.0)
    return np.asarray(pitch_deg * np.cos(psi) - roll_deg * np.sin(psi))


def _tip_height_m(evidence: Evidence, span: tuple[int, int]) -> float | None:
    crane = evidence.test.crane
    # A geometry without the foot pin's height does not tell how high the tip is.
    if crane.geometry is not None and crane.geometry.foot_pin_height_m:
        slices = posed_slices(evidence, crane.geometry)
        if slices is not None:
            pose, known = pose_at(evidence, crane.geometry, middle_ns(within(slices, span)))
            if known.any():
                return float(np.median(tip_height_m(crane.geometry, pose)))
    return crane.tip_height_m
