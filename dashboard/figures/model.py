"""The truck model as figures for a page: reactions and tipping loads against slew angle."""

from __future__ import annotations

from html import escape
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.model_lines import (
    SLEW_TICKS_DEG,
    ModelDocument,
    ModelLine,
    ModelLines,
    lifts_of,
    reaction_lines,
    tick_words,
    tipping_lines,
)
from dashboard.figures.palette import FONT, Palette
from dashboard.figures.units import SI, Units
from dashboard.figures.words import angle_words, number_words, wheel_words


def reactions_figure(
    document: ModelDocument, palette: Palette, *, narrow: bool = False, units: Units = SI
) -> go.Figure:
    """Draws the reaction under each support against slew angle, with the first lifts.

    Args:
        document: a ``slewtrace.model/1`` document.
        palette: colours.
        narrow: for a screen of a hand's breadth: names in a legend, not on the lines.
        units: what the figure is read in.
    """
    lines = reaction_lines(document, units)
    layout = _layout(lines, f"reaction, {units.force.unit}", palette, narrow=narrow)
    layout.annotations = [
        *([] if narrow else _names(lines, palette)),
        *_lift_words(document, palette, narrow=narrow),
        *_overturning_words(document, lines, palette),
    ]
    layout.shapes = [*_lift_shapes(document, palette), *_overturning(document, palette)]
    data = [_trace(line, lines, units.force.unit, palette) for line in lines.lines]
    return go.Figure(data=[*data, *_lift_marks(document, palette)], layout=layout)


def tipping_figure(
    document: ModelDocument, palette: Palette, *, narrow: bool = False, units: Units = SI
) -> go.Figure:
    """Draws the load that tips the rigid truck against slew angle, with the test load.

    Args:
        document: a ``slewtrace.model/1`` document.
        palette: colours.
        narrow: for a screen of a hand's breadth: names in a legend, not on the lines.
        units: what the figure is read in.
    """
    lines = tipping_lines(document, units)
    layout = _layout(lines, f"tipping load, {units.mass.unit}", palette, narrow=narrow)
    load = units.mass.of(document["load_kg"])
    test_load = {
        "text": f"test load {units.mass.words(document['load_kg'])}",
        "x": 178,
        "y": load,
        "xanchor": "right",
        "yanchor": "top",
        "showarrow": False,
        "bgcolor": palette.ground,
    }
    layout.annotations = [*([] if narrow else _names(lines, palette)), test_load]
    layout.shapes = [
        {
            "type": "line",
            "x0": -180,
            "x1": 180,
            "y0": load,
            "y1": load,
            "line": {"color": palette.ink, "width": 1.5},
        }
    ]
    return go.Figure(
        data=[_trace(line, lines, units.mass.unit, palette) for line in lines.lines], layout=layout
    )


def model_summary(document: ModelDocument) -> str:
    """The figures in sentences, for those who don't see them."""
    parts = [f"{number_words(document['load_kg'], 'kg')} at {document['radius_m']:.2f} m."]
    for side, lift in document["first_lift"].items():
        if lift is None:
            parts.append(f"{side.capitalize()} side: no wheel lifts.")
        else:
            wheel, angle = wheel_words(lift["wheel"]), angle_words(lift["slew_deg"])
            parts.append(f"{side.capitalize()} side: {wheel} lifts first, at {angle}.")
    parts += [
        f"The truck overturns between {angle_words(a)} and {angle_words(b)}."
        for a, b in document["overturns"]
    ]
    least = document["least_tipping"]
    if least is None:
        parts.append("No load at this radius can tip the rigid truck.")
    else:
        edge = " – ".join(wheel_words(name) for name in least["supports"])
        parts.append(
            f"Least rigid tipping load {number_words(least['load_kg'], 'kg')}, "
            f"at {angle_words(least['slew_deg'])}, over {edge}."
        )
    return " ".join(parts)


def _layout(lines: ModelLines, name: str, palette: Palette, *, narrow: bool) -> go.Layout:
    axis = {"gridcolor": palette.grid, "zeroline": False, "linecolor": palette.muted}
    # On a small screen every second angle has room.
    angles = [a for a in SLEW_TICKS_DEG if not narrow or a % 90 == 0]
    return go.Layout(
        template="none",
        font={"family": FONT, "size": 12 if narrow else 14, "color": palette.ink},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        height=340 if narrow else 460,
        margin={"l": 66, "r": 22, "t": 40, "b": 44},
        showlegend=narrow,
        legend={"orientation": "h", "y": -0.18},
        hovermode="x unified",
        hoverlabel={"bgcolor": palette.ground, "font": {"color": palette.ink}},
        dragmode=False,
        xaxis=axis
        | {
            "range": [-180, 180],
            "tickvals": angles,
            "ticktext": [tick_words(a) for a in angles],
            "fixedrange": True,
        },
        yaxis=axis
        | {
            "range": [-0.03 * lines.top, lines.top],
            "title": {"text": name, "standoff": 8},
            "fixedrange": True,
        },
    )


