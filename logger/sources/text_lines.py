"""Lines of instruments that speak no SenML: a regular expression with named groups.

Each named group that took part in the match is a reading of that name: a decimal number, or
else a text. The line is bounded before the expression sees it, since the time an expression
takes can grow steeply with the length of a hostile line.
"""

from __future__ import annotations

import re

import numpy as np

from logger.errors import FrameInvalid
from logger.readings.pack import Pack

TEXT_LINE_LIMIT_BYTES = 4096

# Instruments set the sign apart to keep their columns: "-   12.5".
_NUMBER = re.compile(r"\s*([-+−]?)\s*(\d+(?:\.\d*)?|\.\d+)((?:[eE][-+]?\d{1,3})?)\s*", re.ASCII)
_SHOWN_CHARACTERS = 40


class TextDecoder:
    """Decodes lines by a regular expression.

    Attributes:
        pattern: the expression; it may match anywhere in the line.

    Raises:
        ValueError: where it is no expression or has no named group.
    """

    def __init__(self, pattern: str) -> None:
        try:
            self.pattern = re.compile(pattern)
        except re.error as exc:
            raise ValueError(f"{pattern!r} is no regular expression: {exc}") from exc
        if not self.pattern.groupindex:
            raise ValueError(f"{pattern!r} has no named group, so it gives no reading")

    def decode(self, line: bytes) -> Pack:
        """Decodes one line.

        Args:
            line: its bytes, UTF-8 or ASCII; what is neither is replaced.

        Returns:
            A reading for each named group that matched, all taken now.

        Raises:
            FrameInvalid: where the line is too long or does not match.
        """
        if len(line) > TEXT_LINE_LIMIT_BYTES:
            raise FrameInvalid(f"a text line of {len(line)} bytes; {TEXT_LINE_LIMIT_BYTES} go")
        text = line.decode("utf-8", errors="replace")
        match = self.pattern.search(text)
        groups = match.groupdict() if match else {}
        found = {name: group for name, group in groups.items() if group is not None}
        if not found:
            raise FrameInvalid(f"no match in {text[:_SHOWN_CHARACTERS]!r}")
        values = [_number(group) for group in found.values()]
        return Pack(
            names=tuple(found),
            t_ns=np.zeros(len(found), dtype=np.int64),
            absolute=False,
            value=np.array([np.nan if v is None else v for v in values]),
            texts={
                i: group
                for i, (group, value) in enumerate(zip(found.values(), values, strict=True))
                if value is None
            },
        )


def _number(text: str) -> float | None:
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None
    sign, digits, exponent = match.groups()
    value = float(digits + exponent)
    if value == float("inf"):
        return None
    return -value if sign in ("-", "−") and sign else value
