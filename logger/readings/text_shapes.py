r"""Ready-made shapes of the lines that instruments send all the time, and patterns of one's own.

Many indicators send, line after line, some of: a status, a sign, a number, a unit. What their
status words mean differs from maker to maker, so the rig file says which of them are good, and
the unit that the lines must name: a reading that the instrument itself does not vouch for, or
one in another unit, is refused and counted and never taken for a good one.

========================= ================================ =====================
shape                     lines that fit it                the rig file also says
========================= ================================ =====================
``value``                 ``+  1402.5``, ``-12``           nothing
``value_unit``            ``1402.5 kg``, ``-   12.0kg``    ``line_unit``
``status_value``          ``ok;+1402.5``, ``ok  1402.5``   ``good_status``
``status_value_unit``     ``ok, +001402.5 kg``             both
========================= ================================ =====================

Parts are set apart by spaces, tabs, ``,`` or ``;`` (the sign and the unit need nothing). STX
before a line and ETX after it are taken off. With ``decimal = "comma"`` it is ``1402,5``, and
commas no longer set parts apart. The reading's name is ``value``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

VALUE = "value"
"""Name of the reading that a shape gives."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TextShape:
    """One shape of line.

    Attributes:
        status: whether a status comes first.
        unit: whether a unit comes last.
    """

    status: bool = False
    unit: bool = False


TEXT_SHAPES: Mapping[str, TextShape] = {
    "value": TextShape(),
    "value_unit": TextShape(unit=True),
    "status_value": TextShape(status=True),
    "status_value_unit": TextShape(status=True, unit=True),
}


def expression_of(shape: TextShape, *, comma: bool) -> re.Pattern[str]:
    """The expression for whole lines, with groups ``status``, ``sign``, ``value``, ``unit``.

    No part can take what the next one begins with, so a line is gone through once.

    Args:
        shape: the shape.
        comma: whether the decimal mark is a comma.
    """
    mark, apart = (",", "[ \\t;]") if comma else ("\\.", "[ \\t,;]")
    status = rf"(?P<status>[A-Za-z][A-Za-z0-9_]{{0,15}}){apart}{{1,8}}" if shape.status else ""
    unit = r"[ \t]{0,8}(?P<unit>[A-Za-z°%][A-Za-z°%/²³·0-9]{0,9})" if shape.unit else ""
    number = rf"(?P<sign>[-+−]?)[ \t]{{0,16}}(?P<value>\d{{1,15}}(?:{mark}\d{{0,15}})?)"
    return re.compile(rf"\x02?[ \t]{{0,16}}{status}{number}{unit}[ \t]{{0,16}}\x03?", re.ASCII)


def check_shape(name: str, *, status: bool, unit: bool) -> None:
    """Refuses an unknown shape, and one without the words that its lines are judged by.

    Args:
        name: the shape's name.
        status: whether the rig file says which status is good.
        unit: whether it says which unit the lines must name.

    Raises:
        ValueError: in words for the person who wrote it.
    """
    shape = TEXT_SHAPES.get(name)
    if shape is None:
        raise ValueError(f"no shape {name!r}; shapes are {', '.join(TEXT_SHAPES)}")
    for there, wanted, key, example in (
        (status, shape.status, "good_status", '["ok"]'),
        (unit, shape.unit, "line_unit", '"kg"'),
    ):
        if wanted and not there:
            raise ValueError(f"shape {name!r} needs {key!r}, like {key} = {example}")
        if there and not wanted:
            raise ValueError(f"{key!r} does not go with shape {name!r}, whose lines have none")


def check_pattern(pattern: str) -> None:
    """Refuses what is no regular expression with a named group.

    Raises:
        ValueError: in words for the person who wrote it.
    """
    example = r"'(?P<load>[-+]?\d+\.\d+) kg'"
    try:
        groups = re.compile(pattern).groupindex
    except re.error as exc:
        raise ValueError(f"pattern is no regular expression ({exc}); like {example}") from exc
    if not groups:
        raise ValueError(f"pattern needs a named group for each reading, like {example}")
