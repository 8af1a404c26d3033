"""How first lifts and percentages of a fleet are spread: figures, each with words and a table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import plotly.graph_objects as go
from dash import html
from dash.development.base_component import Component

from dashboard.figures.fleet_histogram import (
    Bars,
    Spread,
    bars_of,
    histogram_figure,
    histogram_summary,
)
from dashboard.figures.fleet_sectors import Around, around_figure, around_summary
from dashboard.figures.palette import Palette
from dashboard.figures.words import angle_words, number_words, plain_number
from dashboard.pages.attributes import aria
from dashboard.pages.fleet_reading import FleetView
from dashboard.pages.inert import Inert

LIFTS, PERCENTAGES, AROUND = "fleet-lifts", "fleet-percentages", "fleet-around"
_PERCENT_STEP = 1.0
"""Percentages are mostly rounded down to whole ones."""
_EVERY = 3
"""Every so many cells stand in the table of what is allowed around the truck."""


def spread_cards(view: FleetView) -> Iterator[Component]:
    """The cards, with empty frames for their figures."""
    yield html.Div(
        [
            _card(
                "First lift",
                LIFTS,
                [histogram_summary(s, what="a first lift", digits=1, unit="°") for s in view.lifts],
                _bins(view.lifts, bars_of(view.lifts), "°"),
                "Angles from over the rear on their side.",
            ),
            _card(
                "Least percentage",
                PERCENTAGES,
                [
                    histogram_summary(s, what="a percentage", digits=0, unit="\u202f%")
                    for s in view.percentages
                ],
                _bins(
                    view.percentages,
                    bars_of(view.percentages, least_width=_PERCENT_STEP),
                    "\u202f%",
                ),
                "The least of the sectors tested on a side, of the required moment.",
            ),
        ],
        className="two-spreads",
    )
    if view.around is not None:
        yield _card(
            "Around the truck",
            AROUND,
            [around_summary(view.around)],
            _around_table(view.around),
            "What the sectors of the runs allow at each slew angle.",
        )


def lifts_figure(view: FleetView, palette: Palette, *, narrow: bool) -> go.Figure:
    """First-lift angles of both sides."""
    title = "First lift, from over the rear"
    return histogram_figure(
        view.lifts, palette, bars=bars_of(view.lifts), unit="°", title=title, narrow=narrow
    )


def percentages_figure(view: FleetView, palette: Palette, *, narrow: bool) -> go.Figure:
    """Least percentages of both sides."""
    title = "Least percentage of a side"
    bars = bars_of(view.percentages, least_width=_PERCENT_STEP)
    return histogram_figure(
        view.percentages, palette, bars=bars, unit="%", title=title, narrow=narrow
    )


def sectors_figure(view: FleetView, palette: Palette, *, narrow: bool) -> go.Figure | None:
    """What is allowed at each angle; None without runs."""
    return None if view.around is None else around_figure(view.around, palette, narrow=narrow)


def _card(
    title: str, key: str, sentences: Sequence[str], table: Component, about: str
) -> Component:
    return html.Section(
        [
            html.H2(title),
            html.P(about, className="muted small"),
            html.Figure(
                [
                    html.Div(id=f"{key}-frame", className=f"frame {key}"),
                    html.Figcaption([html.P(s) for s in sentences], className="small"),
                ],
                **aria(label=title),
            ),
            Inert(
                html.Details(
                    [html.Summary("As a table"), html.Div(table, className="opened")],
                    className="more-numbers",
                )
            ),
        ],
        className="card",
    )


def _bins(spreads: Sequence[Spread], bars: Bars | None, sign: str) -> Component:
    rows = []
    if bars is not None:
        for i in np.flatnonzero(sum(bars.counts)).tolist():
            low = float(bars.edges[i])
            ends = f"{plain_number(low)}{sign} to under {plain_number(low + bars.width)}{sign}"
            rows.append((ends, [int(c[i]) for c in bars.counts]))
    reasons = dict.fromkeys(why for s in spreads for why, _ in s.beside)
    rows += [(why, [dict(s.beside).get(why, 0) for s in spreads]) for why in reasons]
    return _plain(
        ["Runs with", *(s.side.capitalize() for s in spreads)],
        [[words, *(number_words(n, "") for n in counts)] for words, counts in rows],
    )


def _around_table(found: Around) -> Component:
    rows = [
        [
            angle_words(float(found.slew_deg[i])),
            *(number_words(float(c[i]), "%") for c in (found.least, found.low, found.median)),
            *(
                number_words(100 * float(c[i]), "%")
                for c in (found.full, found.reduced, found.untested)
            ),
        ]
        for i in range(0, found.slew_deg.size, _EVERY)
    ]
    head = ["At", "Least", "5th of 100", "Median", "Full", "Reduced", "Untested"]
    return html.Div(
        _plain(head, rows),
        className="wide-table",
        tabIndex="0",
        role="region",
        **aria(label="What is allowed around the truck, as a table"),
    )


def _plain(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Component:
    return html.Table(
        [
            html.Thead(html.Tr([html.Th(words, scope="col") for words in head])),
            html.Tbody([html.Tr([html.Td(cell) for cell in row]) for row in rows]),
        ],
        className="bins",
    )
