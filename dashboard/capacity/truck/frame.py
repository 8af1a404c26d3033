"""The truck's frame on one-sided springs, and the balance that it finds.

The frame has three unknowns (heave, pitch, roll; small angles), so the sinking at a support is
a plane over its place. With a twist stiffness it has a fourth: its cross-sections stay rigid
and roll by an angle that grows evenly from the rear to the front, about the truck's centre
line, so the plane is warped by x · y. What the crane carries acts on the cross-section at its
column.

Each support is a chain of **hinges**: a hinge pushes with stiffness × closure while that is
above zero and with nothing once it is open. A plain support is one hinge, closed by the
frame's sinking plus its preload. A support with unsprung weight m·g stands on the ground with
spring force + m·g; as the frame rises the spring pulls until it has taken the whole weight, and
then the tyre leaves the ground. Where the suspension must first run down to its stop, by its
droop, the ground carries just m·g meanwhile: three hinges, the second of negative stiffness,
together a force that never falls as the frame sinks.

The balance is the least of a convex energy, one parabola for each set of closed hinges; Newton
steps on the set that is closed now, each as long as the energy falls, end at the set that
balances. Axle ends are independent of one another: the model knows no rigid axle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.readings.model_table import Support, TruckModel
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

Numbers = NDArray[np.float64]
Bools = NDArray[np.bool_]

_BLOCK = 1024
"""Rows that are balanced together: their arrays stay in a core's cache."""
_MOST_STEPS = 100
_BALANCED = 1e-11
"""Forces balance when no more than this share of the weight is missing …"""
_HARDLY_BALANCED = 1e-9
"""… and nothing is told where more than this is missing after the most steps."""
_SOFT = 1e-9
"""Two closed supports leave a free rocking: a spring of this share keeps the step finite."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """A frame in numbers, its unknowns scaled to lengths.

    Attributes:
        shape: sinking at each hinge for a unit of each unknown, shape (hinges, unknowns).
        stiffness_npm: of each hinge, shape (hinges,), N/m.
        offset_m: closure of each hinge where nothing sinks, shape (hinges,), m.
        first: each support's first hinge, which is open when its contact is.
        own_npm: stiffness of the frame itself against each unknown, shape (unknowns,), N/m.
        middle_m: origin of the unknowns, in the vehicle frame, m.
        size_m: length that angles are scaled by, m.
        twist_deg: twist between rear and front axle for a unit of the last unknown, deg; 0 for
            a rigid frame.
    """

    shape: Numbers
    stiffness_npm: Numbers
    offset_m: Numbers
    first: NDArray[np.intp]
    own_npm: Numbers
    middle_m: Numbers
    size_m: float
    twist_deg: float

    @classmethod
    def of(cls, model: TruckModel) -> Frame:
        """The frame of a model."""
        place = np.array([s.at_m for s in model.supports])
        middle = place.mean(axis=0)
        size = float(np.abs(place - middle).max())
        hinges = [_hinges(s) for s in model.supports]
        count = [len(h) for h in hinges]
        chain = np.array([h for one in hinges for h in one])
        at = np.repeat(place, count, axis=0)
        shape = np.column_stack([np.ones(len(at)), (at - middle) / size])
        own, twist = np.zeros(3), 0.0
        if model.twist_nmprad is not None:
            twist = _wheelbase_m(model) / size**2
            shape = np.column_stack([shape, at[:, 1] * (at[:, 0] - middle[0]) / size**2])
            own = np.append(own, model.twist_nmprad * twist**2)
        return cls(
            shape=shape,
            stiffness_npm=chain[:, 0],
            offset_m=chain[:, 1],
            first=np.cumsum([0, *count[:-1]]),
            own_npm=own,
            middle_m=middle,
            size_m=size,
            twist_deg=float(np.degrees(twist)),
        )

    def force_n(self, weight_n: Numbers, at_m: Numbers, section_x_m: Numbers | float) -> Numbers:
        """What weights do on each unknown.

        Args:
            weight_n: weights, shape (n,), N.
            at_m: where each acts, shape (n, 2), m.
            section_x_m: x of the cross-section that carries each, shape (n,) or a number, m.

        Returns:
            Shape (n, unknowns), N.
        """
        lever = [np.ones(len(at_m)), *((at_m - self.middle_m) / self.size_m).T]
        if self.twist_deg:
            lever.append(at_m[:, 1] * (section_x_m - self.middle_m[0]) / self.size_m**2)
        return np.asarray(weight_n[:, np.newaxis] * np.column_stack(lever))

    def closure_m(self, sinking: Numbers) -> Numbers:
        """Closure of each hinge, shape (n, hinges), m, for unknowns of shape (n, unknowns)."""
        return np.asarray(sinking @ self.shape.T + self.offset_m)

    def reactions_n(self, closure_m: Numbers) -> Numbers:
        """Reaction under each support, shape (n, supports), N, for closures of the hinges."""
        pushing = self.stiffness_npm * np.maximum(closure_m, 0.0)
        # A chain of hinges ends in rounding where its sum is nothing.
        return np.maximum(np.add.reduceat(pushing, self.first, axis=1), 0.0)

    def balance(self, force_n: Numbers) -> Numbers:
        """Unknowns at which the supports carry forces.

        Args:
            force_n: shape (n, unknowns), N; the weight first.

        Returns:
            Shape (n, unknowns), m. A row is NaN where no balance was found, which happens only
            within rounding of overturning.
        """
        blocks = range(0, len(force_n), _BLOCK)
        return np.concatenate([self._balance(force_n[i : i + _BLOCK]) for i in blocks or [0]])

    def _balance(self, force_n: Numbers) -> Numbers:
        """One block of ``balance``."""
        stiffness, shape = self.stiffness_npm, self.shape
        sinking = self._if_all_pressed(force_n)
        rows = np.arange(len(force_n))
        for _ in range(_MOST_STEPS):
            closure = self.closure_m(sinking[rows])
            pushing = stiffness * np.maximum(closure, 0.0)
            missing = force_n[rows] - pushing @ shape - self.own_npm * sinking[rows]
            # Great preloads push against one another: their sum is known only to rounding.
            sure = _BALANCED * force_n[rows, 0] + 4e-16 * np.abs(pushing).sum(axis=1)
            left = np.abs(missing).max(axis=1, initial=0.0) > sure
            rows, closure, missing = rows[left], closure[left], missing[left]
            if not rows.size:
                break
            step = self._newton_step(closure > 0, missing)
            length = self._step_length(closure, sinking[rows], step, force_n[rows])
            sinking[rows] += length[:, np.newaxis] * step
        else:
            share = np.abs(missing).max(axis=1) / force_n[rows, 0]
            sinking[rows[share > _HARDLY_BALANCED]] = np.nan
        return sinking

    def _if_all_pressed(self, force_n: Numbers) -> Numbers:
        matrix = self.shape.T @ (self.stiffness_npm[:, np.newaxis] * self.shape)
        matrix += np.diag(self.own_npm)
        # Where the springs leave the twist free, the frame's own stiffness need not tell it apart.
        matrix += 1e-14 * np.trace(matrix) * np.eye(len(matrix))
        preloads = self.shape.T @ (self.stiffness_npm * self.offset_m)
        return np.asarray(np.linalg.solve(matrix, (force_n - preloads).T).T)

    def _newton_step(self, closed: Bools, missing_n: Numbers) -> Numbers:
        """Steps to the balance of the sets that are closed now, one solution for each set."""
        sets, of_row = _sets(closed)
        matrix = np.einsum("ns,si,sj->nij", sets * self.stiffness_npm, self.shape, self.shape)
        matrix += np.diag(self.own_npm + _SOFT * np.abs(self.stiffness_npm).sum())
        inverse = np.linalg.inv(matrix)[of_row]
        return np.asarray(np.einsum("nij,nj->ni", inverse, missing_n))

    def _step_length(
        self, closure: Numbers, sinking: Numbers, step: Numbers, force_n: Numbers
    ) -> Numbers:
        """How far along a step the energy falls, shape (n,): the whole step where that will do.

        Along the step the energy is a chain of parabolas, joined where a hinge opens or closes,
        so its slope is a rising chain of straight pieces whose zero is looked up.
        """
        change = step @ self.shape.T
        push = self.stiffness_npm * change
        own = (self.own_npm * step * step).sum(axis=1)
        work = ((force_n - self.own_npm * sinking) * step).sum(axis=1)
        start = (np.maximum(closure, 0.0) * push).sum(axis=1) - work
        end = (np.maximum(closure + change, 0.0) * push).sum(axis=1) + own - work
        length = np.ones(len(closure))
        # Elsewhere the energy falls to the step's end and is almost level there.
        rows = np.flatnonzero((end > 0) | (end < 0.5 * start))
        if rows.size:
            rise = push[rows] * change[rows]
            length[rows] = _zero(closure[rows], change[rows], rise, own[rows], start[rows])
        return length


def _sets(closed: Bools) -> tuple[Bools, NDArray[np.intp]]:
    """The different rows, and which of them each row is."""
    count = closed.shape[1]
    if count > 52:  # more than a float tells apart
        sets, of_row = np.unique(closed, axis=0, return_inverse=True)
        return sets, of_row.ravel()
    code = closed @ 2.0 ** np.arange(count)
    _, first, of_row = np.unique(code, return_index=True, return_inverse=True)
    return closed[first], of_row


def _zero(
    closure: Numbers, change: Numbers, rise: Numbers, own: Numbers, start: Numbers
) -> Numbers:
    """Where a slope that rises in straight pieces crosses zero, shape (n,).

    Args:
        closure: of each hinge at the step's start, shape (n, hinges), m.
        change: of the closures over the whole step, shape (n, hinges), m.
        rise: what each hinge, while closed, adds to the slope over the whole step.
        own: what the frame itself adds, shape (n,).
        start: slope at the step's start, shape (n,).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        joint = -closure / change
    later = np.isfinite(joint) & (joint > 0)
    closed = (closure > 0) | ((closure == 0) & (change > 0))
    order = np.where(later, joint, 0.0).argsort(axis=1)
    joint = np.take_along_axis(np.where(later, joint, 0.0), order, axis=1)
    turn = np.take_along_axis(np.where(later, rise * np.sign(change), 0.0), order, axis=1)
    first = (rise * closed).sum(axis=1) + own
    rate = np.cumsum(np.column_stack([first, turn]), axis=1)
    at = np.column_stack([np.zeros(len(joint)), joint])
    slope = np.cumsum(np.column_stack([start, rate[:, :-1] * np.diff(at, axis=1)]), axis=1)
    past = slope >= 0
    piece = np.where(past.any(axis=1), np.maximum(past.argmax(axis=1) - 1, 0), at.shape[1] - 1)
    row = np.arange(len(at))
    # The last piece goes on for ever; another one ends where the next begins.
    end = np.column_stack([at[:, 1:], np.full(len(at), np.inf)])[row, piece]
    flat = rate[row, piece] <= 0
    beyond = -slope[row, piece] / np.where(flat, 1.0, rate[row, piece])
    length = np.where(flat, np.minimum(end, 2 * at[row, piece] + 1), at[row, piece] + beyond)
    return np.asarray(np.minimum(length, end))


def _hinges(support: Support) -> list[tuple[float, float]]:
    """Stiffness (N/m) and closure at rest (m) of a support's hinges; the contact's first."""
    stiffness = support.stiffness_npm
    pull_m = support.unsprung_kg * STANDARD_GRAVITY_MPS2 / stiffness
    contact_m = support.preload_m + pull_m + support.droop_m
    if not support.droop_m:
        return [(stiffness, contact_m)]
    return [
        (stiffness, contact_m),
        (-stiffness, contact_m - pull_m),
        (stiffness, support.preload_m),
    ]


def _wheelbase_m(model: TruckModel) -> float:
    """From the rearmost to the foremost wheel, m; from support to support without two axles."""
    wheels = [s.at_m[0] for s in model.supports if s.kind == "wheel"]
    places = [s.at_m[0] for s in model.supports]
    return (max(wheels) - min(wheels) if len(set(wheels)) > 1 else 0) or max(places) - min(places)
