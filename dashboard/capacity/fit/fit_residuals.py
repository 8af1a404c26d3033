"""How far a changed truck is from what was measured, in standard uncertainties.

A lift's residual is the named wheel's closure at the measured angle over what the angle's
uncertainty makes of it (closure's slope with angle × uncertainty): near the lift that is the
error of the angle, yet it stays smooth and finite for trucks that never lift this wheel. Errors
of load, radius and slew zero are common to a test, so they are three more unknowns rather than
noise. At a lift no other wheel may be off the ground, and in a stay none at all: those residuals
are zero on the right side and grow on the wrong one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.fit.fit_parameters import Free, changed
from dashboard.capacity.fit.held_down import HeldDown
from dashboard.capacity.fit.many_trucks import ManyTrucks
from dashboard.capacity.fit.measured_lifts import MeasuredLift, MeasuredStay
from logger.readings.model_table import TruckModel

Numbers = NDArray[np.float64]

STAY_STEP_DEG = 4.0
U_STAY_DEG = 0.05
"""How far a wheel may seem up, as an angle, before it counts against a truck, deg."""
_SLOPE_STEP_DEG = 0.1
COMMON_ERRORS = 3
"""Errors of load, radius and slew zero, common to all lifts, after the truck's parameters."""
MOST_COMMON = 4.0
"""No common error is looked for farther off than so many standard uncertainties."""


