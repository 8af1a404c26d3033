"""How far a tape may be wrong: the maximum permissible error of its accuracy class.

MPE = a + b · L in mm, L in m rounded up to a whole one, and c more where the length is taken from
the tape's hook or butt end. The table was read on pages that quote Directive 2004/22/EC, annex
MI-008 (reference: 20 °C, steel drawn with 50 N); that 2014/32/EU has the same is from memory.
Within ± MPE any error is as likely as another: u = MPE/√3 (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from typing import Literal

from dashboard.capacity.uncertainty.budget import Input
from logger.readings.method_table import Method

TapeClass = Literal["I", "II", "III"]

_A_B_C_MM: dict[TapeClass, tuple[float, float, float]] = {
    "I": (0.1, 0.1, 0.1),
    "II": (0.3, 0.2, 0.2),
    "III": (0.6, 0.4, 0.3),
}
_SAME_METRE = 1e-9


def tape_mpe_m(tape_class: TapeClass, length_m: float, *, hook_end: bool = False) -> float:
    """Maximum permissible error of a tape at a length, m."""
    a_mm, b_mm, c_mm = _A_B_C_MM[tape_class]
    metres = math.ceil(length_m - _SAME_METRE)
    return (a_mm + b_mm * metres + (c_mm if hook_end else 0.0)) / 1000


def tape_inputs(method: Method, length_m: float) -> tuple[Input, ...]:
    """What makes a length by tape uncertain: rounding to its step, and its class where stated.

    Args:
        method: the test's method, with the tape's step, class and end.
        length_m: the length, m.

    Returns:
        Input quantities in m, each adding to the length as it is.
    """
    step_m = method.tape_step_m
    rounding = Input(
        name="reading to the tape step",
        u=step_m / math.sqrt(12),
        value=length_m,
        unit="m",
        shape="rectangular",
        source=f"tape_step {1000 * step_m:g} mm / √12",
    )
    if method.tape_class is None:
        return (rounding,)
    mpe_m = tape_mpe_m(method.tape_class, length_m, hook_end=method.tape_hook_end)
    tape = Input(
        name=f"tape of class {method.tape_class}",
        u=mpe_m / math.sqrt(3),
        value=length_m,
        unit="m",
        shape="rectangular",
        source=f"error at most {1000 * mpe_m:g} mm / √3, as quoted from 2004/22/EC MI-008",
    )
    return rounding, tape
