"""What a fleet's runs allow at each slew angle: percentages, and how many runs were tested there.

The circle is cut into cells of equal width. In each, the sectors of all runs that cover its middle
are taken: the median percentage, the stretch that holds the middle nine tenths of the runs, the
least; and beneath, the share of runs with full capacity, with less, and untested. Percentages are
of the tested runs only; a run without a sector there is untested.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboard.figures.palette import FONT, Palette, see_through
from dashboard.figures.trace_rows import line_style
from dashboard.figures.words import angle_words, number_words

CELL_DEG = 5.0
_MIDDLES_DEG = np.arange(CELL_DEG / 2, 180.0, CELL_DEG)
_LOW, _HIGH = 0.05, 0.95
_FULL = 100.0
_ROW_PX, _SHARE_PX, _GAP_PX, _TOP_PX = 210, 110, 40, 30
_BOTTOM_PX, _NARROW_BOTTOM_PX = 100, 160

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SectorTable:
    """Sectors of one side of many runs; angles from over the rear, deg, 0 to 180.

    Attributes:
        from_deg: where each begins, shape (n,).
        to_deg: where it ends, shape (n,).
        percent: of the required moment, shape (n,); 0 where untested.
        runs: how many runs have it, shape (n,).
    """

    from_deg: Values
    to_deg: Values
    percent: Values
    runs: Values


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """All runs at each cell's middle, from the left side's end over the rear to the right's.

    Attributes:
        slew_deg: middles of the cells, signed, shape (n,).
        low: 5th percentile of the percentages, shape (n,); NaN where no run was tested.
        median: the median.
        high: 95th percentile.
        least: the least.
        full: share of the runs with full capacity, 0 to 1.
        reduced: share with less.
        untested: share without a test.
        runs: how many runs there are.
    """

    slew_deg: Values
    low: Values
    median: Values
    high: Values
    least: Values
    full: Values
    reduced: Values
    untested: Values
    runs: int


def around(right: SectorTable, left: SectorTable, *, runs: int) -> Around:
    """What many runs allow all the way round.

    Args:
        right: sectors of the right side.
        left: of the left.
        runs: how many runs they are of.
    """
    cells = [
        *(_cell(left, float(m), runs) for m in _MIDDLES_DEG[::-1]),
        *(_cell(right, float(m), runs) for m in _MIDDLES_DEG),
    ]
    names = ("low", "median", "high", "least", "full", "reduced", "untested")
    columns = dict(zip(names, np.array(cells).T, strict=True))
    slew_deg = np.concatenate((-_MIDDLES_DEG[::-1], _MIDDLES_DEG))
    return Around(slew_deg=slew_deg, runs=runs, **columns)


def _cell(sectors: SectorTable, middle_deg: float, runs: int) -> tuple[float, ...]:
    here = (sectors.from_deg <= middle_deg) & (middle_deg < sectors.to_deg) & (sectors.percent > 0)
    percent, counts = sectors.percent[here], sectors.runs[here]
    tested = float(counts.sum())
    if not tested:
        return (np.nan, np.nan, np.nan, np.nan, 0.0, 0.0, 1.0)
    order = np.argsort(percent)
    reached = np.cumsum(counts[order])
    # The percentage that so many of the runs have at most.
    places = np.searchsorted(reached, np.array((_LOW, 0.5, _HIGH)) * tested)
    low, median, high = percent[order][places]
    full = float(counts[percent >= _FULL].sum()) / runs
    share = tested / runs
    return (low, median, high, percent.min(), full, share - full, 1 - share)


def around_figure(found: Around, palette: Palette, *, narrow: bool = False) -> go.Figure:
    """Draws it: percentages above, shares of runs beneath.

    Args:
        found: all runs at each angle.
        palette: colours.
        narrow: for a screen of a hand's breadth.
    """
    return go.Figure(
        data=[*_percentages(found, palette), *_shares(found, palette)],
        layout=_layout(found, palette, narrow=narrow),
    )


def around_summary(found: Around) -> str:
    """The figure in sentences, for those who don't see it."""
    if not np.isfinite(found.median).any():
        return "No run of this choice was tested at any angle."
    worst = int(np.nanargmin(found.median))
    least = int(np.nanargmin(found.least))
    rear = found.full[np.abs(found.slew_deg) < CELL_DEG].mean()
    return (
        f"Over the rear {number_words(100 * float(rear), '%')} of the runs have full capacity. "
        f"The median is lowest at {angle_words(float(found.slew_deg[worst]), digits=0)}: "
        f"{number_words(float(found.median[worst]), '%')}. The least of all tested runs is "
        f"{number_words(float(found.least[least]), '%')}, at "
        f"{angle_words(float(found.slew_deg[least]), digits=0)}."
    )


