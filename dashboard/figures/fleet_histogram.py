"""How a quantity is spread over a fleet: a row of bars for each side, over the same scale.

Runs without a value are no part of the spread, and are not dropped either: how many there are
stands beside the bars, to the right of the scale, hatched and named.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboard.figures.palette import FONT, Palette
from dashboard.figures.trace_rows import line_style, row_title
from dashboard.figures.words import number_words, plain_number

_WIDTHS = (0.5, 1.0, 2.0, 5.0, 10.0)
_FEWEST_BARS, _MOST_BARS = 7, 36
_ROW_PX, _GAP_PX, _TOP_PX, _BOTTOM_PX = 120, 34, 26, 46
HEIGHT_PX = 2 * _ROW_PX + _GAP_PX + _TOP_PX + _BOTTOM_PX
_SLOT = 0.07
"""Room for one count beside the bars, as a share of the scale."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """The values of one side.

    Attributes:
        side: ``right`` or ``left``.
        values: finite, shape (n,), sorted.
        beside: runs without a value: why, and how many; those of no run are left out.
    """

    side: str
    values: NDArray[np.float64]
    beside: tuple[tuple[str, int], ...] = ()

    def quantiles(self) -> tuple[float, ...]:
        """Least, first quartile, median, third quartile and greatest; empty without values."""
        if not self.values.size:
            return ()
        return tuple(float(v) for v in np.quantile(self.values, (0, 0.25, 0.5, 0.75, 1)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bars:
    """Counts over stretches of equal width, closed at their lower end.

    Attributes:
        edges: shape (n + 1,).
        counts: by side, shape (n,) each.
    """

    edges: NDArray[np.float64]
    counts: tuple[NDArray[np.int64], ...]

    @property
    def width(self) -> float:
        """Of a bar."""
        return float(self.edges[1] - self.edges[0])


def bars_of(spreads: Sequence[Spread], *, least_width: float = 0.5) -> Bars | None:
    """Counts of all sides over the same stretches; None without any value.

    A stretch is as wide as a round number that makes some thirty bars at most, and fewer of few
    values. Multiples of the width are edges, so 100 % never shares its bar with 99 %.

    Args:
        spreads: of each side.
        least_width: of a bar: the step in which values are told.
    """
    values = np.concatenate([s.values for s in spreads]) if spreads else np.empty(0)
    if not values.size:
        return None
    low, high = float(values.min()), float(values.max())
    bars = min(max(2 * values.size**0.5, _FEWEST_BARS), _MOST_BARS)
    rough = max((high - low) / bars, least_width)
    width = next((w for w in _WIDTHS if w >= rough), 10.0 ** np.ceil(np.log10(rough)))
    first, last = np.floor(low / width), np.floor(high / width) + 1
    edges = np.arange(first, last + 1) * width
    return Bars(edges=edges, counts=tuple(np.histogram(s.values, edges)[0] for s in spreads))


def histogram_figure(
    spreads: Sequence[Spread],
    palette: Palette,
    *,
    bars: Bars | None,
    unit: str,
    title: str,
    narrow: bool = False,
) -> go.Figure:
    """Draws the spread of two sides, one above the other.

    Args:
        spreads: of each side.
        palette: colours.
        bars: counts of them, as :func:`bars_of` gives them.
        unit: sign of the values' unit.
        title: what the scale shows.
        narrow: for a screen of a hand's breadth.
    """
    if bars is None:
        bars = Bars(edges=np.array([0.0, 1.0]), counts=tuple(np.zeros(1, int) for _ in spreads))
    names = tuple(dict.fromkeys(name for s in spreads for name, _ in s.beside))
    span = float(bars.edges[-1] - bars.edges[0])
    slot = span * (_SLOT * 2 if narrow else _SLOT)
    places = {n: float(bars.edges[-1]) + slot * (i + 1) for i, n in enumerate(names)}
    data: list[go.Bar] = []
    for row, spread in enumerate(spreads):
        data += _row(bars, row, palette, unit=unit)
        data += _beside(spread, row, places, palette, width=slot * 0.6)
    high = max(
        [int(c.max(initial=0)) for c in bars.counts] + [n for s in spreads for _, n in s.beside]
    )
    end = max(places.values(), default=float(bars.edges[-1])) + slot * 0.5
    layout = _layout(spreads, palette, high=high, narrow=narrow)
    layout["xaxis"] |= {
        "range": [float(bars.edges[0]) - span * 0.01, end],
        **_ticks(bars, places, unit, narrow=narrow),
        "title": {"text": title, "standoff": 6, "font": {"size": 13}},
    }
    return go.Figure(data=data, layout=layout)


def histogram_summary(spread: Spread, *, what: str, digits: int, unit: str) -> str:
    """One side in a sentence, for those who don't see the figure.

    Args:
        spread: of the side.
        what: what a value is: ``first lift``.
        digits: digits after the point.
        unit: sign of the unit, with the space before it where it has one.
    """

    def words(value: float) -> str:
        return f"{number_words(value, '', digits=digits)}{unit}"

    beside = "; ".join(f"{n:,} {why}".replace(",", "\u202f") for why, n in spread.beside)
    count = f"{spread.values.size:,}".replace(",", "\u202f")
    text = f"{spread.side.capitalize()}: {count} {'run' if count == '1' else 'runs'} with {what}"
    found = spread.quantiles()
    if found:
        least, lower, median, upper, most = found
        text += f", median {words(median)}"
        if spread.values.size > 1:
            text += (
                f", the middle half from {words(lower)} to {words(upper)}, "
                f"all from {words(least)} to {words(most)}"
            )
    return f"{text}; beside them {beside}." if beside else f"{text}."


def _row(bars: Bars, row: int, palette: Palette, *, unit: str) -> Iterator[go.Bar]:
    counts, left = bars.counts[row], bars.edges[:-1]
    shown = counts > 0
    sign = unit if unit == "°" else f"\u202f{unit}"
    yield go.Bar(
        x=(left + bars.width / 2)[shown].tolist(),
        y=counts[shown].tolist(),
        width=bars.width,
        yaxis=_axis(row),
        marker={"color": palette.data, "line": {"color": palette.ground, "width": 1}},
        text=[
            f"{_runs(int(n))}<br>{plain_number(float(a))}{sign} to under "
            f"{plain_number(float(a) + bars.width)}{sign}"
            for a, n in zip(left[shown], counts[shown], strict=True)
        ],
        textposition="none",
        hoverinfo="text",
    )


def _beside(
    spread: Spread, row: int, places: dict[str, float], palette: Palette, *, width: float
) -> Iterator[go.Bar]:
    if spread.beside:
        yield go.Bar(
            x=[places[name] for name, _ in spread.beside],
            y=[n for _, n in spread.beside],
            width=width,
            yaxis=_axis(row),
            marker={
                "color": palette.barred,
                "line": {"color": palette.barred_ink, "width": 1.2},
                "pattern": {
                    "shape": "/",
                    "fgcolor": palette.barred_ink,
                    "bgcolor": palette.barred,
                    "size": 7,
                    "solidity": 0.15,
                },
            },
            text=[f"{n:,}".replace(",", "\u202f") for _, n in spread.beside],
            textposition="outside",
            textfont={"size": 12, "color": palette.ink},
            textangle=0,
            constraintext="none",
            cliponaxis=False,
            hovertext=[f"{_runs(n)}<br>{name}" for name, n in spread.beside],
            hoverinfo="text",
        )


def _runs(count: int) -> str:
    return f"{count:,} {'run' if count == 1 else 'runs'}".replace(",", "\u202f")


def _axis(row: int) -> str:
    return "y" if row == 0 else f"y{row + 1}"


def _ticks(
    bars: Bars, places: dict[str, float], unit: str, *, narrow: bool
) -> dict[str, list[Any]]:
    """Round numbers along the scale, and the names of what stands beside it."""
    about = 4 if narrow else 8
    every = max(1, int(np.ceil((bars.edges.size - 1) / about)))
    values = [float(v) for v in bars.edges[::every]]
    signs = [f"{plain_number(v)}{unit if unit == '°' else ''}" for v in values]
    names = [name.replace(" ", "<br>") for name in places]
    return {"tickvals": [*values, *places.values()], "ticktext": [*signs, *names]}


def _layout(
    spreads: Sequence[Spread], palette: Palette, *, high: int, narrow: bool
) -> dict[str, Any]:
    inner = HEIGHT_PX - _TOP_PX - _BOTTOM_PX
    axis = line_style(palette) | {"zeroline": False, "fixedrange": True}
    layout: dict[str, Any] = {
        "template": "none",
        "font": {"family": FONT, "size": 12 if narrow else 13, "color": palette.ink},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "height": HEIGHT_PX,
        "margin": {"l": 46, "r": 8, "t": _TOP_PX, "b": _BOTTOM_PX + 8},
        "showlegend": False,
        "barmode": "overlay",
        "hovermode": "closest",
        "xaxis": axis | {"showgrid": False, "anchor": _axis(len(spreads) - 1)},
        "annotations": [],
    }
    for row, spread in enumerate(spreads):
        top = 1 - row * (_ROW_PX + _GAP_PX) / inner
        layout["yaxis" if row == 0 else f"yaxis{row + 1}"] = axis | {
            "domain": [max(0.0, top - _ROW_PX / inner), top],
            "range": [0, max(high, 1) * 1.18],
            "nticks": 4,
            "tickformat": ",d",
            "rangemode": "tozero",
        }
        layout["annotations"].append(
            row_title(f"<b>{spread.side.capitalize()} side</b>", top, palette)
        )
    return layout
