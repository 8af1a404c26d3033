"""Colours, in three sets: for daylight, for a dark cab, and for a screen in the sun.

A colour never says anything alone: whatever it marks has a shape, a hatch or a word as well.
Meanings follow IEC 60073 (from memory): red act now, yellow abnormal, green safe. Text stands
at 4.5 to 1 or better against the ground that it is written on (WCAG 2.2, 1.4.3).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Scheme = Literal["day", "night", "sun"]

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', 'DejaVu Sans', sans-serif"


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """The colours of one scheme, CSS hex.

    Attributes:
        ground: what figures are drawn on.
        ink: text and outlines.
        muted: labels of axes, things that stand back.
        grid: lines behind data.
        data: traces.
        boom: the boom in the plan.
        body: the truck's body in the plan.
        safe, safe_ink: sector with full capacity, and lines or text on it.
        abnormal, abnormal_ink: reduced.
        barred, barred_ink: no lifting.
        act: a lifted wheel.
        act_ground: behind text about a lifted wheel.
    """

    ground: str
    ink: str
    muted: str
    grid: str
    data: str
    boom: str
    body: str
    safe: str
    safe_ink: str
    abnormal: str
    abnormal_ink: str
    barred: str
    barred_ink: str
    act: str
    act_ground: str


LIGHT = Palette(
    ground="#ffffff",
    ink="#15202b",
    muted="#4f5d6b",
    grid="#dfe5ea",
    data="#0b4f9e",
    boom="#0b4f9e",
    body="#eef2f5",
    safe="#cdebd4",
    safe_ink="#0f4a26",
    abnormal="#ffe9ad",
    abnormal_ink="#664200",
    barred="#e2e6ea",
    barred_ink="#3a4550",
    act="#b3201a",
    act_ground="#fde7e5",
)
DARK = Palette(
    ground="#172029",
    ink="#eef3f7",
    muted="#aab7c4",
    grid="#2e3b47",
    data="#7dbbff",
    boom="#7dbbff",
    body="#25313d",
    safe="#1d4a2e",
    safe_ink="#c6f2d2",
    abnormal="#5a4306",
    abnormal_ink="#ffe9ad",
    barred="#323d48",
    barred_ink="#d3dce4",
    act="#ff8b82",
    act_ground="#4a1815",
)


SUN = Palette(
    ground="#ffffff",
    ink="#000000",
    muted="#1f1f1f",
    grid="#b5b5b5",
    data="#00307a",
    boom="#00307a",
    body="#f2f2f2",
    safe="#ffffff",
    safe_ink="#00401a",
    abnormal="#fff3a6",
    abnormal_ink="#3a2400",
    barred="#d9d9d9",
    barred_ink="#000000",
    act="#9c0000",
    act_ground="#ffffff",
)
_OF_SCHEME: dict[str | None, Palette] = {"day": LIGHT, "night": DARK, "sun": SUN}


def palette_of(scheme: str | None) -> Palette:
    """The colours for a scheme's name; daylight where it is unknown."""
    return _OF_SCHEME.get(scheme, LIGHT)


def see_through(colour: str, share: float) -> str:
    """A colour, of which only a share covers what lies beneath.

    Args:
        colour: CSS hex, six digits.
        share: 0 to 1.
    """
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},{share:g})"