class Residuals:
    """Residuals of one truck's lifts and stays.

    Unknowns are departures over their uncertainties before the fit, then the common errors of
    load, radius and slew zero over theirs: all are of order one.
    """

    def __init__(
        self,
        model: TruckModel,
        free: Sequence[Free],
        lifts: Sequence[MeasuredLift],
        stays: Sequence[MeasuredStay],
    ) -> None:
        """Prepares the rows.

        Args:
            model: the given truck.
            free: the parameters that may change.
            lifts: measured lifts.
            stays: measured stays.
        """
        self._model, self._free = model, tuple(free)
        self._u = np.array([p.u_before for p in free])
        self._many = ManyTrucks(model, free)
        names = self._many.wheels
        self.lifts = len(lifts)
        self._wheel = np.array([names.index(m.wheel) for m in lifts], dtype=np.intp)
        self._u_deg = np.array([m.u_own_deg for m in lifts])
        self._slew, self._stay_of = _angles(lifts, stays)
        row = np.concatenate((np.arange(len(lifts)), len(lifts) + self._stay_of))
        both: list[MeasuredLift | MeasuredStay] = [*lifts, *stays]
        self._load = np.array([m.load_kg for m in both])[row]
        self._radius = np.array([m.radius_m for m in both])[row]
        self._u_load = np.array([m.u_load_kg for m in both])[row]
        self._u_radius = np.array([m.u_radius_m for m in both])[row]
        # In a stay, which ends well before a lift, the zero's error is nothing.
        self._u_zero = np.append([m.u_zero_deg for m in lifts], np.zeros(len(row) - len(lifts)))
        self._stay_from = np.flatnonzero(np.diff(self._stay_of, prepend=-1))
        self._lift_scale = np.ones(len(lifts))
        self._slope = np.ones(len(lifts))
        self._closure_scale = np.ones(len(row))

    @property
    def unknowns(self) -> int:
        """How many unknowns there are."""
        return len(self._free) + COMMON_ERRORS

    @property
    def bounds(self) -> Numbers:
        """Bounds of the unknowns either way, shape (unknowns,)."""
        half = [p.half_width / p.u_before for p in self._free]
        return np.array([*half, *([MOST_COMMON] * COMMON_ERRORS)])

    @property
    def together(self) -> bool:
        """Whether many trucks cost little more than one."""
        return self._many.together

    def departure(self, unknown: Numbers) -> Numbers:
        """The truck's departures for unknowns, shape (parameters,)."""
        return np.asarray(unknown[: len(self._free)] * self._u)

    def truck(self, unknown: Numbers) -> TruckModel:
        """The changed truck."""
        return changed(self._model, self._free, self.departure(unknown))

    def rescale(self, unknown: Numbers) -> None:
        """Takes the slopes of closure with angle from a truck."""
        held = HeldDown(self.truck(unknown))
        lifted = slice(self.lifts)
        pick = (np.arange(self.lifts), self._wheel)
        before, at, after = (
            held.closure_m(self._slew[lifted] + step, self._load[lifted], self._radius[lifted])[
                pick
            ]
            for step in (-_SLOPE_STEP_DEG, 0.0, _SLOPE_STEP_DEG)
        )
        self._slope = (after - before) / (2 * _SLOPE_STEP_DEG)
        bend = (after - 2 * at + before) / _SLOPE_STEP_DEG**2
        # Where a wheel only just touches zero the slope vanishes and the bend decides.
        self._lift_scale = (
            np.maximum(np.abs(self._slope) * self._u_deg, np.abs(bend) * self._u_deg**2 / 2) + 1e-9
        )
        opposite = held.closure_m(self._slew + 180, self._load, self._radius)
        here = held.closure_m(self._slew, self._load, self._radius)
        swing = np.abs(here - opposite).max(axis=1) / 2
        self._closure_scale = np.maximum(swing * math.radians(U_STAY_DEG), 1e-9)

    def __call__(self, unknown: Numbers) -> Numbers:
        """Lifts, then wheels that should be down at lifts, then stays.

        Args:
            unknown: shape (unknowns,).

        Returns:
            Shape (2 · lifts + stays,), in standard uncertainties.
        """
        return np.asarray(self.of_many(unknown[np.newaxis])[0])

    def of_many(self, unknown: Numbers) -> Numbers:
        """The residuals of many trucks.

        Args:
            unknown: shape (trucks, unknowns).

        Returns:
            Shape (trucks, 2 · lifts + stays), in standard uncertainties.
        """
        load_error, radius_error, zero_error = unknown[:, -COMMON_ERRORS:].T[..., np.newaxis]
        closure = self._many.closure_m(
            unknown[:, : len(self._free)] * self._u,
            self._slew + zero_error * self._u_zero,
            self._load + load_error * self._u_load,
            self._radius + radius_error * self._u_radius,
        )
        row = np.arange(self.lifts)
        lift = closure[:, row, self._wheel] / self._lift_scale
        closure[:, row, self._wheel] = np.inf
        down = np.minimum(closure.min(axis=2) / self._closure_scale, 0.0)
        in_stays = down[:, self.lifts :]
        stay = (
            np.minimum.reduceat(in_stays, self._stay_from, axis=1)
            if self._stay_from.size
            else in_stays
        )
        return np.concatenate((lift, down[:, : self.lifts], stay), axis=1)

    def jacobian(self, unknown: Numbers, step: float = 1e-4) -> Numbers:
        """Forward differences of the residuals, shape (residuals, unknowns)."""
        moved = unknown + step * np.vstack((np.zeros(self.unknowns), np.eye(self.unknowns)))
        here, *there = self.of_many(moved)
        return np.column_stack([(one - here) / step for one in there])

    def off_deg(self, truck: TruckModel) -> Numbers:
        """Model's angle less measured angle of each lift, load and radius as measured, deg."""
        lifted = slice(self.lifts)
        closure = HeldDown(truck).closure_m(
            self._slew[lifted], self._load[lifted], self._radius[lifted]
        )[np.arange(self.lifts), self._wheel]
        slope = np.where(self._slope == 0, np.inf, self._slope)
        return np.asarray(-closure / slope)


def _angles(
    lifts: Sequence[MeasuredLift], stays: Sequence[MeasuredStay]
) -> tuple[Numbers, NDArray[np.intp]]:
    """Angles of all rows, and for those after the lifts which stay they belong to."""
    angles = [np.array([m.slew_deg for m in lifts], dtype=np.float64)]
    owner = [np.array([], dtype=np.intp)]
    for index, stay in enumerate(stays):
        count = 2 + int(abs(stay.to_deg - stay.from_deg) / STAY_STEP_DEG)
        angles.append(np.linspace(stay.from_deg, stay.to_deg, count))
        owner.append(np.full(count, index, dtype=np.intp))
    return np.concatenate(angles), np.concatenate(owner)
