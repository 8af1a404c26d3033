"""Whether two kits of instruments agree within the uncertainties that they claim: E_n.

E_n = (x₁ − x₂) / √(U₁² + U₂²), U expanded at about 95 %; |E_n| ≤ 1 is agreement (ISO 13528:2022,
ISO/IEC 17043). The sum of squares holds only where the errors are independent. Two tests with one
kit share the kit's error, their difference hides it, and E_n would flatter: so it is refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from dashboard.repeats.measurements import NotEnough, quoted

SOURCE = "E_n number: ISO 13528:2022; only between independent kits"


@dataclass(frozen=True, slots=True, kw_only=True)
class KitValue:
    """What one kit measured.

    Attributes:
        kit: its name; empty where unknown.
        value: the measured value.
        expanded_u: its expanded uncertainty at about 95 %, above zero, in the unit of the value.
    """

    kit: str
    value: float
    expanded_u: float

    def __post_init__(self) -> None:
        if not (self.expanded_u > 0 and math.isfinite(self.expanded_u)):
            raise ValueError(f"an expanded uncertainty of {self.expanded_u:g} won't do; above zero")
        if not math.isfinite(self.value):
            raise ValueError(f"{self.value!r} is no measured value; a finite number")


@dataclass(frozen=True, slots=True, kw_only=True)
class EnNumber:
    """Two kits compared."""

    first: KitValue
    second: KitValue

    @property
    def difference(self) -> float:
        """First less second."""
        return self.first.value - self.second.value

    @property
    def expanded_u(self) -> float:
        """Of the difference; so the true difference of the kits lies within ± that of it."""
        return math.hypot(self.first.expanded_u, self.second.expanded_u)

    @property
    def e_n(self) -> float:
        """The difference over its expanded uncertainty."""
        return self.difference / self.expanded_u

    @property
    def agree(self) -> bool:
        """Whether the kits agree within what they claim."""
        return abs(self.e_n) <= 1

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        reach = self.expanded_u
        return {
            "source": SOURCE,
            "n": 2,
            "first": self.first.kit,
            "second": self.second.kit,
            "difference": self.difference,
            "difference_interval": [self.difference - reach, self.difference + reach],
            "e_n": self.e_n,
            "agree": self.agree,
        }


def en_number(first: KitValue, second: KitValue) -> EnNumber:
    """E_n of two kits' values of one thing.

    Raises:
        NotEnough: where both are of one kit, or a kit isn't named.
    """
    if not (first.kit.strip() and second.kit.strip()):
        raise NotEnough("E_n is of two kits; one of these values doesn't name its kit")
    if first.kit.strip() == second.kit.strip():
        raise NotEnough(
            f"both values are of kit {quoted(first.kit.strip())} and share its error: no E_n"
        )
    return EnNumber(first=first, second=second)
