"""First-lift angles of several runs as dots with their intervals, one row a run, side by side.

A run without a lift is drawn at the farthest angle that it swept, with an arrow on: the lift, if
there is one, lies beyond.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import Any

import plotly.graph_objects as go

from dashboard.figures.palette import FONT, Palette
from dashboard.figures.run_marks import mark_of
from dashboard.figures.trace_rows import line_style
from dashboard.figures.words import telling_names

Document = Mapping[str, Any]

_ROW_PX, _HEAD_PX, _FOOT_PX = 30, 30, 48
_SIDES = ("right", "left")


def dots_figure(document: Document, palette: Palette, *, narrow: bool = False) -> go.Figure:
    """Draws the first lifts of a comparison.

    Args:
        document: a ``slewtrace.compare/1`` document.
        palette: colours.
        narrow: for a screen of a hand's breadth: numbers without names.
    """
    runs = document["runs"]
    panel_px = _HEAD_PX + _ROW_PX * len(runs) + _FOOT_PX
    height_px = panel_px * len(_SIDES)
    figure = go.Figure(
        layout=go.Layout(
            template="none",
            font={"family": FONT, "size": 13, "color": palette.ink},
            paper_bgcolor="rgba(0,0,0,0)",
            plot_bgcolor="rgba(0,0,0,0)",
            height=height_px,
            margin={"l": 44 if narrow else 232, "r": 20, "t": 0, "b": 0},
            showlegend=False,
            hovermode="closest",
            dragmode=False,
        )
    )
    for place, side in enumerate(_SIDES):
        top_px = height_px - place * panel_px - _HEAD_PX
        domain = [(top_px - _ROW_PX * len(runs)) / height_px, top_px / height_px]
        _add_panel(figure, document, palette, side, domain=domain, narrow=narrow)
    return figure


def dots_summary(document: Document) -> str:
    """The figure in sentences."""
    told = [_side_summary(document, side) for side in _SIDES]
    if any(_limits(document, side) for side in _SIDES):
        told.append("Dashed: the practical limit, either way of the reference.")
    return " ".join(told)


def _side_summary(document: Document, side: str) -> str:
    values = [v for v in _lifts(document, side)["values"] if not v["set_aside"]]
    told = [v["value"] for v in values if v["value"] is not None]
    if not told:
        return f"{side.capitalize()}: no wheel lifted in any run that counts."
    low, high = f"{min(told):.1f}°", f"{max(told):.1f}°"
    span = low if low == high else f"{low} to {high}"
    none = len(values) - len(told)
    return f"{side.capitalize()}: {len(told)} first lifts at {span}" + (
        f", {none} without a lift." if none else "."
    )


def _lifts(document: Document, side: str) -> Document:
    return _quantity(document, side, "lift_deg")


def _quantity(document: Document, side: str, key: str) -> Document:
    found: Document = next(
        q for q in document["quantities"] if q["side"] == side and q["key"] == key
    )
    return found


def _add_panel(
    figure: go.Figure,
    document: Document,
    palette: Palette,
    side: str,
    *,
    domain: Sequence[float],
    narrow: bool,
) -> None:
    number = 1 if side == "right" else 2
    x, y = f"x{'' if number == 1 else number}", f"y{'' if number == 1 else number}"
    runs = document["runs"]
    axis = line_style(palette) | {"fixedrange": True}
    told = zip(telling_names(runs), runs, strict=True)
    names = [_name(place, n, run, narrow=narrow) for place, (n, run) in enumerate(told, 1)]
    figure.update_layout(
        {
            x.replace("x", "xaxis"): axis
            | {
                "anchor": y,
                "ticksuffix": "°",
                "zeroline": False,
                "nticks": 6 if narrow else 10,
                "range": _range(document, side),
            },
            y.replace("y", "yaxis"): axis
            | {
                "anchor": x,
                "domain": list(domain),
                "range": [len(runs) - 0.4, -0.6],
                "tickvals": list(range(len(runs))),
                "ticktext": names,
                "tickfont": {"size": 13, "color": palette.ink},
                "zeroline": False,
            },
        }
    )
    figure.add_annotation(
        text=f"<b>{side.capitalize()}</b>, first lift counted from over the rear",
        xref="paper",
        yref="paper",
        x=0,
        y=domain[1],
        xanchor="left",
        yanchor="bottom",
        yshift=4,
        showarrow=False,
        font={"size": 13, "color": palette.ink},
    )
    figure.add_traces(
        [*_dots(document, palette, side, (x, y)), *_beyond(document, palette, side, (x, y))]
    )
    _add_limit(figure, document, palette, side, (x, y))


def _range(document: Document, side: str) -> list[float]:
    """All that is drawn of a side, with some room at both ends, deg."""
    lifts, reached = (
        _quantity(document, side, key)["values"] for key in ("lift_deg", "reached_deg")
    )
    ends = [end for value in lifts if value["interval"] for end in value["interval"]]
    ends += [
        far["value"]
        for lift, far in zip(lifts, reached, strict=True)
        if lift["value"] is None and far["value"] is not None
    ]
    ends += _limits(document, side)
    low, high = min(ends, default=0.0), max(ends, default=180.0)
    room = max(0.05 * (high - low), 0.1)
    return [low - room, high + room]


def _limits(document: Document, side: str) -> list[float]:
    """The practical limit either way of the reference; none where there is none, deg."""
    against, limit_deg = document["against"], document["limit_deg"]
    at = next(v["value"] for v in _lifts(document, side)["values"] if v["run_id"] == against)
    return [] if at is None or limit_deg is None else [at - limit_deg, at + limit_deg]


def _name(place: int, name: str, run: Document, *, narrow: bool) -> str:
    struck = run["set_aside"] is not None
    number = f"<s>{place}</s>" if struck else f"{place}"
    return number if narrow else f"{escape(name, quote=False)}  {number}"


def _dots(
    document: Document, palette: Palette, side: str, axes: tuple[str, str]
) -> Iterator[go.Scatter]:
    for place, value in enumerate(_lifts(document, side)["values"]):
        if value["value"] is None:
            continue
        mark = mark_of(place + 1, palette)
        low, high = value["interval"]
        symbol = f"{mark.symbol}-open" if value["set_aside"] else mark.symbol
        yield go.Scatter(
            x=[value["value"]],
            y=[place],
            xaxis=axes[0],
            yaxis=axes[1],
            mode="markers",
            marker={
                "symbol": symbol,
                "size": 12,
                "color": mark.colour,
                "line": {"color": mark.colour, "width": 1.5},
            },
            error_x={
                "type": "data",
                "symmetric": False,
                "array": [high - value["value"]],
                "arrayminus": [value["value"] - low],
                "color": mark.colour,
                "thickness": 2,
                "width": 6,
            },
            hovertemplate=(
                f"run {place + 1}: %{{x:.2f}}° (95 %: {low:.2f}° to {high:.2f}°)<extra></extra>"
            ),
            name=f"run {place + 1}, {side}",
        )


def _beyond(
    document: Document, palette: Palette, side: str, axes: tuple[str, str]
) -> Iterator[go.Scatter]:
    """Runs that lifted no wheel, at the farthest angle that they swept."""
    reached = _quantity(document, side, "reached_deg")["values"]
    places = [
        place
        for place, value in enumerate(_lifts(document, side)["values"])
        if value["value"] is None and reached[place]["value"] is not None
    ]
    if places:
        yield go.Scatter(
            x=[reached[p]["value"] for p in places],
            y=places,
            xaxis=axes[0],
            yaxis=axes[1],
            mode="markers+text",
            marker={
                "symbol": "arrow-bar-right",
                "size": 13,
                "color": palette.muted,
                "line": {"color": palette.muted, "width": 1},
            },
            text=["no lift up to here  "] * len(places),
            textposition="middle left",
            textfont={"size": 12, "color": palette.muted},
            hovertemplate="no wheel lifted up to %{x:.1f}°<extra></extra>",
            name=f"no lift, {side}",
        )


def _add_limit(
    figure: go.Figure,
    document: Document,
    palette: Palette,
    side: str,
    axes: tuple[str, str],
) -> None:
    """The practical limit either way of the reference."""
    for bound in _limits(document, side):
        figure.add_shape(
            type="line",
            xref=axes[0],
            yref=f"{axes[1]} domain",
            x0=bound,
            x1=bound,
            y0=0,
            y1=1,
            line={"color": palette.ink, "width": 1.5, "dash": "dash"},
        )
