"""What a printed sheet is built of: a few kinds of block, as plain text and numbers.

The words come from here, the look from the layout files. Nothing of a block is ever taken for
markup: it goes over as JSON and is set as the characters that it holds.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


def missing(reason: str) -> str:
    """What stands where nothing is known.

    Args:
        reason: why, such as ``the test file does not name it``.
    """
    return f"n/a, because {reason}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Labels and what is so, a line each."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table whose head is repeated on every page.

    Attributes:
        head: one text a column.
        rows: texts.
        widths: share of the width that is left, one a column; 0 for as wide as its words.
        numbers: columns that are set to the right.
        empty: what is said where there are no rows.
        foot: rows at the end that stand out (sums).
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    numbers: tuple[int, ...] = ()
    empty: str = ""
    foot: tuple[tuple[str, ...], ...] = ()

    def __post_init__(self) -> None:
        for row in (*self.rows, *self.foot, self.widths):
            if len(row) != len(self.head):
                raise ValueError(f"a row of {len(row)} cells under a head of {len(self.head)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """A paragraph; ``small`` for what explains a table or figure."""

    text: str
    small: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading inside a section."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure by its name among the sheet's SVG; ``said`` is read aloud in its place."""

    name: str
    said: str
    share: float = 1.0
    """Of the line's width."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notices:
    """Findings: a sign and a word for how bad, then what, its effect and what to do."""

    items: tuple[dict[str, str], ...]
    empty: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Signatures:
    """Lines to sign: role, name in print, and what the signature stands for."""

    rows: tuple[tuple[str, str, str], ...]


Block = Facts | Table | Words | Heading | Picture | Notices | Signatures


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A numbered part of the record."""

    title: str
    blocks: tuple[Block, ...]

    def document(self) -> dict[str, Any]:
        """Ready for JSON, each block with its kind."""
        return {
            "title": self.title,
            "blocks": [{"kind": type(b).__name__.lower(), **asdict(b)} for b in self.blocks],
        }
