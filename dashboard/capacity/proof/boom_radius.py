"""The radius where no sensor tells it: the run's boom angle and length through its geometry."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from dashboard.capacity.proof.boom_pose import hanging_kg, pose_at, posed_slices
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.stretches import middle_ns, within
from dashboard.capacity.uncertainty.budget import Input
from dashboard.capacity.uncertainty.budgets import radius_budget
from dashboard.capacity.uncertainty.tape_measure import tape_inputs
from logger.events.radius_change import RadiusChangeDetector
from logger.readings.bins import Bins
from logger.readings.block import Nanoseconds, Values
from logger.readings.boom_geometry import (
    BoomGeometry,
    BoomPose,
    FittedDeflection,
    fit_deflection,
    moments_nm,
    sensitivities,
    stiff_radius_m,
)
from logger.readings.test_file import TestFile

ASSUMED_U_LENGTH_M = 0.003
"""Of each length, where neither rig nor test file declares one."""
ASSUMED_U_ANGLE_DEG = 0.2
"""Of a boom angle, where neither rig nor test file declares one."""
ASSUMED_U_LEVEL_DEG = 0.1
"""Of a level sensor that declares none."""
ASSUMED_U_DEFLECTION_SHARE = 0.2
"""Of a deflection whose size is given without its uncertainty."""
LEVEL = ("pitch", "roll")
LEVEL_SHARE = 0.01
"""A truck that no level sensor watches is taken as level to 1 % (rectangular)."""


class _U(NamedTuple):
    """A standard uncertainty, its unit and where it comes from."""

    u: float
    unit: str
    source: str


def channels_needed(test: TestFile, *, sensor: bool) -> tuple[str, ...]:
    """Channels whose silence leaves the radius unknown, since the geometry needs them.

    Args:
        test: the test file.
        sensor: whether a radius sensor spoke, so that the geometry is not asked.
    """
    geometry = test.crane.geometry
    if sensor or geometry is None:
        return ()
    level = LEVEL if geometry.angle_from == "frame" else ()
    return ("boom_angle", "boom_length", *level)


def with_geometry_radius(evidence: Evidence) -> Evidence:
    """The evidence with the radius that the geometry tells, where no sensor tells one."""
    geometry = evidence.test.crane.geometry
    slices = None if geometry is None else posed_slices(evidence, geometry)
    if evidence.radius is not None or geometry is None or slices is None:
        return evidence
    pose, known = pose_at(evidence, geometry, middle_ns(slices))
    evidence = replace(evidence, deflection=_fitted(evidence, geometry))
    radius = Bins(
        first_ns=slices.first_ns[known],
        last_ns=slices.last_ns[known],
        median=_bent_radius_m(evidence, geometry, pose, middle_ns(slices)[known]),
    )
    detector = RadiusChangeDetector()
    changes = (*detector.take(radius), *detector.finish())
    evidence = replace(evidence, radius=radius, radius_by="geometry", radius_changes=changes)
    return replace(evidence, u_radius_m=_u_radius_m(evidence))


def geometry_inputs(evidence: Evidence, span: tuple[int, int]) -> tuple[Input, ...]:
    """What makes the geometry's radius uncertain in a stretch of time.

    Args:
        evidence: with the radius from the geometry.
        span: first moment and the one after the last, ns.

    Returns:
        Input quantities, ``u`` in m: each already multiplied with its sensitivity, which stands
        in its source.
    """
    geometry = evidence.test.crane.geometry
    at_ns = middle_ns(within(evidence.radius, span))
    if geometry is None or at_ns.size == 0:
        return ()
    poses, known = pose_at(evidence, geometry, at_ns)
    if not known.any():
        return ()
    pose = _middle_pose(poses)
    load_kg = np.median(hanging_kg(evidence, at_ns), keepdims=True)
    stiff_m = stiff_radius_m(geometry, pose)
    moment_nm = float(moments_nm(load_kg, stiff_m)[0])
    inputs = (
        _input(quantity, known_u, _sensitivity(evidence, geometry, pose, quantity, moment_nm))
        for quantity, known_u in _quantities(evidence, geometry)
    )
    bent_m = float(
        geometry.given_deflection_m(load_kg, stiff_m, test_load_kg=evidence.test.load.mass_kg)[0]
    )
    return (
        *(i for i in inputs if i.u > 0),
        *_of_the_deflection(evidence, geometry, deflection_m=bent_m, moment_nm=moment_nm),
    )


def _middle_pose(poses: BoomPose) -> BoomPose:
    return BoomPose(
        angle_deg=np.median(poses.angle_deg, keepdims=True),
        length_m=np.median(poses.length_m, keepdims=True),
        tilt_deg=np.median(poses.tilt_deg, keepdims=True),
    )


def _input(quantity: str, known: _U, by_quantity: float) -> Input:
    per = "m" if known.unit == "m" else f"m/{known.unit}"
    size = f"{by_quantity:.3f}" if known.unit == "m" else f"{by_quantity:.4f} {per}"
    return Input(
        name=quantity,
        u=abs(by_quantity) * known.u,
        unit="m",
        source=f"{known.source}: {known.u:.3g} {known.unit} × {size}",
    )


def _sensitivity(
    evidence: Evidence, geometry: BoomGeometry, pose: BoomPose, quantity: str, moment_nm: float
) -> float:
    here = float(sensitivities(geometry, pose)[quantity][0])
    fit = evidence.deflection
    if fit is None:
        return here
    return fit.left_of(sensitivities(geometry, fit.pose)[quantity], here=here, moment_nm=moment_nm)


def _quantities(evidence: Evidence, geometry: BoomGeometry) -> Iterator[tuple[str, _U]]:
    """Each quantity of the geometry with its standard uncertainty."""
    yield (
        "boom angle",
        _read_u(
            evidence, "boom_angle", "deg", given=geometry.angle_u_deg, usual=ASSUMED_U_ANGLE_DEG
        ),
    )
    yield (
        "boom length",
        _read_u(evidence, "boom_length", "m", given=geometry.length_u_m, usual=ASSUMED_U_LENGTH_M),
    )
    drawn = _given_u("m", given=geometry.u_m, usual=ASSUMED_U_LENGTH_M)
    yield "foot pin offset", drawn
    # What the table leaves at nothing is not there, and is not uncertain.
    for quantity, length_m in (
        ("foot pin height", geometry.foot_pin_height_m),
        ("tip along the boom", geometry.tip_along_m),
        ("tip off the boom", geometry.tip_perpendicular_m),
        ("sheave radius", geometry.sheave_radius_m),
    ):
        if length_m:
            yield quantity, drawn
    if evidence.pitch is not None and evidence.roll is not None:
        level = max(
            (_read_u(evidence, c, "deg", given=None, usual=ASSUMED_U_LEVEL_DEG) for c in LEVEL),
            key=lambda known: known.u,
        )
    else:
        level = _U(
            math.degrees(LEVEL_SHARE) / math.sqrt(3),
            "deg",
            f"taken as level within {100 * LEVEL_SHARE:g} %, rectangular",
        )
    yield "tilt of the truck", level


def _read_u(
    evidence: Evidence, channel: str, unit: str, *, given: float | None, usual: float
) -> _U:
    """Of a quantity that a channel may tell: as the rig declares it, with its resolution."""
    declared = evidence.u_declared.get(channel)
    step = evidence.step.get(channel, 0.0)
    known = (
        _given_u(unit, given=given, usual=usual)
        if declared is None
        else _U(declared, unit, "rig file")
    )
    return known._replace(u=math.hypot(known.u, step / math.sqrt(12)))


def _given_u(unit: str, *, given: float | None, usual: float) -> _U:
    return _U(usual, unit, "assumed") if given is None else _U(given, unit, "test file")


def _of_the_deflection(
    evidence: Evidence, geometry: BoomGeometry, *, deflection_m: float, moment_nm: float
) -> Iterator[Input]:
    fit = evidence.deflection
    if fit is None:
        if deflection_m > 0:
            share = ASSUMED_U_DEFLECTION_SHARE
            if geometry.deflection_u_m is not None:
                share = geometry.deflection_u_m / geometry.deflection_m
            yield Input(
                name="deflection of the boom",
                u=share * deflection_m,
                value=deflection_m,
                unit="m",
                source="assumed" if geometry.deflection_u_m is None else "test file",
            )
        return
    yield Input(
        name="deflection of the boom",
        u=moment_nm * fit.u_m_per_nm,
        value=moment_nm * fit.m_per_nm,
        unit="m",
        dof=fit.dof,
        source=f"fitted to {fit.moment_nm.size} tape readings",
    )
    taken_up = moment_nm * float(fit.moment_nm.sum()) / float(fit.moment_nm @ fit.moment_nm)
    for tape in tape_inputs(evidence.test.method, _stretched_m(evidence))[1:]:
        yield replace(tape, u=taken_up * tape.u)


def _fitted(evidence: Evidence, geometry: BoomGeometry) -> FittedDeflection | None:
    """The deflection that the tape readings with the load hanging show, where it is asked for."""
    if not geometry.deflection_by_tape:
        return None
    notes = [r for r in evidence.tape if r.t_ns in evidence.hanging]
    at_ns = np.array([r.t_ns for r in notes], dtype=np.int64)
    pose, known = pose_at(evidence, geometry, at_ns)
    return fit_deflection(
        geometry,
        tape_m=[r.radius_m for r, told in zip(notes, known.tolist(), strict=True) if told],
        load_kg=hanging_kg(evidence, at_ns[known]),
        pose=pose,
        u_tape_m=tape_inputs(evidence.test.method, _stretched_m(evidence))[0].u,
    )


def _stretched_m(evidence: Evidence) -> float:
    """How far the tape reached, m."""
    return max((r.radius_m for r in evidence.tape), default=1.0)


def _bent_radius_m(
    evidence: Evidence, geometry: BoomGeometry, pose: BoomPose, at_ns: Nanoseconds
) -> Values:
    stiff_m, load_kg = stiff_radius_m(geometry, pose), hanging_kg(evidence, at_ns)
    if evidence.deflection is not None:
        return np.asarray(stiff_m + evidence.deflection.m_per_nm * moments_nm(load_kg, stiff_m))
    return np.asarray(
        stiff_m
        + geometry.given_deflection_m(load_kg, stiff_m, test_load_kg=evidence.test.load.mass_kg)
    )


def _u_radius_m(evidence: Evidence) -> float | None:
    """Standard uncertainty of the radius over the whole run, m."""
    inputs = geometry_inputs(evidence, (evidence.run_ns[0], evidence.run_ns[1] + 1))
    return radius_budget(radius_m=0.0, inputs=inputs).u if inputs else None
