"""Numbers of a comparison in words: a value, a difference, how sure each is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard.figures.units import Units
from dashboard.figures.words import number_words, plain_number, wheel_words

Document = Mapping[str, Any]

_LENGTH_DIGITS = 3
_ANGLE_DIGITS = 2


def value_words(quantity: Document, value: Document, units: Units) -> str:
    """A run's value with its expanded uncertainty; a dash where the run doesn't tell it.

    Args:
        quantity: of a ``slewtrace.compare/1`` document.
        value: one of its ``values``.
        units: what it is read in.
    """
    told = value["value"]
    if told is None:
        return "—"
    if isinstance(told, str):
        return wheel_words(told)
    return with_expanded(told, value["expanded"], quantity, units)


def difference_words(quantity: Document, difference: Document, units: Units) -> str:
    """A difference with its expanded uncertainty, and what it means where it is no number.

    Args:
        quantity: of a ``slewtrace.compare/1`` document.
        difference: one of its ``differences``.
        units: what it is read in.
    """
    if not quantity["unit"]:
        return "same" if difference["same"] else "≠ another"
    told = difference["difference"]
    if told is None:
        return "—"
    words = with_expanded(told, difference["expanded"], quantity, units, signed=True)
    return f"{words} ≠" if difference["explained"] is False else words


ANSWERS = {
    "within": "shown to be within",
    "beyond": "shown to be beyond",
    "open": "not shown to be within, nor beyond,",
}
"""What a test against a practical limit has shown."""
_BRIEF_ANSWERS = {"within": "within", "beyond": "beyond", "open": "not shown within"}


def judgement_words(
    quantity: Document, difference: Document, units: Units, *, brief: bool = False
) -> list[str]:
    """What else is told of a difference: against the practical limit, and between two kits.

    Args:
        quantity: of a ``slewtrace.compare/1`` document.
        difference: one of its ``differences``.
        units: what it is read in.
        brief: for a terminal, where a note tells what the words mean.
    """
    words = []
    if difference["cancelled"] and difference["difference"] is not None:
        digits = _digits(quantity, units)
        apart = in_units(difference["expanded_apart"], quantity["unit"], units, digits=digits)
        words.append(f"anew ± {apart}" if brief else f"± {apart} if the kit was put on anew")
    limited = difference["within_limit"]
    if limited is not None and "answer" in limited:
        limit = in_units(limited["limit"], quantity["unit"], units, digits=None)
        answer = (_BRIEF_ANSWERS if brief else ANSWERS)[limited["answer"]]
        words.append(f"{answer} {limit}")
    if "e_n" in difference["e_n"]:
        agree = "agree" if difference["e_n"]["agree"] else "≠ more than both kits claim"
        e_n = f"E_n = {number_words(difference['e_n']['e_n'], '', digits=2)}"
        sign = "" if difference["e_n"]["agree"] else " ≠"
        words.append(f"{e_n}{sign}" if brief else f"{e_n}: {agree}")
    return words


def with_expanded(
    value: float, expanded: float | None, quantity: Document, units: Units, *, signed: bool = False
) -> str:
    """A number, ± its expanded uncertainty where it has one, and its unit.

    Args:
        value: in the quantity's SI unit.
        expanded: likewise; None where nobody knows.
        quantity: whose ``unit`` and ``rounded`` count.
        units: what it is read in.
        signed: whether a plus stands before what is above zero.
    """
    digits = _digits(quantity, units)
    least = 0.0 if digits is None else 0.5 * 10**-digits * _si_size(quantity["unit"], units)
    value = 0.0 if abs(value) < least else value
    plus = "+" if signed and value > 0 else ""
    number = plus + in_units(value, quantity["unit"], units, digits=digits, unit=expanded is None)
    if expanded is None:
        return number
    more = in_units(expanded, quantity["unit"], units, digits=digits, unit=True)
    return f"{number} ± {more}"


def in_units(
    value: float, si_unit: str, units: Units, *, digits: int | None, unit: bool = True
) -> str:
    """A number in the units that are read.

    Args:
        value: in its SI unit.
        si_unit: ``deg``, ``%``, ``m`` or ``N·m``.
        units: what it is read in.
        digits: digits after the point; None for as many as it has.
        unit: whether its unit follows.
    """
    if si_unit == "deg":
        number = plain_number(value) if digits is None else number_words(value, "", digits=digits)
        return f"{number}°" if unit else number
    found = units.measure_of(si_unit)
    if found is None:
        number = plain_number(value) if digits is None else number_words(value, "", digits=digits)
        return f"{number} {si_unit}" if unit and si_unit else number
    measure, size = found
    return number_words(
        measure.of(value * size),
        measure.unit if unit else "",
        digits=measure.digits if digits is None else digits,
    )


def _si_size(si_unit: str, units: Units) -> float:
    """How much of the SI unit is one of what is read."""
    found = units.measure_of(si_unit)
    return 1.0 if found is None else found[0].si_in_one / found[1]


def _digits(quantity: Document, units: Units) -> int | None:
    match quantity["unit"]:
        case "deg" if not quantity["rounded"]:
            return _ANGLE_DIGITS
        case "deg" if quantity["key"] == "reached_deg":
            return 1
        case "m":
            return _LENGTH_DIGITS
        case "N·m":
            return units.moment.digits
        case _:
            return None
