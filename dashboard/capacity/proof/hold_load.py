"""The load of a hold: what hung, and how sure that is.

The same weight hangs all through a hanging stretch, so a hold's load is the mean over whole
periods of its swing, less what the swing adds (see :mod:`dashboard.capacity.proof.quasi_static`).

Cell and weighed parts are two measures of one load. The cell's counts, since it was made in the
very hour of the test, and rain in a trough or a forgotten sling is weight that hung. But where the
cell reads more than the parts allow, one of the two is wrong, and nobody may lift on the strength
of a cell that reads too much: of the moment that was proved, what lies above the parts and both
uncertainties is taken off again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from dashboard.capacity.proof.boom_pose import rope_length_m
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.quasi_static import (
    SteadyValue,
    Swing,
    block_means,
    block_s,
    find_swing,
    steady_value,
    swing_period_s,
)
from dashboard.capacity.proof.stretches import hung_at, inside, middle_ns, within
from dashboard.capacity.uncertainty.budget import Input, combine
from dashboard.capacity.uncertainty.budgets import load_budget, test_load_budget
from logger.readings.bins import Bins
from logger.readings.block import Values
from logger.readings.load_table import Load

ASSUMED_U_LOAD_SHARE = 0.001
"""Of the load, where neither the cell nor the parts declare an uncertainty: 0.1 %."""
ASSUMED_U_ABOVE_SHARE = 0.01
"""Of what hangs above the cell, where its uncertainty is not declared: 1 %."""
ABOVE_CELL = "what hangs above the cell"
SETTLING_NS = 2_000_000_000
"""At either end of hanging the load is being taken up or set down, ns; spared where enough is
left without."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldLoad:
    """The load of a hold.

    Attributes:
        load_kg: applied load, kg.
        u_kg: standard uncertainty of it, kg.
        inputs: what makes it uncertain, ``u`` in kg.
        swing_deg: greatest swing out of the vertical, deg; 0 where none shows.
        swing_period_s: period of the swing, s; None where nothing tells it.
        amplitude_kg: greatest amplitude of the swing's wave in the cell's reading, kg.
        beyond_parts_kg: how much more it is than the weighed parts with both expanded
            uncertainties allow, kg; 0 where it is not.
    """

    load_kg: float
    u_kg: float
    inputs: tuple[Input, ...]
    swing_deg: float = 0.0
    swing_period_s: float | None = None
    amplitude_kg: float = 0.0
    beyond_parts_kg: float = 0.0


class _WithLoad(Protocol):
    @property
    def load(self) -> HoldLoad: ...


def hold_load(evidence: Evidence, span: tuple[int, int]) -> HoldLoad | None:
    """Applied load over the whole time that it hung; None where the cell says nothing."""
    span = hung_at(evidence, span)
    slices_kg = inside(evidence.load, span)
    if slices_kg.size == 0:
        return None
    quick = within(evidence.load_quick or evidence.load, span)
    swing = find_swing(
        middle_ns(quick), quick.median, expected_s=_expected_period_s(evidence, span)
    )
    steady = _steady(quick, swing)
    if steady is None:
        load_kg = float(np.median(slices_kg)) - swing.mean_added_kg
        scatter = _few_periods(slices_kg)
    else:
        load_kg, scatter = steady.value, _scatter(steady)
    inputs = (*_of_the_cell(evidence, load_kg), scatter, *_of_the_swing(swing))
    return HoldLoad(
        load_kg=load_kg,
        u_kg=load_budget(load_kg=load_kg, inputs=inputs).u,
        inputs=inputs,
        swing_deg=swing.angle_deg(load_kg),
        swing_period_s=swing.period_s,
        amplitude_kg=swing.amplitude_kg,
        beyond_parts_kg=max(0.0, _beyond_parts_kg(evidence.test.load, load_kg, inputs)),
    )


def load_disagreement(evidence: Evidence, hold: _WithLoad) -> tuple[float, float] | None:
    """How far the cell is from the weighed parts, and how far it may be.

    Args:
        evidence: what the run shows.
        hold: the hold whose load is compared.

    Returns:
        Load as measured less the sum of the parts, and the expanded uncertainty of that
        difference, kg; None where the parts' masses are all there is.
    """
    if evidence.load is None:
        return None
    return _difference_kg(evidence.test.load, hold.load.load_kg, hold.load.inputs)