def _trace(line: ModelLine, lines: ModelLines, unit: str, palette: Palette) -> go.Scatter:
    return go.Scatter(
        x=lines.slew_deg,
        y=np.round(line.values, 3),
        mode="lines",
        name=escape(line.name, quote=False),
        line={
            "color": _colour(line, palette),
            "width": 3 if line.group == "least" else 2,
            "dash": ",".join(f"{n}px" for n in line.dash.split()) or "solid",
        },
        connectgaps=False,
        hovertemplate=f"%{{y:.1f}} {unit}",
    )


def _names(lines: ModelLines, palette: Palette) -> list[dict[str, Any]]:
    return [
        {
            "text": escape(line.name, quote=False),
            "x": float(lines.slew_deg[line.label]),
            "y": float(line.values[line.label]),
            "showarrow": False,
            "font": {"color": _colour(line, palette), "size": 13},
            "bgcolor": palette.ground,
            "borderpad": 1,
            "yshift": -14 if line.group == "edge" else 0,
        }
        for line in lines.lines
        if line.label is not None
    ]


def _lift_shapes(document: ModelDocument, palette: Palette) -> list[dict[str, Any]]:
    return [
        {
            "type": "line",
            "x0": lift.slew_deg,
            "x1": lift.slew_deg,
            "y0": 0,
            "y1": 1,
            "yref": "paper",
            "line": {"color": palette.act, "width": 1.5, "dash": "4px,3px"},
        }
        for lift in lifts_of(document)
    ]


def _lift_marks(document: ModelDocument, palette: Palette) -> list[go.Scatter]:
    lifts = lifts_of(document)
    if not lifts:
        return []
    return [
        go.Scatter(
            x=[lift.slew_deg for lift in lifts],
            y=[0.0 for _ in lifts],
            mode="markers",
            name="first lift",
            text=[escape(lift.words, quote=False) for lift in lifts],
            marker={"symbol": "triangle-up", "size": 14, "color": palette.act},
            hovertemplate="%{text}<extra></extra>",
            cliponaxis=False,
        )
    ]


def _lift_words(document: ModelDocument, palette: Palette, *, narrow: bool) -> list[dict[str, Any]]:
    side = {"start": "left", "middle": "center", "end": "right"}
    return [
        {
            "text": _in_lines(lift.words, narrow=narrow),
            "x": lift.slew_deg,
            "y": 1,
            "yref": "paper",
            "xanchor": side[lift.anchor],
            "yanchor": "bottom",
            "showarrow": False,
            "font": {"color": palette.act},
        }
        for lift in lifts_of(document)
    ]


def _in_lines(words: str, *, narrow: bool) -> str:
    drawn = escape(words, quote=False)
    return drawn.replace(", ", "<br>") if narrow else drawn


def _overturning(document: ModelDocument, palette: Palette) -> list[dict[str, Any]]:
    return [
        {
            "type": "rect",
            "x0": start_deg,
            "x1": end_deg,
            "y0": 0,
            "y1": 1,
            "yref": "paper",
            "fillcolor": palette.barred,
            "line": {"color": palette.barred_ink, "width": 1},
            "layer": "below",
        }
        for start_deg, end_deg in document["overturns"]
    ]


def _overturning_words(
    document: ModelDocument, lines: ModelLines, palette: Palette
) -> list[dict[str, Any]]:
    return [
        {
            "text": "<b>overturns</b>",
            "x": (start_deg + end_deg) / 2,
            "y": lines.top / 2,
            "textangle": -90,
            "showarrow": False,
            "font": {"color": palette.barred_ink, "size": 15},
        }
        for start_deg, end_deg in document["overturns"]
    ]


def _colour(line: ModelLine, palette: Palette) -> str:
    return {
        "wheel": palette.data,
        "outrigger": palette.abnormal_ink,
        "edge": palette.muted,
    }.get(line.group, palette.data)
