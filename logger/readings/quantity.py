"""Quantities as people write them (``"33 500 ft·lbf"``) to SI numbers and back.

Pint knows the units; this module knows what the trade means by them: a moment may be
written with a mass unit (``kg·m`` hung at a radius), a force reading may stand for a hung
mass, and a bare ``ton`` is refused because three different ones are in use.
"""

from __future__ import annotations

import re
import sys
from enum import StrEnum
from functools import cache
from types import ModuleType
from typing import TYPE_CHECKING, NamedTuple

from logger.readings.known_units import KNOWN_UNITS

if TYPE_CHECKING:
    from pint import UnitRegistry

STANDARD_GRAVITY_MPS2 = 9.80665
"""Standard acceleration of gravity, m/s² (exact by definition; NIST SP 811)."""


class Kind(StrEnum):
    """What a quantity measures; the value names the SI unit that numbers are kept in."""

    MASS = "kg"
    LENGTH = "m"
    MOMENT = "N·m"
    ANGLE = "deg"
    TIME = "s"
    STIFFNESS = "N/m"
    TWIST = "N·m/rad"
    SPEED = "m/s"
    SLEW_RATE = "deg/s"


class _Reading(NamedTuple):
    example: str
    base: str
    """The unit pint converts to."""
    also: str = ""
    """A second dimension the trade writes for the same thing …"""
    also_factor: float = 1.0
    """… and the factor from its SI unit to this kind's."""


_KINDS = {
    Kind.MASS: _Reading("1450 kg", "kg", "N", 1 / STANDARD_GRAVITY_MPS2),
    Kind.LENGTH: _Reading("3.9 m", "m"),
    Kind.MOMENT: _Reading("45 kN·m", "N*m", "kg*m", STANDARD_GRAVITY_MPS2),
    Kind.ANGLE: _Reading("172 deg", "deg"),
    Kind.TIME: _Reading("0.5 s", "s"),
    Kind.STIFFNESS: _Reading("650 N/mm", "N/m"),
    Kind.TWIST: _Reading("12 kN·m/deg", "N*m/rad"),
    Kind.SPEED: _Reading("9 m/s", "m/s"),
    Kind.SLEW_RATE: _Reading("3 deg/s", "deg/s"),
}

_NUMBER = re.compile(
    r"\s*([+\-−]?)\s*(\d{1,3}(?:[ \u00a0\u2009\u202f]\d{3})+|\d+)?((?:\.\d+)?)"
    r"(?:[eE]([+\-−]?\d+))?\s*(.*)",
    re.DOTALL,
)
_TRADE_SPELLINGS = {
    "nm": "N*m",  # pint would read nanometre; nobody rates a crane in those
    "knm": "kN*m",
    "tonne": "metric_ton",
    "tonnes": "metric_ton",
    "t": "metric_ton",
    "short ton": "short_ton",
    "short tons": "short_ton",
    "long ton": "long_ton",
    "long tons": "long_ton",
    "lbs": "lb",
    "°": "deg",
    "lb/ft": "lb/ft",
}
_LENGTH_OF_UNIT_TEXT = 40


@cache
def _pint() -> ModuleType:
    """Pint, without dask, all of which it would read where it finds it: a second."""
    had = sys.modules.setdefault("dask", None)  # type: ignore[arg-type]
    try:
        import pint.errors  # noqa: PLC0415 - half a second that programs without units need not pay
    finally:
        if had is None:
            del sys.modules["dask"]

    return pint


@cache
def _registry() -> UnitRegistry[float]:
    registry: UnitRegistry[float] = _pint().UnitRegistry(cache_folder=None)
    return registry


def parse_quantity(text: str, kind: Kind) -> float:
    """Reads a quantity written as text.

    Args:
        text: number and unit, such as ``"1450 kg"``. Thousands may be set off by spaces; the
            decimal mark is a point.
        kind: what it measures.

    Returns:
        The value in the kind's SI unit (degrees for an angle).

    Raises:
        ValueError: in words for the person who wrote it.
    """
    match = _NUMBER.fullmatch(text)
    sign, whole, fraction, exponent, unit = match.groups() if match else ("", None, "", None, "")
    if whole is None and not fraction:
        raise ValueError(f"no number in it; write it like {_KINDS[kind].example!r}")
    if unit.startswith((",", "'", "’")):
        raise ValueError(
            "set thousands off with a space or nothing and write decimals with a point, "
            f"like {_KINDS[kind].example!r}"
        )
    if not unit.strip():
        raise ValueError(f"no unit in it; write it like {_KINDS[kind].example!r}")
    digits = re.sub(r"\s", "", whole or "0") + fraction
    number = float(f"{digits}e{(exponent or '0').replace('−', '-')}")
    value = (-number if sign in ("-", "−") and sign else number) * unit_factor(unit, kind)
    if not abs(value) < 1e300:
        raise ValueError("too large a number")
    return value


def unit_factor(unit: str, kind: Kind) -> float:
    """The factor from a unit to the SI unit of a kind.

    Args:
        unit: a unit such as ``"ft·lbf"``, ``"short ton"`` or ``"deg"``.
        kind: what it must measure.

    Raises:
        ValueError: for an unknown unit, one of another kind, or an ambiguous ton.
    """
    reading = _KINDS[kind]
    asked = " ".join(unit.split())
    if re.search(
        r"(?<![a-z_ ])tons?\b", re.sub(r"(short|long|metric)[ _]tons?", "", asked.lower())
    ):
        raise ValueError("'ton' has three meanings; write 't', 'short ton' or 'long ton'")
    for target, factor in ((reading.base, 1.0), (reading.also, reading.also_factor)):
        if target and (converted := _convert(asked, target)) is not None:
            return converted * factor
    raise ValueError(
        f"{asked!r} is no unit of {kind.name.lower()}; write it like {reading.example!r}"
    )


@cache
def _convert(unit: str, target: str) -> float | None:
    """Size of ``unit`` in ``target``, or None where they do not measure the same thing."""
    known = KNOWN_UNITS.get(unit)
    if known is not None:
        return known.size if target in known.targets else None
    return _ask_pint(unit, target)


def _ask_pint(unit: str, target: str) -> float | None:
    if len(unit) > _LENGTH_OF_UNIT_TEXT or not re.fullmatch(r"[A-Za-z°µ²³·⋅*/^\d ()_-]+", unit):
        return None
    text = _TRADE_SPELLINGS.get(unit.lower(), unit)
    for name, spelling in (("short ton", "short_ton"), ("long ton", "long_ton")):
        text = text.replace(name, spelling)
    text = re.sub(r"\bt\b", "metric_ton", text)
    text = re.sub(r"[·⋅]| (?=\w)|(?<=[A-Za-z])-(?=[A-Za-z])", "*", text)
    unknown = _pint().errors.PintError
    try:
        quantity = _registry().Quantity(1.0, text)
        return float(quantity.to(target).magnitude)
    except (unknown, ValueError, TypeError, AttributeError, ArithmeticError, SyntaxError):
        return None
