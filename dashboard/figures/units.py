"""The units that people read: SI, or those of a yard in the United States.

Inside everything is SI; a unit system only writes. The foot is 0.3048 m and the pound 0.45359237 kg
by the international agreement of 1959; a test holds the factors to those that files are read by.

Sentences of a result carry their numbers in SI, as the record does. For a reader of other units
each quantity in them is written anew (:meth:`Units.sentence`); a number whose unit can't be told
for sure leaves the sentence as it is.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from dashboard.capacity.rounding import round_down, round_up
from dashboard.figures.words import number_words

UnitsName = Literal["si", "us"]

_POUND_KG, _FOOT_M, _GRAVITY_MPS2 = 0.45359237, 0.3048, 9.80665
_POUND_FORCE_N = _POUND_KG * _GRAVITY_MPS2
_NUMBER = r"[−-]?\d[\d\u202f\u2009]*(?:\.\d+)?"
_QUANTITY = re.compile(
    rf"(?<![\w.,−-])(?P<first>{_NUMBER})(?:(?P<between> (?:to|±) )(?P<second>{_NUMBER}))?"
    r"[ \u202f\u00a0]?(?P<unit>kN·m|N·m|kg|kN|m/s|mm|m)(?![\w·/²³])"
)
_ENUMERATED = re.compile(rf"{_NUMBER} ?(?:,|and|or|of) ?$")


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

    def at_most(self, si: float | None, *, digits: int | None = None) -> str:
        """A quantity that holds at least this much: rounded down, with its unit."""
        return self._bounded(si, digits, down=True)

    def at_least(self, si: float | None, *, digits: int | None = None) -> str:
        """A quantity that is needed in full: rounded up, with its unit."""
        return self._bounded(si, digits, down=False)

    def _bounded(self, si: float | None, digits: int | None, *, down: bool) -> str:
        if si is None:
            return "—"
        places = self.digits if digits is None else digits
        rounded = (round_down if down else round_up)(self.of(si), 10.0**-places)
        return number_words(rounded, self.unit, digits=places)


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

    def measure_of(self, si_unit: str) -> tuple[Measure, float] | None:
        """How quantities of an SI unit are written, and that unit's size in plain SI units.

        Args:
            si_unit: as results write it: ``kg``, ``m``, ``mm``, ``N·m``, ``kN·m``, ``kN``, ``m/s``.

        Returns:
            None for all other units, which both systems share (``%``, ``deg``).
        """
        found = _SI_UNITS.get(si_unit)
        return None if found is None else (getattr(self, found[0]), found[1])

    def sentence(self, text: str) -> str:
        """A sentence of a result, each quantity in it written in these units."""
        return text if self.name == "si" else _QUANTITY.sub(self._written_anew, text)

    def _written_anew(self, match: re.Match[str]) -> str:
        found = self.measure_of(match["unit"])
        if found is None or _ENUMERATED.search(match.string[: match.start()]):
            return match[0]
        measure, size = found
        numbers = [
            _as_exact(n, measure, size) for n in (match["first"], match["second"]) if n is not None
        ]
        return f"{(match['between'] or '').join(numbers)}\u202f{measure.unit}"


_SI_UNITS: dict[str, tuple[str, float]] = {
    "kg": ("mass", 1.0),
    "m": ("length", 1.0),
    "mm": ("length", 1e-3),
    "N·m": ("moment", 1.0),
    "kN·m": ("moment", 1e3),
    "kN": ("force", 1e3),
    "m/s": ("speed", 1.0),
}


def _as_exact(number: str, measure: Measure, size: float) -> str:
    """A written number in another unit, with as many digits after the point as it is exact to."""
    digits = len(number.partition(".")[2])
    plain = float(number.replace("−", "-").replace("\u202f", "").replace("\u2009", ""))
    step = size * 10.0**-digits / measure.si_in_one
    digits = max(0, math.ceil(-math.log10(step) - 1e-9))
    return number_words(measure.of(plain * size), "", digits=digits)


SI = Units(
    name="si",
    words="SI",
    mass=Measure(unit="kg", si_in_one=1.0, digits=0),
    length=Measure(unit="m", si_in_one=1.0, digits=2),
    moment=Measure(unit="kN·m", si_in_one=1000.0, digits=2),
    force=Measure(unit="kN", si_in_one=1000.0, digits=2),
    speed=Measure(unit="m/s", si_in_one=1.0, digits=1),
)
US = Units(
    name="us",
    words="US",
    mass=Measure(unit="lb", si_in_one=_POUND_KG, digits=0),
    length=Measure(unit="ft", si_in_one=_FOOT_M, digits=2),
    moment=Measure(unit="ft·lbf", si_in_one=_FOOT_M * _POUND_FORCE_N, digits=0),
    force=Measure(unit="lbf", si_in_one=_POUND_FORCE_N, digits=0),
    speed=Measure(unit="mph", si_in_one=_FOOT_M * 5280 / 3600, digits=1),
)


def units_of(name: str | None) -> Units:
    """The system of a name; SI where it is unknown."""
    return US if name == "us" else SI
