"""The truck with its wheels held to the ground, for questions about the moment of a lift.

A one-sided spring has a kink where it opens, just where a fit and a search for the lift look.
So the wheels are held down: each contact pulls as well as it pushes. Until the first wheel lifts
this truck stands as the real one does, to rounding; a wheel's closure crosses zero where the real
wheel lifts; but it crosses without a kink. Where nothing else can open, closure is then linear in
every load and one small system of equations is solved for all angles at once. Outriggers stay
one-sided, for they may open before any wheel does: each set of outriggers on the ground is one
such system, and the one whose outriggers all push, and whose others all hang free, is the
truck's. A suspension still runs down to its stop; then, and where outriggers are many, each
contact gets a great preload and a mass at its place that balances it, and the frame finds its
balance as ever.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dashboard.capacity.truck.frame import Frame
from dashboard.capacity.truck.truck_stand import boom_direction
from logger.readings.model_table import Support, TruckModel
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

Numbers = NDArray[np.float64]

_HOLDING = 4.0
"""Force that holds each wheel down, in weights of the truck."""
_MOST_OUTRIGGERS = 4
"""So many have sixteen sets, soon looked through."""
_FIRM = 1e-8
"""Where the wheels alone hold the frame less firmly, sets without outriggers have no balance."""


class HeldDown:
    """A truck whose wheels can't leave the ground.

    Attributes:
        wheels: names of the wheels, in the order of the columns of ``closure_m``.
    """

    def __init__(self, model: TruckModel) -> None:
        """Holds a truck's wheels down.

        Args:
            model: the truck.
        """
        wheels = [s for s in model.supports if s.kind == "wheel"]
        self.wheels = tuple(s.name for s in wheels)
        fixed = [(m.mass_kg, *m.at_m) for m in model.masses]
        fixed += [(s.unsprung_kg, *s.at_m) for s in model.supports if s.unsprung_kg]
        self._sets = outrigger_sets(model)
        self._straight = bool(self._sets.size)
        raised_m = np.zeros(len(wheels))
        held = model
        if not self._straight:
            held_kg = _HOLDING * (
                sum(m.mass_kg for m in model.masses) + sum(m.mass_kg for m in model.slewing)
            )
            raised_m = np.array([held_kg * STANDARD_GRAVITY_MPS2 / s.stiffness_npm for s in wheels])
            fixed += [(held_kg, *s.at_m) for s in wheels]
            held = _held(model, raised_m)
        self._raised_m = raised_m
        self._frame = Frame.of(held)
        contacts = [i for i, s in enumerate(held.supports) if s.name in self.wheels]
        self._contacts = self._frame.first[contacts]
        rows = np.array(fixed)
        self._still_n = self._frame.force_n(
            STANDARD_GRAVITY_MPS2 * rows[:, 0], rows[:, 1:], rows[:, 1]
        ).sum(axis=0)
        self._column_m = np.asarray(model.column_m)
        self._slewing_kg = sum(m.mass_kg for m in model.slewing)
        self._slewing_kgm = sum(m.mass_kg * m.radius_m for m in model.slewing)

    def closure_m(self, slew_deg: ArrayLike, load_kg: ArrayLike, radius_m: ArrayLike) -> Numbers:
        """How far each wheel's contact is pressed in; below zero where it would lift.

        Args:
            slew_deg: slew angles, shape (n,), deg.
            load_kg: loads, shape (n,) or a number, kg.
            radius_m: their distances from the slew axis, shape (n,) or a number, m.

        Returns:
            Shape (n, wheels), m.
        """
        slew = np.atleast_1d(np.asarray(slew_deg, dtype=np.float64))
        load = np.broadcast_to(np.asarray(load_kg, dtype=np.float64), slew.shape)
        radius = np.broadcast_to(np.asarray(radius_m, dtype=np.float64), slew.shape)
        slewing_kg = self._slewing_kg + load
        lever_m = (self._slewing_kgm + load * radius) / np.where(slewing_kg > 0, slewing_kg, 1.0)
        at_m = self._column_m + lever_m[:, np.newaxis] * boom_direction(slew)
        force = self._still_n + self._frame.force_n(
            STANDARD_GRAVITY_MPS2 * slewing_kg, at_m, self._column_m[0]
        )
        frame = self._frame
        sinking = _by_sets(frame, self._sets, force) if self._straight else frame.balance(force)
        closure = frame.closure_m(sinking)[:, self._contacts] - self._raised_m
        # A frame that finds no balance at all is as open as can be.
        return np.where(np.isnan(closure), -self._raised_m, closure)


def outrigger_sets(model: TruckModel) -> NDArray[np.bool_]:
    """Which supports act in each set to look through, shape (sets, supports).

    Empty where suspensions run down to a stop, outriggers are many, or the wheels alone don't
    hold the frame.
    """
    wheel = np.array([s.kind == "wheel" for s in model.supports])
    others = int((~wheel).sum())
    if others > _MOST_OUTRIGGERS or any(s.droop_m for s in model.supports):
        return np.empty((0, len(wheel)), dtype=np.bool_)
    if others:
        matrix = _matrices(Frame.of(model), wheel[np.newaxis])[0]
        if np.linalg.cond(matrix) > 1 / _FIRM:
            return np.empty((0, len(wheel)), dtype=np.bool_)
    sets = np.ones((2**others, len(wheel)), dtype=np.bool_)
    sets[:, ~wheel] = list(product((True, False), repeat=others))
    return sets


def _matrices(frame: Frame, sets: NDArray[np.bool_]) -> Numbers:
    """Stiffness against the unknowns with sets of springs, shape (sets, unknowns, unknowns)."""
    shape = frame.shape
    matrix = np.einsum("ns,si,sj->nij", sets * frame.stiffness_npm, shape, shape)
    return np.asarray(matrix + np.diag(frame.own_npm))


def _by_sets(frame: Frame, sets: NDArray[np.bool_], force_n: Numbers) -> Numbers:
    """Unknowns at which springs that pull as well as push carry forces; as force_n, in m.

    Of the sets that one is taken whose outriggers push and whose others would not.
    """
    matrix = _matrices(frame, sets)
    trace = np.trace(matrix, axis1=1, axis2=2)[:, np.newaxis, np.newaxis]
    inverse = np.linalg.inv(matrix + 1e-14 * trace * np.eye(matrix.shape[1]))
    preload_n = (sets * frame.stiffness_npm * frame.offset_m) @ frame.shape
    sinking = (force_n - preload_n[:, np.newaxis]) @ inverse
    if len(sets) == 1:
        return np.asarray(sinking[0])
    some = ~sets.all(axis=0)
    closure = sinking @ frame.shape[some].T + frame.offset_m[some]
    wrong = np.maximum(np.where(sets[:, np.newaxis, some], -closure, closure), 0.0).max(axis=2)
    return np.asarray(sinking[wrong.argmin(axis=0), np.arange(len(force_n))])


def _held(model: TruckModel, raised_m: Numbers) -> TruckModel:
    """A truck with each wheel's contact pressed in so much more.

    A suspension that runs down to its stop before the tyre lifts is three springs in a chain,
    as in ``frame.py``; only its contact is held, so that it still runs down as it should.
    """
    raised = iter(raised_m.tolist())
    supports: list[Support] = []
    for support in model.supports:
        if support.kind == "wheel":
            supports += _held_wheel(support, next(raised))
        else:
            supports.append(support)
    return model.model_copy(update={"supports": tuple(supports)})


def _held_wheel(support: Support, raised_m: float) -> list[Support]:
    if not support.droop_m:
        return [support.model_copy(update={"preload_m": support.preload_m + raised_m})]
    pull_m = support.unsprung_kg * STANDARD_GRAVITY_MPS2 / support.stiffness_npm
    stop_m = support.preload_m + support.droop_m
    bare = {"unsprung_kg": 0.0, "droop_m": 0.0}
    chain = {"name": f"chain of {support.name}"}
    return [
        support.model_copy(update=bare | {"preload_m": stop_m + pull_m + raised_m}),
        support.model_copy(
            update=bare | chain | {"preload_m": stop_m, "stiffness_npm": -support.stiffness_npm}
        ),
        support.model_copy(update=bare | chain),
    ]
