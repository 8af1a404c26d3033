"""The figures of the truck model for print: SVG, without a browser to draw it.

Two panels over the same slew angles: reactions at the supports, and the load that would tip the
truck. Plain elements and text as text, so that it can be searched and set into a record.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from dashboard.figures.model_lines import (
    SLEW_TICKS_DEG,
    ModelDocument,
    ModelLine,
    ModelLines,
    lifts_of,
    reaction_lines,
    stretches,
    tick_words,
    tipping_lines,
)
from dashboard.figures.palette import LIGHT, Palette
from dashboard.figures.plan_curve import ticks
from dashboard.figures.svg_paper import LEFT, RIGHT, segment, sheet, text

_HEIGHT = 960
_SMALL = 13


@dataclass(frozen=True, slots=True, kw_only=True)
class _Panel:
    """A panel between two heights on the paper, px."""

    lines: ModelLines
    top_px: float
    bottom_px: float

    def x(self, slew_deg: float) -> float:
        return round(LEFT + (slew_deg + 180) / 360 * (RIGHT - LEFT), 2)

    def y(self, value: float) -> float:
        share = value / self.lines.top
        return round(self.bottom_px - share * (self.bottom_px - self.top_px), 2)


def model_svg(document: ModelDocument, palette: Palette = LIGHT, *, title: str = "") -> str:
    """Draws reactions and tipping loads against slew angle.

    Args:
        document: a ``slewtrace.model/1`` document.
        palette: colours; those for paper by default.
        title: what truck it is, for the heading.
    """
    reactions = _Panel(lines=reaction_lines(document), top_px=112, bottom_px=490)
    tipping = _Panel(lines=tipping_lines(document), top_px=610, bottom_px=870)
    load = f"{document['load_kg']:g} kg at {document['radius_m']:.2f} m"
    heading = title or "Truck model"
    parts = [
        *sheet(
            heading,
            height=_HEIGHT,
            heading_y=34,
            palette=palette,
            described=f"{heading}: reactions and tipping load, {load}",
        ),
        text(f"Reactions under the supports, {load} hanging", (LEFT, 66), weight="600"),
        *_axes(reactions, "reaction, kN", palette),
        *_curves(reactions, palette),
        *_lifts(document, reactions, palette),
        *_gaps(document, reactions, palette),
        *_names(reactions, palette),
        text(
            f"Load that tips the rigid truck, hung at {document['radius_m']:.2f} m",
            (LEFT, 576),
            weight="600",
        ),
        *_axes(tipping, "load, kg", palette),
        *_curves(tipping, palette),
        *_test_load(document, tipping, palette),
        *_names(tipping, palette),
        text(
            "First lift is not tipping. Advisory: computed from the model of the test file.",
            (LEFT, 938),
            fill=palette.muted,
            size=_SMALL,
        ),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _axes(panel: _Panel, name: str, palette: Palette) -> Iterator[str]:
    for slew_deg in SLEW_TICKS_DEG:
        x = panel.x(slew_deg)
        yield segment((x, panel.top_px), (x, panel.bottom_px), palette.grid)
        yield text(
            tick_words(slew_deg),
            (x, panel.bottom_px + 20),
            anchor="middle",
            size=_SMALL,
            fill=palette.muted,
        )
    for value in ticks((0.0, panel.lines.top), about=6):
        y = panel.y(value)
        yield segment((LEFT, y), (RIGHT, y), palette.grid)
        yield text(f"{value:g}", (LEFT - 8, y + 5), anchor="end", size=_SMALL, fill=palette.muted)
    y = (panel.top_px + panel.bottom_px) / 2
    yield (
        f'<text x="20" y="{y:g}" text-anchor="middle" fill="{palette.muted}" '
        f'transform="rotate(-90 20 {y:g})">{name}</text>'
    )


def _curves(panel: _Panel, palette: Palette) -> Iterator[str]:
    for line in panel.lines.lines:
        for part in stretches(line.values):
            slew, values = panel.lines.slew_deg[part], line.values[part]
            places = " ".join(
                f"{panel.x(a)},{panel.y(v)}" for a, v in zip(slew, values, strict=True)
            )
            dash = f' stroke-dasharray="{line.dash}"' if line.dash else ""
            yield (
                f'<polyline points="{places}" fill="none" stroke="{_colour(line, palette)}" '
                f'stroke-width="{3 if line.group == "least" else 2}"{dash}/>'
            )


def _names(panel: _Panel, palette: Palette) -> Iterator[str]:
    for line in panel.lines.lines:
        if line.label is not None:
            x = panel.x(float(panel.lines.slew_deg[line.label]))
            y = panel.y(float(line.values[line.label]))
            yield text(
                line.name,
                (x, y + (20 if line.group == "edge" else 5)),
                anchor="middle",
                size=_SMALL + 1,
                fill=_colour(line, palette),
                halo=palette.ground,
            )


def _lifts(document: ModelDocument, panel: _Panel, palette: Palette) -> Iterator[str]:
    for lift in lifts_of(document):
        x = panel.x(lift.slew_deg)
        yield segment((x, panel.top_px), (x, panel.bottom_px), palette.act, width=1.5, dash="4 3")
        low, high = panel.bottom_px + 1, panel.bottom_px - 13
        yield f'<polygon points="{x - 8},{low} {x + 8},{low} {x},{high}" fill="{palette.act}"/>'
        yield text(lift.words, (x, panel.top_px - 8), anchor=lift.anchor, fill=palette.act, size=14)


def _gaps(document: ModelDocument, panel: _Panel, palette: Palette) -> Iterator[str]:
    """Where the truck overturns: barred, in words."""
    for start_deg, end_deg in document["overturns"]:
        left, right = panel.x(start_deg), panel.x(end_deg)
        yield (
            f'<rect x="{left}" y="{panel.top_px}" width="{max(right - left, 2):.2f}" '
            f'height="{panel.bottom_px - panel.top_px}" fill="{palette.barred}"/>'
        )
        middle, y = (left + right) / 2 + 5, (panel.top_px + panel.bottom_px) / 2
        yield (
            f'<text x="{middle:g}" y="{y:g}" text-anchor="middle" fill="{palette.barred_ink}" '
            f'font-size="17" font-weight="600" transform="rotate(-90 {middle:g} {y:g})">'
            "overturns</text>"
        )


def _test_load(document: ModelDocument, panel: _Panel, palette: Palette) -> Iterator[str]:
    y = panel.y(document["load_kg"])
    yield segment((LEFT, y), (RIGHT, y), palette.ink, width=1.5)
    words = f"test load {document['load_kg']:g} kg"
    yield text(words, (RIGHT - 6, y + 17), anchor="end", halo=palette.ground, size=14)


def _colour(line: ModelLine, palette: Palette) -> str:
    return {
        "wheel": palette.data,
        "outrigger": palette.abnormal_ink,
        "edge": palette.muted,
    }.get(line.group, palette.data)
