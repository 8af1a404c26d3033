"""The budgets of a test: load, radius, moment, percentage; and what is decided from them.

Gravity. Weights and required moments here are masses times standard gravity, and what a test
compares is one mass times radius with another, on one truck in one place: gravity is the same
factor on both sides, so local gravity is no input, and standard gravity is a conversion without
uncertainty. That holds for parts whose masses come from scales and certificates. A load cell
feels weight: one that was adjusted in kilograms elsewhere reads wrong by the ratio of gravities
(9.780 m/s² at the equator to 9.832 m/s² at the poles at sea level, from memory, so at most half
a per cent). Calibrate it where it hangs, or let the channel's declared ``u`` hold the difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from dashboard.capacity.uncertainty.budget import Budget, Input, combine
from logger.readings.load_table import Load
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

Rule = Literal["guarded", "simple"]


def test_load_inputs(load: Load) -> tuple[Input, ...]:
    """The parts of a test load as input quantities; parts of one scale share its error."""
    return tuple(
        Input(
            name=part.name,
            value=part.mass_kg,
            u=part.u_kg,
            unit="kg",
            source=_source(part.scale, part.certificate),
            group=f"scale: {part.scale}" if part.scale else "",
        )
        for part in load.parts
    )


def test_load_budget(load: Load) -> Budget:
    """The test load, the sum of its parts, kg."""
    parts = [(i, 1.0) for i in test_load_inputs(load)]
    return combine(name="test load", unit="kg", value=load.mass_kg, parts=parts)


def load_budget(*, load_kg: float, inputs: Sequence[Input]) -> Budget:
    """An applied load, kg, whose inputs add to it kilogram by kilogram."""
    return combine(name="load", unit="kg", value=load_kg, parts=[(i, 1.0) for i in inputs])


def radius_budget(*, radius_m: float, inputs: Sequence[Input]) -> Budget:
    """A radius, m, whose inputs add to it metre by metre."""
    return combine(name="radius", unit="m", value=radius_m, parts=[(i, 1.0) for i in inputs])


def moment_budget(
    *,
    load_kg: float,
    load_inputs: Sequence[Input],
    radius_m: float,
    radius_inputs: Sequence[Input],
) -> Budget:
    """The moment m·g·R of a hanging load about the slew axis.

    Args:
        load_kg: the load m, kg.
        load_inputs: what makes it uncertain, ``u`` in kg; sensitivity g·R each.
        radius_m: the radius R, m.
        radius_inputs: what makes that uncertain, ``u`` in m; sensitivity m·g each.

    Returns:
        The budget, N·m. Inputs of one ``group`` correlate, also across load and radius.
    """
    by_load = STANDARD_GRAVITY_MPS2 * radius_m
    by_radius = STANDARD_GRAVITY_MPS2 * load_kg
    return combine(
        name="moment",
        unit="N·m",
        value=load_kg * STANDARD_GRAVITY_MPS2 * radius_m,
        parts=[*((i, by_load) for i in load_inputs), *((i, by_radius) for i in radius_inputs)],
    )


def percentage_budget(moment: Budget, required_nm: float) -> Budget:
    """A moment as a percentage of the required one, which is a requirement and so exact.

    Args:
        moment: budget of the moment, N·m.
        required_nm: required moment M_q, N·m, above zero.
    """
    factor = 100 / required_nm
    return replace(
        moment,
        name="percentage",
        unit="%",
        value=moment.value * factor,
        u=moment.u * factor,
        contributions=tuple(
            replace(c, sensitivity=c.sensitivity * factor, u_y=c.u_y * factor)
            for c in moment.contributions
        ),
    )


def decided(budget: Budget, rule: Rule) -> float:
    """The value that a decision is made on, in the budget's unit, never below 0.

    ``guarded`` takes the expanded uncertainty off the measured value first, ``simple`` does not.
    """
    guard_band = budget.expanded if rule == "guarded" else 0.0
    return max(0.0, budget.value - guard_band)


def rule_sentence(rule: Rule) -> str:
    """Names the decision rule, its guard band and its risk for a person to read.

    The words are those of JCGM 106:2012, from memory.
    """
    if rule == "guarded":
        return (
            "Decision rule: guarded acceptance. The guard band is the expanded uncertainty (k·u, "
            "k = 2 unless few readings ask for more): it is taken off the measured moment before "
            "the moment is judged. Where this says that a moment was reached, the chance that it "
            "was not is at most 2.3 % (JCGM 106:2012)."
        )
    return (
        "Decision rule: simple acceptance. There is no guard band: the moment is judged as "
        "measured, and its uncertainty is only stated. Where this says that a moment was just "
        "reached, the chance that it was not is up to 50 % (JCGM 106:2012)."
    )


def _source(scale: str, certificate: str) -> str:
    said = [f"scale {scale}" if scale else "", certificate]
    return ", ".join(s for s in said if s) or "test file"
