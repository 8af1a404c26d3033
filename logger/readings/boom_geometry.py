"""``[crane.geometry]`` of ``test.toml``: the radius from the boom's angle and length.

Seen from the side, the boom out to the right:

- The slew axis stands upright at 0. The foot pin, about which the boom rises, lies ``offset``
  from it along the boom's direction (negative: behind the axis) and ``height`` above the level
  from which radii are measured.
- From the foot pin the boom's axis goes up at the boom angle α for the boom length L, as the
  sensor reads it or the drawing gives it.
- From there the centre of the head sheave lies ``along`` further on, and ``perpendicular`` off
  the boom's axis, positive on its upper side. The rope hangs from the far side of the sheave.
- Under load the boom bends and the load comes to hang farther out by the ``deflection``.

    radius = offset·cos τ − height·sin τ + (L + along)·cos α − perpendicular·sin α
             + sheave radius + deflection

τ is the truck's tilt in the boom's direction, upward positive; 0 where no level sensor tells it.
α is against the horizontal, as most inclinometers read it. A sensor between boom and turntable
reads against the frame (``angle_from = "frame"``): there α is its reading plus τ.

The deflection grows with what bends the boom: in proportion to the load hanging, or to its
moment. Its size is given, or fitted to tape readings taken with the load hanging.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Self

import numpy as np
from pydantic import Field, model_validator

from logger.readings.block import Values
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.toml_file import Angle, Length, Mass, Moment, Table

LEAST_TAPE_READINGS = 2
"""A deflection that is fitted to fewer has no standard error."""


class BoomGeometry(Table):
    """The ``[crane.geometry]`` table."""

    foot_pin_offset_m: Length = Field(alias="foot_pin_offset", ge=-20, le=20)
    foot_pin_height_m: Length = Field(default=0.0, alias="foot_pin_height", ge=-20, le=20)
    """Above the level from which radii are measured; matters where the truck tilts."""
    tip_along_m: Length = Field(default=0.0, alias="tip_along", ge=-20, le=20)
    tip_perpendicular_m: Length = Field(default=0.0, alias="tip_perpendicular", ge=-20, le=20)
    sheave_radius_m: Length = Field(default=0.0, alias="sheave_radius", ge=0, le=5)
    length_m: Length | None = Field(default=None, alias="length", gt=0, le=200)
    """Of a boom that has one length; a channel ``boom_length`` that speaks counts before it."""
    angle_deg: Angle | None = Field(default=None, alias="angle", ge=-90, le=90)
    """Of a boom that stands at one angle; a channel ``boom_angle`` that speaks counts before it."""
    angle_from: Literal["horizontal", "frame"] = "horizontal"
    """What the angle is measured against."""
    u_m: Length | None = Field(default=None, alias="u", ge=0)
    """Standard uncertainty of each length that this table gives, but ``length``."""
    length_u_m: Length | None = Field(default=None, alias="length_u", ge=0)
    angle_u_deg: Angle | None = Field(default=None, alias="angle_u", ge=0)
    deflection_m: Length = Field(default=0.0, alias="deflection", ge=0, le=5)
    """How much farther out the load hangs since the boom bends …"""
    deflection_load_kg: Mass | None = Field(default=None, alias="deflection_load", gt=0)
    """… under this load, and in proportion under others (by default the test load) …"""
    deflection_moment_nm: Moment | None = Field(default=None, alias="deflection_moment", gt=0)
    """… or under this moment, and in proportion under others."""
    deflection_u_m: Length | None = Field(default=None, alias="deflection_u", ge=0)
    deflection_by_tape: bool = False
    """Whether the deflection is fitted to the run's tape readings with the load hanging."""

    @model_validator(mode="after")
    def _one_deflection(self) -> Self:
        if self.deflection_load_kg is not None and self.deflection_moment_nm is not None:
            raise ValueError("give 'deflection_load' or 'deflection_moment', not both")
        if self.deflection_by_tape and (
            self.deflection_m or self.deflection_load_kg or self.deflection_moment_nm
        ):
            raise ValueError("'deflection_by_tape' fits the deflection; leave its size out")
        return self

    def given_deflection_m(
        self, load_kg: Values, radius_m: Values, *, test_load_kg: float
    ) -> Values:
        """The deflection under a load, from the size that the table gives, m.

        Args:
            load_kg: load hanging, shape (n,), kg.
            radius_m: radius without deflection, shape (n,), m.
            test_load_kg: the load that the size belongs to where the table names none, kg.
        """
        if self.deflection_moment_nm is not None:
            return self.deflection_m * moments_nm(load_kg, radius_m) / self.deflection_moment_nm
        return self.deflection_m * load_kg / (self.deflection_load_kg or test_load_kg)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoomPose:
    """How the boom stands; every array has shape (n,).

    Attributes:
        angle_deg: boom angle as its sensor reads it, deg.
        length_m: boom length, m.
        tilt_deg: tilt of the truck in the boom's direction, upward positive, deg.
    """

    angle_deg: Values
    length_m: Values
    tilt_deg: Values

    def above_horizontal_rad(self, geometry: BoomGeometry) -> Values:
        """Angle of the boom's axis against the horizontal, rad."""
        if geometry.angle_from == "frame":
            return np.radians(self.angle_deg + self.tilt_deg)
        return np.radians(self.angle_deg)


