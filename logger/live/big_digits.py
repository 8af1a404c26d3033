"""Numerals three lines high, made of half blocks, to be read from a few steps away."""

from __future__ import annotations

_GLYPHS = {
    "0": ("█▀█", "█ █", "▀▀▀"),
    "1": ("▀█ ", " █ ", "▀▀▀"),
    "2": ("▀▀█", "█▀▀", "▀▀▀"),
    "3": ("▀▀█", " ▀█", "▀▀▀"),
    "4": ("█ █", "▀▀█", "  ▀"),
    "5": ("█▀▀", "▀▀█", "▀▀▀"),
    "6": ("█▀▀", "█▀█", "▀▀▀"),
    "7": ("▀▀█", "  █", "  ▀"),
    "8": ("█▀█", "█▀█", "▀▀▀"),
    "9": ("█▀█", "▀▀█", "▀▀▀"),
    ".": (" ", " ", "▀"),
    "-": ("   ", "▀▀▀", "   "),
    "?": ("▀▀█", " █▀", " ▀ "),
    " ": (" ", " ", " "),
}


def big(text: str) -> str:
    """A number as three lines.

    Args:
        text: digits, point, minus, question mark and spaces; anything else is left out.
    """
    glyphs = [_GLYPHS[c] for c in text if c in _GLYPHS]
    return "\n".join(" ".join(glyph[row] for glyph in glyphs) for row in range(3))
