"""Lines of instruments that speak no SenML: a regular expression with named groups.

Each named group that took part in the match is a reading of that name: a decimal number, or
else a text. All lines that came together are decoded together, name by name, so that a line
costs a match and a number and little else.

The time that an expression takes can grow steeply with a hostile line, and it holds up the
whole program. So a line is bounded before the expression sees it; one that is short enough for
the expression's worst case meets the fast engine, any other one that gives up in time.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from math import inf
from operator import itemgetter
from typing import TypeAlias

import numpy as np
import regex  # type: ignore[import-untyped] # ships no types

from logger.errors import FrameInvalid
from logger.readings.block import Nanoseconds, Values
from logger.readings.pack import Pack
from logger.sources.match_bound import longest_quick_line

TEXT_LINE_LIMIT_BYTES = 4096
MATCH_LIMIT_S = 0.01
"""How long one line may keep the expression busy."""

# Instruments set the sign apart to keep their columns: "-   12.5".
_NUMBER = re.compile(r"\s*([-+−]?)\s*(\d+(?:\.\d*)?|\.\d+)((?:[eE][-+]?\d{1,3})?)\s*", re.ASCII)
# Of these characters ``float`` takes what _NUMBER takes, but for a sign set apart.
_PLAIN_NUMBERS = re.compile(r"[-+0-9. \n]*")
_SHOWN_CHARACTERS = 40

Match: TypeAlias = re.Match[str]
Column: TypeAlias = list[str | None]


class TextDecoder:
    """Decodes lines by a regular expression.

    Attributes:
        pattern: the expression; it may match anywhere in the line.
        quick_limit: longest line that the fast engine meets, bytes.

    Raises:
        ValueError: where it is no expression or has no named group.
    """

    def __init__(self, pattern: str) -> None:
        try:
            self.pattern = re.compile(pattern)
            self._patient = regex.compile(pattern)
        except (re.error, regex.error) as exc:
            raise ValueError(f"{pattern!r} is no regular expression: {exc}") from exc
        groups = self.pattern.groupindex
        if not groups:
            raise ValueError(f"{pattern!r} has no named group, so it gives no reading")
        self.quick_limit = longest_quick_line(pattern)
        self._names = tuple(groups)
        self._columns = _columns_of(tuple(groups.values()))

    def decode(self, line: bytes) -> Pack:
        """Decodes one line.

        Args:
            line: its bytes, UTF-8 or ASCII; what is neither is replaced.

        Returns:
            A reading for each named group that matched, all taken now.

        Raises:
            FrameInvalid: where the line is too long, does not match, or keeps the expression
                busy for too long.
        """
        pack, refused = self.decode_lines([line])
        if pack is None:
            raise FrameInvalid(refused[-1])
        return pack

    def decode_lines(
        self, lines: Sequence[bytes], ages_ns: Sequence[int] | None = None
    ) -> tuple[Pack | None, list[str]]:
        """Decodes lines that came together.

        Args:
            lines: their bytes, without line ends, UTF-8 or ASCII; what is neither is replaced.
            ages_ns: how long ago each was taken, ns; now where None.

        Returns:
            A pack of their readings, name by name in the order of the lines, or None where no
            line gave any; and why each line that gave none was refused.
        """
        matches, refused = self._match(lines)
        hits = [m for m in matches if m is not None]
        if not hits:
            return None, refused
        line_ns = -np.array(ages_ns or [0] * len(lines), dtype=np.int64)
        if len(hits) < len(lines):
            line_ns = line_ns[[i for i, m in enumerate(matches) if m is not None]]
        columns = self._columns(hits)
        if None in columns[0]:
            refused += [
                _no_match(match.string)
                for match, row in zip(hits, zip(*columns, strict=True), strict=True)
                if all(group is None for group in row)
            ]
        return _pack_of(self._names, columns, line_ns), refused

    def _match(self, lines: Sequence[bytes]) -> tuple[list[Match | None], list[str]]:
        """The match of each line, and why those without one were refused."""
        texts = b"\n".join(lines).decode("utf-8", errors="replace").split("\n")
        if max(map(len, lines), default=0) <= self.quick_limit and len(texts) == len(lines):
            matches = list(map(self.pattern.search, texts))
            if None not in matches:
                return matches, []
            return matches, [_no_match(t) for t, m in zip(texts, matches, strict=True) if m is None]
        refused: list[str] = []
        return [self._match_in_time(line, refused) for line in lines], refused

    def _match_in_time(self, line: bytes, refused: list[str]) -> Match | None:
        if len(line) > TEXT_LINE_LIMIT_BYTES:
            refused.append(f"a text line of {len(line)} bytes; {TEXT_LINE_LIMIT_BYTES} go")
            return None
        text = line.decode("utf-8", errors="replace")
        match: Match | None
        if len(line) <= self.quick_limit:
            match = self.pattern.search(text)
        else:
            try:
                # Concurrent: other threads go on meanwhile.
                match = self._patient.search(text, timeout=MATCH_LIMIT_S, concurrent=True)
            except TimeoutError:
                refused.append(f"the pattern finds no end in {text[:_SHOWN_CHARACTERS]!r}")
                return None
        if match is None:
            refused.append(_no_match(text))
        return match


def _columns_of(groups: tuple[int, ...]) -> Callable[[list[Match]], list[Column]]:
    """What takes the named groups out of matches, a list for each group."""
    take = itemgetter(*groups)
    if len(groups) == 1:
        return lambda hits: [list(map(take, hits))]
    return lambda hits: [list(column) for column in zip(*map(take, hits), strict=True)]


def _no_match(text: str) -> str:
    return f"no match in {text[:_SHOWN_CHARACTERS]!r}"


def _pack_of(names: tuple[str, ...], columns: list[Column], line_ns: Nanoseconds) -> Pack | None:
    """A pack of columns, name by name; None where nothing is in them."""
    pack_names: tuple[str, ...] = ()
    times: list[Nanoseconds] = []
    values: list[Values] = []
    texts: dict[int, str] = {}
    for name, column in zip(names, columns, strict=True):
        there = [group for group in column if group is not None]
        t_ns = line_ns
        if len(there) < len(column):
            t_ns = line_ns[[i for i, group in enumerate(column) if group is not None]]
        value, words = _numbers(there)
        texts.update((len(pack_names) + i, word) for i, word in words.items())
        pack_names += (name,) * len(there)
        times.append(t_ns)
        values.append(value)
    if not pack_names:
        return None
    return Pack(
        names=pack_names,
        t_ns=times[0] if len(times) == 1 else np.concatenate(times),
        absolute=False,
        value=values[0] if len(values) == 1 else np.concatenate(values),
        texts=texts,
    )


def _numbers(groups: list[str]) -> tuple[Values, dict[int, str]]:
    """Groups as numbers, shape (n,); those that are none are NaN and stand in the texts."""
    if _PLAIN_NUMBERS.fullmatch("\n".join(groups)):
        try:
            plain = list(map(float, groups))
        except ValueError:
            pass
        else:
            if inf not in plain and -inf not in plain:
                return np.array(plain), {}
    numbers = [_number(group) for group in groups]
    words = {i: groups[i] for i, number in enumerate(numbers) if number is None}
    return np.array([np.nan if x is None else x for x in numbers]), words


def _number(text: str) -> float | None:
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None
    sign, digits, exponent = match.groups()
    value = float(digits + exponent)
    if value == inf:
        return None
    return -value if sign in ("-", "−") and sign else value
