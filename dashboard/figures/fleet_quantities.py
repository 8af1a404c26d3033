"""What is charted of a fleet's runs: a column of the catalogue, its words and its unit.

Angles count from over the rear on their side, so both sides can be compared. A practical limit is
the difference that a team would act on; it is theirs to choose, and what stands at first is a
proposal without a source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from dashboard.figures.units import Units
from dashboard.figures.words import number_words, plain_number

Kind = Literal["angle", "percent", "moment"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One quantity of a run.

    Attributes:
        column: of the catalogue's table of runs.
        side: ``right`` or ``left``.
        words: what it is called, without the side.
        kind: what it is measured in: deg, % of the required moment, N·m.
        limit: the practical limit that is proposed, in the column's unit.
    """

    column: str
    side: str
    words: str
    kind: Kind
    limit: float

    @property
    def title(self) -> str:
        """``First lift, right``."""
        return f"{self.words}, {self.side}"

    def unit(self, units: Units) -> str:
        """Its unit's sign."""
        return {"angle": "°", "percent": "%", "moment": units.moment.unit}[self.kind]

    def of(self, value: float, units: Units) -> float:
        """A value of the column in the unit that is read."""
        return units.moment.of(value) if self.kind == "moment" else value

    def si(self, value: float, units: Units) -> float:
        """The other way round."""
        return value * units.moment.si_in_one if self.kind == "moment" else value

    def digits(self, units: Units) -> int:
        """Digits after the point of a single value."""
        return {"angle": 1, "percent": 0, "moment": units.moment.digits}[self.kind]

    def text(self, value: float | None, units: Units, *, more: int = 0) -> str:
        """A value with its unit; a dash where it is unknown.

        Args:
            value: of the column.
            units: what is read in.
            more: digits beyond those of a single value, for means and limits.
        """
        if value is None or not math.isfinite(value):
            return "—"
        words = number_words(self.of(value, units), "", digits=self.digits(units) + more)
        return f"{words}{self._sign(units)}"

    def stretch(self, low: float, high: float, units: Units) -> str:
        """From one value to another, with one digit more than a single value has."""
        digits = self.digits(units) + 1
        ends = [number_words(self.of(v, units), "", digits=digits) for v in (low, high)]
        return f"{ends[0]} to {ends[1]}{self._sign(units)}"

    def limit_text(self, limit: float, units: Units) -> str:
        """A practical limit as somebody chose it, without needless zeros."""
        return f"{plain_number(float(f'{self.of(limit, units):.4g}'))}{self._sign(units)}"

    def _sign(self, units: Units) -> str:
        unit = self.unit(units)
        return unit if unit == "°" else f"\u202f{unit}"


def _of_side(side: str) -> tuple[Quantity, ...]:
    return (
        Quantity(column=f"{side}_lift_deg", side=side, words="First lift", kind="angle", limit=2.0),
        Quantity(
            column=f"{side}_full_to_deg",
            side=side,
            words="Full capacity up to",
            kind="angle",
            limit=2.0,
        ),
        Quantity(
            column=f"{side}_least_percent",
            side=side,
            words="Least percentage",
            kind="percent",
            limit=2.0,
        ),
        Quantity(
            column=f"{side}_proved_moment_nm",
            side=side,
            words="Least proved moment",
            kind="moment",
            limit=1000.0,
        ),
    )


QUANTITIES = MappingProxyType({q.column: q for side in ("right", "left") for q in _of_side(side)})
"""By column, in the order of a choice."""
FIRST = "right_lift_deg"
