"""How long a line a regular expression may meet before its worst case hurts.

Python's own expressions back up: a repeat that fails is tried shorter, and repeats one after
another multiply. A hostile line then takes seconds or years, during which nothing else in the
program runs. With R repeats a line of n characters is gone through in at most about n^(1 + R)
ways (where to begin, and how far each repeat reaches); a repeat inside a repeat has no such
bound. So short lines, for which the bound is small, go to the fast engine, and all others to
one that can be told to give up.
"""

from __future__ import annotations

import re

WAYS_AT_MOST = 1_000_000
"""Some 10 ms of backing up (measured: 5 to 10 ns each)."""

_LITERAL = re.compile(r"\\[^\d]|\[\^?\]?(?:\\.|[^\]\\])*\]", re.DOTALL)
_GROUP_BEGINS = re.compile(r"\(\?(?:P?<[^>=!]+>|:)")
_REPEATED_GROUP = re.compile(r"\)(?:[*+]|\{)")
_BEYOND_COUNTING = re.compile(r"\(\?|\\\d|\{")
"""Look-arounds, flags, conditions, references back, and counted repeats: not worth a theory."""


def longest_quick_line(pattern: str) -> int:
    """The longest line for which an expression can't take more than ``WAYS_AT_MOST`` ways.

    Args:
        pattern: a valid expression.

    Returns:
        Characters; 0 where no length is known to be safe. Counted on the pessimistic side.
    """
    bare = _GROUP_BEGINS.sub("(", _LITERAL.sub("x", pattern))
    if _REPEATED_GROUP.search(bare) or _BEYOND_COUNTING.search(bare):
        return 0
    repeats = bare.count("*") + bare.count("+")
    # A mark of doubt and an alternative double the ways; so does "?" after a repeat, needlessly.
    choices = 2 ** (bare.count("?") + bare.count("|"))
    # The rounding up of a root that is nearly whole must not pass the bound.
    return int((WAYS_AT_MOST / choices) ** (1 / (1 + repeats)) + 1e-9)
