"""How runs are told apart where several are drawn: a number, a shape, a dash, then a shade.

The number is the run's place in the comparison; it stands in tables and on the lines themselves,
so that a figure of many runs is read without colours and without a legend.
"""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.figures.palette import Palette

MOST_DRAWN = 12
"""Runs that one figure shows; more would be a cloud."""
_DASHES = ("solid", "8px,3px", "2px,3px", "9px,3px,2px,3px")
_SYMBOLS = (
    "circle",
    "square",
    "diamond",
    "triangle-up",
    "triangle-down",
    "pentagon",
    "hexagon",
    "star",
    "cross",
    "x",
    "hourglass",
    "bowtie",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunMark:
    """How one run is drawn.

    Attributes:
        number: its place, from 1.
        dash: of its lines.
        symbol: of its points.
        colour: a shade, which says nothing alone.
        width_px: of its lines.
    """

    number: int
    dash: str
    symbol: str
    colour: str
    width_px: float


def mark_of(number: int, palette: Palette) -> RunMark:
    """The mark of a run.

    Args:
        number: its place in the comparison, from 1.
        palette: colours.
    """
    place = number - 1
    shades = (palette.data, palette.ink, palette.muted)
    return RunMark(
        number=number,
        dash=_DASHES[place % len(_DASHES)],  # 4 dashes and 3 shades: 12 pairs
        symbol=_SYMBOLS[place % len(_SYMBOLS)],
        colour=shades[place % len(shades)],
        width_px=2.0 if place == 0 else 1.4,
    )
