"""What figures for print are drawn with: sheet, text and line as SVG elements, text as text."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from dashboard.figures.palette import FONT, Palette

WIDTH = 820
"""Of every sheet, px."""
LEFT, RIGHT = 74, 796
"""Edges of what is drawn on a sheet, px."""
TEXT, STRONG = 15, 19
"""Sizes of text and heading, px."""
_LONGEST_HEADING = 70

Place = tuple[float, float]


def sheet(
    heading: str, *, height: int, heading_y: int, palette: Palette, described: str = ""
) -> Iterator[str]:
    """The beginning of a picture: its size, what it shows in words, ground and heading.

    Args:
        heading: shown at the top, cut where it is too long.
        height: px.
        heading_y: where the heading's line stands, px.
        palette: colours.
        described: what it shows, for readers who don't see it; the heading by default.
    """
    family = escape(FONT, quote=True)
    yield (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'width="{WIDTH}" height="{height}" role="img" font-family="{family}" '
        f'font-size="{TEXT}" fill="{palette.ink}">'
    )
    yield f"<title>{_said(described or heading)}</title>"
    yield f'<rect width="{WIDTH}" height="{height}" fill="{palette.ground}"/>'
    shown = heading if len(heading) < _LONGEST_HEADING else heading[: _LONGEST_HEADING - 2] + "…"
    yield text(shown, (LEFT, heading_y), size=STRONG, weight="600")


def text(
    words: str,
    at: Place,
    *,
    anchor: str = "start",
    size: int = TEXT,
    weight: str = "",
    fill: str = "",
    halo: str = "",
) -> str:
    """Words at a place; ``halo`` is the colour that sets them off from lines behind."""
    said = {
        "text-anchor": "" if anchor == "start" else anchor,
        "font-size": "" if size == TEXT else str(size),
        "font-weight": weight,
        "fill": fill,
    }
    attributes = "".join(f' {name}="{value}"' for name, value in said.items() if value)
    if halo:
        attributes += f' stroke="{halo}" stroke-width="5" paint-order="stroke"'
    return f'<text x="{at[0]:g}" y="{at[1]:g}"{attributes}>{_said(words)}</text>'


def segment(a: Place, b: Place, colour: str, *, width: float = 1, dash: str = "") -> str:
    """A straight line between two places."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{a[0]:g}" y1="{a[1]:g}" x2="{b[0]:g}" y2="{b[1]:g}" stroke="{colour}" '
        f'stroke-width="{width:g}"{dashed}/>'
    )


def _said(words: str) -> str:
    """Words for XML, which knows no control characters."""
    return escape(
        "".join(c if c.isprintable() or c in "\u00a0\u2009\u202f" else "�" for c in words)
    )
