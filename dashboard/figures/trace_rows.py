"""Rows of the traces' figure: which there are, how high, what stands above and beside them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard.figures.overview import Overview
from dashboard.figures.palette import FONT, Palette
from dashboard.figures.readings import Wheel
from dashboard.figures.units import Units
from dashboard.figures.words import drawn_name

LANE_PX, TRACE_PX, SPACE_PX = 24, 112, 32
BOTTOM_PX = 46
LANES = ("Lifts", "Load", "Radius", "Notes")
"""Lanes of moments: they are there before it is known what was found, so nothing moves then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row.

    Attributes:
        name: ``moments``, ``slew``, ``load``, ``radius``, ``moment`` or ``contacts``.
        height_px: its height.
        lanes: names of its lanes, for a row that has lanes.
    """

    name: str
    height_px: int
    lanes: tuple[str, ...] = ()


def rows_of(overview: Overview) -> tuple[Row, ...]:
    """The rows of a run over time, from the top."""
    rows = [Row(name="moments", height_px=LANE_PX * len(LANES) + 8, lanes=LANES)]
    rows += [Row(name=name, height_px=TRACE_PX) for name in overview.lines]
    return (*rows, *contact_rows(overview.wheels))


def contact_rows(wheels: Sequence[Wheel]) -> tuple[Row, ...]:
    """The row of contacts, where there are any."""
    if not wheels:
        return ()
    names = tuple(drawn_name(_short(w)) for w in wheels)
    return (Row(name="contacts", height_px=LANE_PX * len(wheels) + 8, lanes=names),)


def height_px(rows: Sequence[Row]) -> int:
    """Height of the whole figure."""
    return sum(row.height_px for row in rows) + SPACE_PX * len(rows) + BOTTOM_PX


def axis_of(rows: Sequence[Row], name: str) -> str:
    """What plotly calls a row's axis."""
    index = [row.name for row in rows].index(name)
    return "y" if index == 0 else f"y{index + 1}"


def stacked_layout(
    rows: Sequence[Row], palette: Palette, units: Units, *, narrow: bool
) -> dict[str, Any]:
    """What figures of rows one above the other have in common, as keys of a layout."""
    return {
        "template": "none",
        "font": {"family": FONT, "size": 13, "color": palette.ink},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "height": height_px(rows),
        "margin": {"l": 94 if narrow else 104, "r": 14, "t": 6, "b": BOTTOM_PX},
        "showlegend": False,
        "hoverlabel": {"font": {"family": FONT, "size": 13}},
        "dragmode": "zoom",
        "annotations": [*_titles(rows, palette, units, narrow=narrow)],
    }


def _titles(
    rows: Sequence[Row], palette: Palette, units: Units, *, narrow: bool
) -> Iterator[dict[str, Any]]:
    """What stands above each row."""
    words = {
        "slew": ("Slew, °", "  right of the rear +, left −"),
        "load": (f"Load, {units.mass.unit}", "  all that hangs below the boom tip"),
        "radius": (f"Radius, {units.length.unit}", ""),
        "moment": (f"Moment, {units.moment.unit}", "  load × radius"),
        "contacts": ("Contacts", "  a bar where the tyre is off the ground"),
    }
    for row, _, top in _domains(rows):
        if row.name in words:
            title, more = words[row.name]
            yield row_title(f"<b>{title}</b>" if narrow else f"<b>{title}</b>{more}", top, palette)


def row_title(text: str, top: float, palette: Palette) -> dict[str, Any]:
    """What stands above a row.

    Args:
        text: the words, names in them as they may be drawn.
        top: the row's top in the figure's paper coordinates.
        palette: colours.
    """
    return {
        "text": text,
        "xref": "paper",
        "yref": "paper",
        "x": 0,
        "y": top,
        "xanchor": "left",
        "yanchor": "bottom",
        "yshift": 3,
        "showarrow": False,
        "font": {"size": 13, "color": palette.ink},
    }


def line_style(palette: Palette) -> dict[str, Any]:
    """What all axes have in common."""
    return {
        "gridcolor": palette.grid,
        "linecolor": palette.muted,
        "zerolinecolor": palette.grid,
        "tickfont": {"color": palette.muted, "size": 12},
    }


def y_axes(rows: Sequence[Row], palette: Palette) -> dict[str, Any]:
    """An axis for each row."""
    axes: dict[str, Any] = {}
    for row, low, high in _domains(rows):
        axis = line_style(palette) | {"domain": [low, high], "fixedrange": True, "nticks": 5}
        if row.lanes:
            axis |= _lanes(row.lanes, palette)
        name = axis_of(rows, row.name)
        axes[name.replace("y", "yaxis")] = axis
    return axes


def _domains(rows: Sequence[Row]) -> Iterator[tuple[Row, float, float]]:
    """Row, bottom and top in the figure's paper coordinates."""
    inner = height_px(rows) - BOTTOM_PX - 6
    top = float(inner)
    for row in rows:
        top -= SPACE_PX if row.name != "moments" else 10
        yield row, max((top - row.height_px) / inner, 0.0), top / inner
        top -= row.height_px


def _lanes(names: Sequence[str], palette: Palette) -> dict[str, Any]:
    return {
        "tickvals": list(range(len(names))),
        "ticktext": list(names),
        "range": [len(names) - 0.4, -0.6],
        "showgrid": False,
        "zeroline": False,
        "tickfont": {"size": 13, "color": palette.ink},
    }


def _short(wheel: Wheel) -> str:
    longest = 16
    return wheel.name if len(wheel.name) <= longest else wheel.name[: longest - 1] + "…"
