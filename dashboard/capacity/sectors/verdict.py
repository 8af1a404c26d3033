"""A result in one sentence for someone who asks: may it lift all the way round?"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass
from enum import StrEnum

from dashboard.capacity.sectors.sectors import Sector
from logger.events.sweep import Side

FULL_PERCENT = 100.0


class Standing(StrEnum):
    """How far a truck got."""

    FULL = "full to both slew limits"
    PART = "full in part"
    REDUCED = "reduced everywhere"
    NOTHING = "nothing proved"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What the sectors come to.

    Attributes:
        standing: in three words.
        text: in a sentence or two.
    """

    standing: Standing
    text: str


def verdict_of(sectors: Sequence[Sector], *, swept_whole: Container[Side]) -> Verdict:
    """The verdict on a result's sectors.

    Args:
        sectors: of both sides, in order of angle on each side.
        swept_whole: the sides that were swept from over the rear to the slew limit.
    """
    sides = {side: [s for s in sectors if s.side is side and s.percent > 0] for side in Side}
    if not any(sides.values()):
        return Verdict(
            standing=Standing.NOTHING,
            text="The run proves nothing: no lifting in any direction on its strength.",
        )
    text = " ".join(_side_text(side, lifting) for side, lifting in sides.items())
    allowed = [s for lifting in sides.values() for s in lifting]
    full = [s for s in allowed if s.percent >= FULL_PERCENT]
    whole = all(side in swept_whole and _unbroken(lifting) for side, lifting in sides.items())
    if len(full) == len(allowed) and whole:
        return Verdict(standing=Standing.FULL, text=f"{text} Beyond the slew limits: no lifting.")
    standing = Standing.PART if full else Standing.REDUCED
    return Verdict(standing=standing, text=f"{text} Elsewhere: no lifting.")


def _side_text(side: Side, lifting: Sequence[Sector]) -> str:
    if not lifting:
        return f"{str(side).capitalize()}: nothing."
    parts = ", ".join(f"{s.percent:g} % from {s.from_deg:g}° to {s.to_deg:g}°" for s in lifting)
    return f"{str(side).capitalize()}: {parts}."


def _unbroken(lifting: Sequence[Sector]) -> bool:
    """Whether one side's sectors run from over the rear without a hole."""
    ends = [0.0, *(s.to_deg for s in lifting)]
    return bool(lifting) and all(s.from_deg == end for s, end in zip(lifting, ends, strict=False))
