"""A press of a button on the live page becomes a request to the recorder."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from dashboard.figures.units import Units
from logger.errors import BadInput
from logger.live.viewer_lines import LONGEST_NOTE, LONGEST_RADIUS_M, Request
from logger.readings.quantity import Kind, parse_quantity


def read_press(pressed: Mapping[str, Any], units: Units) -> Request:
    """Reads what the page's script tells of a press.

    Args:
        pressed: ``do``, the press's ``number``, its moment ``t_s`` on the run's clock, the
            ``text`` typed and the alarms ``seen``.
        units: what a radius is in that was typed without a unit.

    Raises:
        BadInput: in one line, for the person who typed.
    """
    text = _plain(str(pressed.get("text") or ""))
    do = pressed.get("do")
    t_s = float(pressed.get("t_s") or 0.0)
    number = int(pressed.get("number") or 0)
    t_ns = round(t_s * 1e9) if math.isfinite(t_s) else 0
    match do:
        case "radius":
            value_m, said = _radius(text, units)
            return Request(do="radius", number=number, t_ns=t_ns, text=said, value_m=value_m)
        case "text":
            if not text:
                raise BadInput(where="note", what="has no words", would_do="type some first")
            return Request(do="text", number=number, t_ns=t_ns, text=text)
        case "mark":
            return Request(do="mark", number=number, t_ns=t_ns)
        case "acknowledge":
            seen = tuple((str(c), str(s)) for c, s in pressed.get("seen") or ())
            said = ", ".join(f"{condition} {state}" for condition, state in seen)
            return Request(
                do="acknowledge",
                number=number,
                t_ns=t_ns,
                text=_plain(said[:LONGEST_NOTE]),
                seen=seen,
            )
        case _:
            raise BadInput(where="live page", what=f"knows no {do!r}")


def _plain(text: str) -> str:
    """On one line, without control characters."""
    shown = "".join(c if c.isprintable() else "�" for c in " ".join(text.split()))
    if len(shown) > LONGEST_NOTE:
        raise BadInput(where="note", what=f"has {len(shown)} characters, more than {LONGEST_NOTE}")
    return shown


def _radius(text: str, units: Units) -> tuple[float, str]:
    """A radius as typed, m, and with its unit."""
    unit = units.length.unit
    said = f"{text} {unit}" if text and text[-1].isdigit() else text
    example = f"write it like {units.length.words(3.49)}"
    if not text:
        raise BadInput(where="tape radius", what="has no reading", would_do=example)
    try:
        value_m = parse_quantity(said, Kind.LENGTH)
    except ValueError as exc:
        raise BadInput(where="tape radius", what=f"{text!r} won't do: {exc}") from exc
    if not 0 < value_m <= LONGEST_RADIUS_M:
        raise BadInput(where="tape radius", what=f"{text!r} is no crane's radius", would_do=example)
    return value_m, said
