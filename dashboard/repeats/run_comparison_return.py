"""Hysteresis: where a wheel lifted on the way out, and where it came down on the way back.

Springs, tyres and a slew ring have play and friction, so a wheel may come down nearer to the rear
than it lifted. A run shows that only where the boom was slewed back with the load still hanging at
the same radius: a wheel that came down because the load was set down says nothing.

The encoder's zero is the same both ways and cancels. The clocks' error does not: the boom turns
the other way, so an error of time moves both angles apart, by the sum of both rates times it.
The closing angle is taken to be read as well as the lift's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dashboard.repeats.run_comparison_difference import coverage_factor
from dashboard.repeats.run_comparison_values import SHARED_BY

_CLOCKS, _BETWEEN, _TRAVEL = (
    "clocks of slew and contact",
    "between two contact readings",
    "switch travel",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Closing:
    """A lifted wheel that came down with the load hanging, while the boom slewed back.

    Attributes:
        t_s: first closed reading, s.
        slew_deg: slew angle between the last open and the first closed reading, deg, signed.
        rate_dps: how fast the boom turned then, deg/s, as a size.
        gap_s: time between those two readings, s.
    """

    t_s: float
    slew_deg: float
    rate_dps: float
    gap_s: float


def closing_document(lift: Mapping[str, Any], side: str, closing: Closing) -> dict[str, Any]:
    """A lift and its closing side by side.

    Args:
        lift: as in a result.
        side: of its sweep.
        closing: when and where its wheel came down again.

    Returns:
        ``side, wheel, lift_deg, lift_t_s, closing_deg, closing_t_s, difference_deg, expanded``;
        angles as sizes, the difference positive where the wheel came down nearer to the rear.
    """
    lift_deg, closing_deg = abs(float(lift["estimate_deg"])), abs(closing.slew_deg)
    u = math.sqrt(sum(_variances(lift["budget"]["contributions"], closing)))
    return {
        "side": side,
        "wheel": lift["wheel"],
        "lift_deg": round(lift_deg, 3),
        "lift_t_s": lift["t_s"],
        "closing_deg": round(closing_deg, 3),
        "closing_t_s": round(closing.t_s, 6),
        "difference_deg": round(lift_deg - closing_deg, 3),
        "expanded": round(coverage_factor(math.inf) * u, 4),
    }


def _variances(contributions: list[dict[str, Any]], closing: Closing) -> list[float]:
    by_name = {c["name"]: c for c in contributions}
    variances = []
    for name, part in by_name.items():
        u = float(part["u_y"])
        if SHARED_BY.get(name) == "slew":
            continue
        if name == _CLOCKS:
            variances.append((u + closing.rate_dps * float(part["value"])) ** 2)
        elif name in (_BETWEEN, _TRAVEL):
            variances.append(u**2)
        else:
            variances.append(2 * u**2)
    return [*variances, (closing.rate_dps * closing.gap_s) ** 2 / 12]
