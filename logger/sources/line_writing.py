"""A text instrument's line built again from its readings, if that can be done honestly.

A regular expression says what a line must look like, so a line can be made that it matches: its
fixed characters as they stand, the readings where its groups are, and the least of whatever else
it allows. What is made is read again by the source's own decoder, and goes out only if every
reading comes back bit for bit. What the expression asks for and no run keeps (a status in a group
that no channel has, a choice of units) is filled with the first that matches; :attr:`LineWriter.
filled` names it, so that it can be told. Expressions that look around or refer back are refused.
"""

from __future__ import annotations

import string
from collections.abc import Callable, Iterator, Mapping
from re import _constants as op  # type: ignore[attr-defined]  # hidden from type checkers
from re import _parser as parser  # type: ignore[attr-defined]  # as above
from typing import Any

import numpy as np

from logger.errors import FrameInvalid
from logger.readings.pack import Pack

_CHARACTERS = (
    "0 "
    + string.digits
    + string.ascii_letters
    + "".join(c for c in string.printable if not c.isalnum() and c not in " \r\n")
)
_REPEATS = (op.MAX_REPEAT, op.MIN_REPEAT, op.POSSESSIVE_REPEAT)
_MOST_DECIMALS, _WIDEST = 9, 12


class LineImpossible(ValueError):
    """No line that the expression matches gives these readings."""


class LineWriter:
    """Writes lines of one instrument.

    Attributes:
        filled: the text that stands in each group that nothing was recorded of.

    Args:
        pattern: the expression of the rig file.
        words: by group, the texts that mean 0 and 1, for contacts told in words.
        names: groups that were recorded.
        decode: the source's own decoder: the bytes of a line in, a pack out.
        mark: the decimal mark in its lines.

    Raises:
        LineImpossible: in a few words, where the expression is beyond this.
    """

    def __init__(
        self,
        pattern: str,
        *,
        names: tuple[str, ...],
        words: Mapping[str, tuple[str, str]],
        decode: Callable[[bytes], Pack],
        mark: str = ".",
    ) -> None:
        self._decode, self._words, self._names, self._mark = decode, dict(words), names, mark
        parsed = parser.parse(pattern)
        groups = {number: name for name, number in parsed.state.groupdict.items()}
        walk = _Walk(groups, wanted=set(names))
        self._parts = list(walk.parts(parsed))
        missing = [n for n in names if n not in {p for p in self._parts if isinstance(p, _Group)}]
        if missing:
            raise LineImpossible(f"its expression has no place for {missing[0]!r}")
        self.filled = {n: text for n, text in walk.filled.items() if n not in names}
        self._samples = walk.filled
        self._written: dict[str, Callable[[float], str]] = {}
        # A line that holds nothing but samples must be one, else nothing here is understood.
        self._read({n: walk.filled[n] for n in names})

    def line(self, values: Mapping[str, float]) -> bytes:
        """A line, without its end.

        Args:
            values: a raw value for each recorded group.

        Raises:
            LineImpossible: where no line gives them back.
        """
        texts = {name: self._text(name, value) for name, value in values.items()}
        self._check(texts, values)
        return self._join(texts)

    def _text(self, name: str, value: float) -> str:
        """The text of one reading; how it is written is remembered for the next."""
        if name in self._words:
            return self._words[name][value == 1.0]
        known = self._written.get(name)
        for write in _ways() if known is None else (known, *_ways()):
            text = write(value).replace(".", self._mark)
            if self._fits(name, value, text):
                self._written[name] = write
                return text
        raise LineImpossible(f"its expression takes no text for {name!r} that means {value!r}")

    def _fits(self, name: str, value: float, text: str) -> bool:
        others = {n: self._samples[n] for n in self._names if n != name}
        try:
            found = self._read(others | {name: text})
        except LineImpossible:
            return False
        return _same(found.get(name), value)

    def _check(self, texts: Mapping[str, str], values: Mapping[str, float]) -> None:
        found = self._read(texts)
        for name, value in values.items():
            if name not in self._words and not _same(found.get(name), value):
                raise LineImpossible(f"a line with {name!r} = {value!r} reads otherwise")

    def _read(self, texts: Mapping[str, str]) -> dict[str, float]:
        line = self._join(texts)
        try:
            pack = self._decode(line)
        except FrameInvalid as exc:
            raise LineImpossible(f"a line like {line[:40]!r} is refused: {exc}") from exc
        return dict(zip(pack.names, pack.value.tolist(), strict=True))

    def _join(self, texts: Mapping[str, str]) -> bytes:
        return "".join(
            texts.get(p, p) if isinstance(p, _Group) else p for p in self._parts
        ).encode()


