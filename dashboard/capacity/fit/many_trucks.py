"""Many trucks at once that differ in what a fit may change.

A fit asks for the closures of hundreds of trucks that are the given one with other departures.
Where ``held_down.py`` solves one small system for each set of outriggers, the systems of all
trucks are solved together, in a fiftieth of the time; elsewhere truck by truck.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dashboard.capacity.fit.fit_parameters import Free, changed, groups_of
from dashboard.capacity.fit.held_down import HeldDown, outrigger_sets
from dashboard.capacity.truck.frame import Frame
from dashboard.capacity.truck.truck_stand import boom_direction
from logger.readings.model_table import TruckModel
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

Numbers = NDArray[np.float64]


class ManyTrucks:
    """The given truck with departures, its wheels held down.

    Attributes:
        wheels: names of the wheels, in the order of the last axis of ``closure_m``.
        together: whether the trucks are solved together.
    """

    def __init__(self, model: TruckModel, free: Sequence[Free]) -> None:
        """Prepares what all trucks share.

        Args:
            model: the given truck.
            free: the parameters in which they differ.
        """
        self._model, self._free = model, tuple(free)
        self._sets = outrigger_sets(model)
        self.together = bool(self._sets.size)
        self._frame = Frame.of(model)
        names = [s.name for s in model.supports]
        self._wheel = np.array([s.kind == "wheel" for s in model.supports])
        self.wheels = tuple(np.array(names, dtype=object)[self._wheel].tolist())
        column_of = {p.name: i for i, p in enumerate(free)}
        self._centre = [column_of["centre_x_m"], column_of["centre_y_m"]]
        self._preload = column_of.get("preload_outriggers_m")
        self._groups = [
            (column_of[f"stiffness_{group.name}"], [names.index(m) for m in group.members])
            for group in groups_of(model)
            if f"stiffness_{group.name}" in column_of
        ]
        self._preload_m = np.array([s.preload_m for s in model.supports])
        self._unsprung_n = STANDARD_GRAVITY_MPS2 * np.array([s.unsprung_kg for s in model.supports])
        self._slewing_kg = sum(m.mass_kg for m in model.slewing)
        self._slewing_kgm = sum(m.mass_kg * m.radius_m for m in model.slewing)

    def closure_m(
        self, departure: Numbers, slew_deg: ArrayLike, load_kg: ArrayLike, radius_m: ArrayLike
    ) -> Numbers:
        """How far each wheel's contact is pressed in; below zero where it would lift.

        Args:
            departure: shape (trucks, parameters), m or logarithms of factors.
            slew_deg: slew angles, shape (n,) or (trucks, n), deg.
            load_kg: loads, a number, shape (n,) or (trucks, n), kg.
            radius_m: their distances from the slew axis, likewise, m.

        Returns:
            Shape (trucks, n, wheels), m.
        """
        size = (len(departure), np.shape(slew_deg)[-1])
        slew, load, radius = (
            np.broadcast_to(np.asarray(a, dtype=np.float64), size)
            for a in (slew_deg, load_kg, radius_m)
        )
        if not self.together:
            return np.stack(
                [
                    HeldDown(changed(self._model, self._free, d)).closure_m(*rows)
                    for d, *rows in zip(departure, slew, load, radius, strict=True)
                ]
            )
        stiffness_npm, offset_m = self._springs(departure)
        force = self._still_n(departure)[:, np.newaxis] + self._hung_n(slew, load, radius)
        sinking = self._balance(stiffness_npm, offset_m, force)
        shape = self._frame.shape[self._wheel]
        return np.asarray(sinking @ shape.T + offset_m[:, np.newaxis, self._wheel])

    def _springs(self, departure: Numbers) -> tuple[Numbers, Numbers]:
        """Stiffness, N/m, and closure at rest, m, of each support, shape (trucks, supports)."""
        factor = np.ones((len(departure), len(self._wheel)))
        for column, members in self._groups:
            factor[:, members] = np.exp(departure[:, column, np.newaxis])
        stiffness_npm = self._frame.stiffness_npm * factor
        offset_m = self._preload_m + self._unsprung_n / stiffness_npm
        if self._preload is not None:
            offset_m = offset_m + np.where(self._wheel, 0.0, departure[:, [self._preload]])
        return stiffness_npm, offset_m

    def _still_n(self, departure: Numbers) -> Numbers:
        """What all that doesn't slew does on each unknown, shape (trucks, unknowns), N."""
        masses = self._model.masses
        at_m = departure[:, np.newaxis, self._centre] + np.array([m.at_m for m in masses])
        weight_n = STANDARD_GRAVITY_MPS2 * np.array([m.mass_kg for m in masses])
        flat = at_m.reshape(-1, 2)
        force = self._frame.force_n(np.tile(weight_n, len(departure)), flat, flat[:, 0])
        places = np.array([s.at_m for s in self._model.supports])
        unsprung = self._frame.force_n(self._unsprung_n, places, places[:, 0]).sum(axis=0)
        return np.asarray(force.reshape(*at_m.shape[:2], -1).sum(axis=1) + unsprung)

    def _hung_n(self, slew_deg: Numbers, load_kg: Numbers, radius_m: Numbers) -> Numbers:
        """What slews does on each unknown, shape (trucks, n, unknowns), N."""
        mass_kg = self._slewing_kg + load_kg
        lever_m = (self._slewing_kgm + load_kg * radius_m) / np.where(mass_kg > 0, mass_kg, 1.0)
        column_m = np.asarray(self._model.column_m)
        at_m = column_m + lever_m.ravel()[:, np.newaxis] * boom_direction(slew_deg.ravel())
        weight_n = STANDARD_GRAVITY_MPS2 * mass_kg.ravel()
        return self._frame.force_n(weight_n, at_m, column_m[0]).reshape(*slew_deg.shape, -1)

    def _balance(self, stiffness_npm: Numbers, offset_m: Numbers, force_n: Numbers) -> Numbers:
        """Unknowns of each truck, as ``held_down`` finds them for one; as force_n, in m."""
        shape, sets = self._frame.shape, self._sets
        acting = sets * stiffness_npm[:, np.newaxis]
        matrix = np.einsum("kns,si,sj->knij", acting, shape, shape) + np.diag(self._frame.own_npm)
        trace = np.trace(matrix, axis1=2, axis2=3)[..., np.newaxis, np.newaxis]
        inverse = np.linalg.inv(matrix + 1e-14 * trace * np.eye(matrix.shape[2]))
        preload_n = (acting * offset_m[:, np.newaxis]) @ shape
        sinking = (force_n[:, np.newaxis] - preload_n[:, :, np.newaxis]) @ inverse
        if len(sets) == 1:
            return np.asarray(sinking[:, 0])
        some = ~self._wheel
        closure = sinking @ shape[some].T + offset_m[:, np.newaxis, np.newaxis, some]
        pushes = sets[:, np.newaxis, some]
        wrong = np.maximum(np.where(pushes, -closure, closure), 0.0).max(axis=3)
        best = wrong.argmin(axis=1)[:, np.newaxis, :, np.newaxis]
        return np.asarray(np.take_along_axis(sinking, best, axis=1)[:, 0])