def _percentages(found: Around, palette: Palette) -> Iterator[go.Scatter]:
    tested = np.isfinite(found.median)
    x, low, high = found.slew_deg[tested], found.low[tested], found.high[tested]
    yield go.Scatter(
        x=np.concatenate((x, x[::-1])).tolist(),
        y=np.concatenate((high, low[::-1])).tolist(),
        mode="lines",
        fill="toself",
        fillcolor=see_through(palette.data, 0.22),
        line={"width": 0.8, "color": palette.data, "dash": "dot"},
        hoverinfo="skip",
        name="middle nine tenths of the runs",
    )
    yield go.Scatter(
        x=x.tolist(),
        y=found.least[tested].tolist(),
        mode="lines",
        line={"color": palette.abnormal_ink, "width": 1.5, "dash": "dash"},
        hoverinfo="skip",
        name="least of all",
    )
    yield go.Scatter(
        x=x.tolist(),
        y=found.median[tested].tolist(),
        mode="lines",
        line={"color": palette.data, "width": 3},
        text=[
            f"{angle_words(a, digits=0)}<br>median {m:.0f} %<br>nine tenths from {lo:.0f} to "
            f"{hi:.0f} %<br>least {n:.0f} %"
            for a, m, lo, hi, n in zip(
                x.tolist(), found.median[tested], low, high, found.least[tested], strict=True
            )
        ],
        hoverinfo="text",
        name="median",
    )


def _shares(found: Around, palette: Palette) -> Iterator[go.Bar]:
    for name, share, fill, ink, pattern in (
        ("full capacity", found.full, palette.safe, palette.safe_ink, ""),
        ("reduced", found.reduced, palette.abnormal, palette.abnormal_ink, "/"),
        ("untested: no lifting", found.untested, palette.barred, palette.barred_ink, "x"),
    ):
        yield go.Bar(
            x=found.slew_deg.tolist(),
            y=(100 * share).tolist(),
            width=CELL_DEG,
            yaxis="y2",
            marker={
                "color": fill,
                "line": {"color": ink, "width": 0.5},
                "pattern": {
                    "shape": pattern,
                    "fgcolor": ink,
                    "bgcolor": fill,
                    "size": 7,
                    "solidity": 0.15,
                },
            },
            text=[
                f"{angle_words(a, digits=0)}<br>{number_words(100 * s, '%')} of the runs: {name}"
                for a, s in zip(found.slew_deg.tolist(), share.tolist(), strict=True)
            ],
            textposition="none",
            hoverinfo="text",
            name=name,
        )


def _layout(found: Around, palette: Palette, *, narrow: bool) -> dict[str, Any]:
    bottom = _NARROW_BOTTOM_PX if narrow else _BOTTOM_PX
    inner = _ROW_PX + _GAP_PX + _SHARE_PX
    axis = line_style(palette) | {"zeroline": False, "fixedrange": True}
    ticks = range(-180, 181, 90 if narrow else 45)
    tested = np.isfinite(found.least)
    low = float(found.least[tested].min(initial=100.0))
    high = float(found.high[tested].max(initial=100.0))
    titles = (
        (1.0, "Percentage of the required moment", "  of the runs tested there"),
        (_SHARE_PX / inner, "Share of the runs, %", ""),
    )
    return {
        "template": "none",
        "font": {"family": FONT, "size": 12 if narrow else 13, "color": palette.ink},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "height": _TOP_PX + inner + bottom,
        "margin": {"l": 46, "r": 34, "t": _TOP_PX, "b": bottom},
        "barmode": "stack",
        "hovermode": "closest",
        "legend": {
            "orientation": "h",
            "traceorder": "normal",
            "x": 0,
            "y": -0.12,
            "yanchor": "top",
            "font": {"size": 12},
        },
        "xaxis": axis
        | {
            "range": [-180, 180],
            "tickvals": list(ticks),
            "ticktext": [_tick(a) for a in ticks],
            "anchor": "y2",
        },
        "yaxis": axis
        | {
            "domain": [(_SHARE_PX + _GAP_PX) / inner, 1],
            "range": [max(0.0, 10 * np.floor(low / 10) - 10), high * 1.03],
            "nticks": 6,
        },
        "yaxis2": axis | {"domain": [0, _SHARE_PX / inner], "range": [0, 100], "nticks": 3},
        "annotations": [
            {
                "text": f"<b>{words}</b>" if narrow else f"<b>{words}</b>{more}",
                "xref": "paper",
                "yref": "paper",
                "x": 0,
                "y": top,
                "xanchor": "left",
                "yanchor": "bottom",
                "yshift": 4,
                "showarrow": False,
            }
            for top, words, more in titles
        ],
    }


def _tick(slew_deg: int) -> str:
    if slew_deg == 0:
        return "0° rear"
    if abs(slew_deg) == 180:
        return "180° cab"
    return f"{abs(slew_deg)}° {'right' if slew_deg > 0 else 'left'}"