def _difference_kg(load: Load, load_kg: float, inputs: tuple[Input, ...]) -> tuple[float, float]:
    parts = test_load_budget(load)
    weighed = Input(name="weighed parts", u=parts.u or _assumed_kg(load), dof=parts.dof)
    # What hangs above the cell is in both: it differs by nothing.
    shared = [i for i in inputs if i.name != ABOVE_CELL]
    difference = combine(
        name="cell less parts",
        unit="kg",
        value=load_kg - load.mass_kg,
        parts=[*((i, 1.0) for i in shared), (weighed, -1.0)],
    )
    return difference.value, difference.expanded


def _beyond_parts_kg(load: Load, load_kg: float, inputs: tuple[Input, ...]) -> float:
    difference_kg, allowed_kg = _difference_kg(load, load_kg, inputs)
    return difference_kg - allowed_kg


def _of_the_cell(evidence: Evidence, load_kg: float) -> tuple[Input, ...]:
    load, declared_kg = evidence.test.load, evidence.u_load_kg
    if declared_kg is None:
        u_kg = max(load.u_kg, ASSUMED_U_LOAD_SHARE * load_kg)
        source = "assumed: the rig file declares none"
    else:
        u_kg, source = declared_kg, "rig file"
    inputs = [Input(name="load cell", u=u_kg, value=load_kg, unit="kg", source=source)]
    step_kg = evidence.step.get("load", 0.0)
    if step_kg > 0:
        inputs.append(
            Input(
                name="resolution of the cell",
                u=step_kg / math.sqrt(12),
                unit="kg",
                shape="rectangular",
                source=f"steps of {step_kg:.3g} kg / √12",
            )
        )
    if load.above_cell_kg > 0:
        inputs.append(_above_cell(load))
    return tuple(inputs)


def _above_cell(load: Load) -> Input:
    given_kg = load.above_cell_u_kg
    assumed = f"assumed: {100 * ASSUMED_U_ABOVE_SHARE:g} % of it"
    return Input(
        name=ABOVE_CELL,
        u=ASSUMED_U_ABOVE_SHARE * load.above_cell_kg if given_kg is None else given_kg,
        value=load.above_cell_kg,
        unit="kg",
        source=assumed if given_kg is None else "test file",
    )


def _of_the_swing(swing: Swing) -> tuple[Input, ...]:
    if swing.mean_added_kg <= 0:
        return ()
    return (
        Input(
            name="swing of the load",
            u=swing.u_added_kg,
            value=-swing.mean_added_kg,
            unit="kg",
            shape="rectangular",
            source="assumed: an ellipse at most half as wide across as it is long",
        ),
    )


def _scatter(steady: SteadyValue) -> Input:
    return Input(
        name="scatter of the load",
        u=steady.u,
        unit="kg",
        dof=steady.dof,
        source=f"means over whole swings, {steady.blocks} of them",
    )


def _few_periods(slices_kg: Values) -> Input:
    """A hold of a swing or two: there the swing itself, as its slices show it, is the scatter."""
    low_kg, high_kg = np.quantile(slices_kg, (0.1, 0.9))
    return Input(
        name="scatter of the load",
        u=float(high_kg - low_kg) / 2,
        unit="kg",
        source="half the span of its slices: too short for means over whole swings",
    )


def _steady(quick: Bins, swing: Swing) -> SteadyValue | None:
    at_ns = middle_ns(quick)
    free_kg = quick.median - swing.added_kg(at_ns)
    if at_ns.size == 0:
        return None
    settled_s = (int(at_ns[-1] - at_ns[0]) - 2 * SETTLING_NS) * 1e-9
    length_s = block_s(swing.period_s, of_s=settled_s)
    settled = (at_ns >= at_ns[0] + SETTLING_NS) & (at_ns <= at_ns[-1] - SETTLING_NS)
    spared = steady_value(block_means(at_ns[settled], free_kg[settled], length_s))
    return spared or steady_value(block_means(at_ns, free_kg, length_s))


def _expected_period_s(evidence: Evidence, span: tuple[int, int]) -> float | None:
    rope_m = rope_length_m(evidence, span)
    return None if rope_m is None else swing_period_s(rope_m)


def _assumed_kg(load: Load) -> float:
    return ASSUMED_U_LOAD_SHARE * load.mass_kg
