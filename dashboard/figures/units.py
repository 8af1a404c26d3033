"""The units that people read: SI, or those of a yard in the United States.

Inside everything is SI; a unit system only writes. Factors are those that pint knows (they are
exact by the international agreement of 1959: 0.3048 m and 0.45359237 kg), so that what is
shown and what is read from files can't differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from dashboard.figures.words import number_words
from logger.readings.quantity import Kind, unit_factor

UnitsName = Literal["si", "us"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """How one kind of quantity is written.

    Attributes:
        unit: the unit's sign.
        si_in_one: SI units in one of it.
        digits: digits after the point that serve as a rule.
    """

    unit: str
    si_in_one: float
    digits: int

    def of(self, si: float) -> float:
        """A value in this unit."""
        return si / self.si_in_one

    def words(self, si: float | None, *, digits: int | None = None) -> str:
        """A value with its unit, rounded to the nearest; a dash where it is unknown.

        Args:
            si: the value in SI units.
            digits: digits after the point; None for those that serve as a rule.
        """
        if si is None or not math.isfinite(si):
            return "—"
        return number_words(
            self.of(si), self.unit, digits=self.digits if digits is None else digits
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """A system of units.

    Attributes:
        name: ``si`` or ``us``.
        words: what the system is called.
        mass: of loads; SI kg.
        length: of radii and places; SI m.
        moment: SI N·m.
        force: of reactions; SI N.
        speed: of wind; SI m/s.
    """

    name: UnitsName
    words: str
    mass: Measure
    length: Measure
    moment: Measure
    force: Measure
    speed: Measure


def _measure(unit: str, written: str, kind: Kind, digits: int) -> Measure:
    return Measure(unit=unit, si_in_one=unit_factor(written, kind), digits=digits)


SI = Units(
    name="si",
    words="SI",
    mass=_measure("kg", "kg", Kind.MASS, 0),
    length=_measure("m", "m", Kind.LENGTH, 2),
    moment=_measure("kN·m", "kN*m", Kind.MOMENT, 2),
    force=Measure(unit="kN", si_in_one=1000.0, digits=2),
    speed=_measure("m/s", "m/s", Kind.SPEED, 1),
)
US = Units(
    name="us",
    words="US",
    mass=_measure("lb", "lb", Kind.MASS, 0),
    length=_measure("ft", "ft", Kind.LENGTH, 2),
    moment=_measure("ft·lbf", "ft*lbf", Kind.MOMENT, 0),
    force=Measure(unit="lbf", si_in_one=unit_factor("ft*lbf", Kind.MOMENT) / 0.3048, digits=0),
    speed=_measure("mph", "mph", Kind.SPEED, 1),
)


def units_of(name: str | None) -> Units:
    """The system of a name; SI where it is unknown."""
    return US if name == "us" else SI