class _Group(str):
    """The name of a group, where its text goes."""

    __slots__ = ()


class _Walk:
    """Goes through a parsed expression and gives a text that matches, part by part."""

    def __init__(self, groups: Mapping[int, str], *, wanted: set[str]) -> None:
        self._groups = groups
        self._wanted = wanted
        self.filled: dict[str, str] = {}

    def parts(self, parsed: Any) -> Iterator[str]:
        """Texts and groups, in order."""
        for code, argument in parsed:
            yield from self._part(code, argument)

    def _part(self, code: Any, argument: Any) -> Iterator[str]:
        if code is op.LITERAL:
            yield chr(argument)
        elif code in (op.NOT_LITERAL, op.IN, op.ANY):
            yield _character(code, argument)
        elif code in _REPEATS:
            least, most, inner = argument
            for _ in range(max(least, min(most, 1)) if self._has_wanted(inner) else least):
                yield from self.parts(inner)
        elif code is op.BRANCH:
            choices = argument[1]
            yield from self.parts(next(filter(self._has_wanted, choices), choices[0]))
        elif code is op.SUBPATTERN:
            yield from self._group(argument[0], argument[3])
        elif code is not op.AT:
            raise LineImpossible(f"its expression has a part ({code}) that is only for reading")

    def _group(self, number: int | None, inner: Any) -> Iterator[str]:
        name = self._groups.get(number or 0)
        if name is None:
            yield from self.parts(inner)
            return
        self.filled[name] = "".join(self.parts(inner))
        yield _Group(name) if name in self._wanted else self.filled[name]

    def _has_wanted(self, parsed: Any) -> bool:
        return any(self._is_or_has_wanted(code, argument) for code, argument in parsed)

    def _is_or_has_wanted(self, code: Any, argument: Any) -> bool:
        if code is op.SUBPATTERN:
            name = self._groups.get(argument[0] or 0)
            return name in self._wanted or self._has_wanted(argument[3])
        if code is op.BRANCH:
            return any(map(self._has_wanted, argument[1]))
        return code in _REPEATS and self._has_wanted(argument[2])


def _character(code: Any, argument: Any) -> str:
    """The first usual character that a class takes."""
    if code is op.ANY:
        return _CHARACTERS[0]
    for character in _CHARACTERS:
        if code is op.NOT_LITERAL:
            if ord(character) != argument:
                return character
        elif _is_in(character, argument):
            return character
    raise LineImpossible("its expression asks for a character that is no usual one")


def _is_in(character: str, members: Any) -> bool:
    negated = members[0][0] is op.NEGATE
    return any(_is_member(character, *m) for m in members[negated:]) is not negated


def _is_member(character: str, code: Any, argument: Any) -> bool:
    if code is op.LITERAL:
        return bool(ord(character) == argument)
    if code is op.RANGE:
        return bool(argument[0] <= ord(character) <= argument[1])
    kind, wanted = {
        op.CATEGORY_DIGIT: (str.isdigit, True),
        op.CATEGORY_NOT_DIGIT: (str.isdigit, False),
        op.CATEGORY_SPACE: (str.isspace, True),
        op.CATEGORY_NOT_SPACE: (str.isspace, False),
        op.CATEGORY_WORD: (_is_word, True),
        op.CATEGORY_NOT_WORD: (_is_word, False),
    }[argument]
    return bool(kind(character)) is wanted


def _is_word(character: str) -> bool:
    return character.isalnum() or character == "_"


def _ways() -> Iterator[Callable[[float], str]]:
    """Ways to write a number, the plainest first."""
    yield lambda v: np.format_float_positional(v, trim="-")
    yield repr
    for sign in ("", "+"):
        for width in range(_WIDEST + 1):
            for decimals in range(_MOST_DECIMALS + 1):
                fill = f"0{width}" if width else ""
                yield f"{{:{sign}{fill}.{decimals}f}}".format
                if width:
                    yield f"{{:{sign}{width}.{decimals}f}}".format


def _same(found: float | None, value: float) -> bool:
    """Whether two numbers are the same bit for bit."""
    return found is not None and np.float64(found).tobytes() == np.float64(value).tobytes()
