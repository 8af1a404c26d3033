"""What a test's method asks for: the required moment, how it comes about and what it rests on.

Either k times the rated moment, or (a · P + b · F) · g · R of the rated load P, the boom's mass F
referred to its tip and the radius R of the rating. Reading the test file has already turned a
preset into numbers (``logger/readings/method_presets.py``); here they get their words.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger.readings.method_presets import UNIT_PROOF_LOAD, unit_proof_load_kg
from logger.readings.test_file import TestFile

NO_BASIS = "none stated: name the rule, manual or procedure in [method] basis"


@dataclass(frozen=True, slots=True, kw_only=True)
class RequiredMoment:
    """The moment that a test must prove.

    Attributes:
        moment_nm: M_q, N·m.
        rated_nm: M_r, N·m.
        factor: M_q / M_r.
        formula: how M_q comes about, with its numbers.
        basis: what the method rests on, and how sure that is.
        stated: whether any basis is stated.
    """

    moment_nm: float
    rated_nm: float
    factor: float
    formula: str
    basis: str
    stated: bool


def required_moment(test: TestFile) -> RequiredMoment:
    """The moment that a test must prove, by the method of its file."""
    factor, rated_nm = test.method.moment_factor, test.crane.rated_moment_nm
    return RequiredMoment(
        moment_nm=factor * rated_nm,
        rated_nm=rated_nm,
        factor=factor,
        formula=_formula(test),
        basis=test.method.basis or NO_BASIS,
        stated=bool(test.method.basis),
    )


def _formula(test: TestFile) -> str:
    crane, method = test.crane, test.method
    rated = f"{crane.rated_moment_nm / 1000:.2f} kN·m"
    if crane.rated_load_kg is None or crane.rated_radius_m is None:
        return f"{method.moment_factor:.4g} × rated moment {rated}"
    lever = f"g · {crane.rated_radius_m:.3f} m"
    if method.load_factor is not None:
        boom = f" + {method.boom_share:g} · {crane.boom_tip_mass_kg or 0:g} kg"
        load = f"{method.load_factor:g} · {crane.rated_load_kg:g} kg"
        return f"({load}{boom if method.boom_share else ''}) · {lever}"
    if method.preset == UNIT_PROOF_LOAD:
        return f"proof load {unit_proof_load_kg(crane.rated_load_kg):.1f} kg · {lever}"
    return f"{method.moment_factor:.4g} × rated moment {rated}"