def stiff_radius_m(geometry: BoomGeometry, pose: BoomPose) -> Values:
    """Radius of a boom that does not bend, shape (n,), m: the formula above."""
    alpha, tau = pose.above_horizontal_rad(geometry), np.radians(pose.tilt_deg)
    return np.asarray(
        geometry.foot_pin_offset_m * np.cos(tau)
        - geometry.foot_pin_height_m * np.sin(tau)
        + (pose.length_m + geometry.tip_along_m) * np.cos(alpha)
        - geometry.tip_perpendicular_m * np.sin(alpha)
        + geometry.sheave_radius_m
    )


def tip_height_m(geometry: BoomGeometry, pose: BoomPose) -> Values:
    """Height of the head sheave's centre above the level of the radii, shape (n,), m."""
    alpha, tau = pose.above_horizontal_rad(geometry), np.radians(pose.tilt_deg)
    return np.asarray(
        geometry.foot_pin_height_m * np.cos(tau)
        + geometry.foot_pin_offset_m * np.sin(tau)
        + (pose.length_m + geometry.tip_along_m) * np.sin(alpha)
        + geometry.tip_perpendicular_m * np.cos(alpha)
    )


def sensitivities(geometry: BoomGeometry, pose: BoomPose) -> dict[str, Values]:
    """Change of the radius with each quantity it is computed from, shape (n,) each.

    Returns:
        By the quantity's name: m for a metre, or m for a degree.
    """
    alpha, tau = pose.above_horizontal_rad(geometry), np.radians(pose.tilt_deg)
    by_angle = -np.radians(1.0) * (
        (pose.length_m + geometry.tip_along_m) * np.sin(alpha)
        + geometry.tip_perpendicular_m * np.cos(alpha)
    )
    by_tilt = -np.radians(1.0) * (
        geometry.foot_pin_offset_m * np.sin(tau) + geometry.foot_pin_height_m * np.cos(tau)
    )
    return {
        "boom angle": by_angle,
        "boom length": np.cos(alpha),
        "foot pin offset": np.cos(tau),
        "foot pin height": -np.sin(tau),
        "tip along the boom": np.cos(alpha),
        "tip off the boom": -np.sin(alpha),
        "sheave radius": np.ones_like(alpha),
        "tilt of the truck": by_tilt + (by_angle if geometry.angle_from == "frame" else 0.0),
    }


def moments_nm(load_kg: Values, radius_m: Values) -> Values:
    """Moment of a load about the slew axis, N·m."""
    return np.asarray(load_kg * STANDARD_GRAVITY_MPS2 * radius_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedDeflection:
    """A deflection in proportion to the moment, fitted to tape readings.

    Attributes:
        m_per_nm: radius growth for a newton metre.
        u_m_per_nm: its standard error.
        dof: degrees of freedom of that; infinite where the tape's own uncertainty is greater
            than the scatter shows.
        residual_sd_m: scatter of the tape readings about the fit, m.
        moment_nm: moments of the readings, shape (n,), N·m.
        pose: how the boom stood at each.
    """

    m_per_nm: float
    u_m_per_nm: float
    dof: float
    residual_sd_m: float
    moment_nm: Values
    pose: BoomPose

    def left_of(self, by_quantity: Values, *, here: float, moment_nm: float) -> float:
        """What is left of a sensitivity, since the fit takes up an error of the geometry.

        An error that makes every computed radius too great makes the fitted deflection too
        small by as much, so near the fitted readings it cancels.

        Args:
            by_quantity: sensitivity of the stiff radius at each of the readings, shape (n,).
            here: the same where the radius is wanted.
            moment_nm: moment there, N·m.
        """
        taken_up = float(self.moment_nm @ by_quantity) / float(self.moment_nm @ self.moment_nm)
        return here - moment_nm * taken_up


def fit_deflection(
    geometry: BoomGeometry,
    *,
    tape_m: Sequence[float],
    load_kg: Values,
    pose: BoomPose,
    u_tape_m: float,
) -> FittedDeflection | None:
    """Fits radius growth = c · moment to tape readings by least squares through zero.

    c = Σ M·(tape − stiff radius) / Σ M²; its standard error is s/√(Σ M²) with n − 1 degrees of
    freedom, s never less than the tape's own uncertainty.

    Args:
        geometry: the crane's.
        tape_m: tape readings, n of them, m.
        load_kg: load hanging at each, shape (n,), kg.
        pose: how the boom stood at each.
        u_tape_m: standard uncertainty of a tape reading, m.

    Returns:
        The fit, or None with fewer than two readings.
    """
    tape = np.asarray(tape_m, dtype=np.float64)
    if tape.size < LEAST_TAPE_READINGS:
        return None
    moment = moments_nm(load_kg, tape)
    growth = tape - stiff_radius_m(geometry, pose)
    squares = float(moment @ moment)
    if squares <= 0:
        return None
    per_nm = float(moment @ growth) / squares
    rest = growth - per_nm * moment
    sd_m = math.sqrt(float(rest @ rest) / (tape.size - 1))
    return FittedDeflection(
        m_per_nm=per_nm,
        u_m_per_nm=max(sd_m, u_tape_m) / math.sqrt(squares),
        dof=tape.size - 1 if sd_m > u_tape_m else math.inf,
        residual_sd_m=sd_m,
        moment_nm=moment,
        pose=pose,
    )
