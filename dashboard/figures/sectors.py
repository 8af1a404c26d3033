"""The sectors seen from above: what the truck may carry in which direction.

Cab at the top. Every sector has its percentage and its basis written in it or beside it, and a
hatch of its own kind; its bounds stand in degrees. Over the cab both sides meet in one stretch
without lifting. The figure says the same in black and white.
"""

from __future__ import annotations

import plotly.graph_objects as go

from dashboard.figures.palette import FONT, Palette
from dashboard.figures.sector_ring import lift_marks, seam, truck_shapes, wedge
from dashboard.figures.sector_words import NARROW, WIDE, sector_words, stands_beside
from dashboard.figures.sectors_of_result import Result, sectors_of


def sectors_figure(result: Result, palette: Palette, *, narrow: bool = False) -> go.Figure:
    """Draws the sectors of a result.

    Args:
        result: the result.
        palette: colours.
        narrow: for a screen of a hand's breadth: smaller words.
    """
    sizes = NARROW if narrow else WIDE
    sectors = sectors_of(result)
    beside = any(stands_beside(s, sizes) for s in sectors)
    half_width = sizes.half_width_beside if beside else sizes.half_width
    hidden = {"visible": False, "fixedrange": True}
    layout = go.Layout(
        template="none",
        font={"family": FONT, "size": 14, "color": palette.ink},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        height=sizes.height_px,
        margin={"l": 4, "r": 4, "t": 4, "b": 4},
        showlegend=False,
        hovermode="closest",
        dragmode=False,
        shapes=[*truck_shapes(palette)],
        annotations=[*sector_words(sectors, palette, sizes)],
        xaxis=hidden | {"range": [-half_width, half_width]},
        yaxis=hidden | {"range": [-1.2, 1.42], "scaleanchor": "x", "scaleratio": 1},
    )
    return go.Figure(
        data=[
            *(wedge(s, palette) for s in sectors),
            *seam(sectors, palette),
            *lift_marks(result, palette),
        ],
        layout=layout,
    )
