"""Below the traces: moments, the pin and its differences, bookmarks, notes, values as a table."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import urlencode

import dash_mantine_components as dmc
from dash import html
from dash.development.base_component import Component

from dashboard.access.visit import may_change
from dashboard.figures.moments import SIGN_OF_KIND, WORDS_OF_KIND, Moment
from dashboard.figures.readings import Readings
from dashboard.figures.units import Units
from dashboard.figures.words import angle_words, clock_words
from dashboard.pages.attributes import aria
from dashboard.pages.inert import Inert
from dashboard.pages.replay_notes import notes_panel
from dashboard.pages.replay_parts import seek_button
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.recording.run import Run

_EXPORTS = (("csv", "CSV"), ("xlsx", "Excel"), ("mat", "MATLAB"), ("parquet", "Parquet"))


def tools_card(run: Run) -> Component:
    """The card, still without what was found."""
    panels = (
        ("moments", "Moments", html.Div(html.P("Looking …", className="muted"), id="moments")),
        ("pin", "Pin", Inert(_pin())),
        ("marks", "Bookmarks", Inert(_marks())),
        ("notes", "Notes", notes_panel(run)),
        ("table", "Table, export", html.Div([Inert(_exports(run)), _table_place()])),
    )
    tabs = dmc.TabsList([dmc.TabsTab(words, value=value) for value, words, _ in panels])
    return html.Section(
        dmc.Tabs(
            [tabs, *(dmc.TabsPanel(content, value=value) for value, _, content in panels)],
            value="moments",
            id="replay-tools",
            keepMounted=True,
        ),
        className="card tools-card",
    )


def _table_place() -> Component:
    return html.Div(id="moments-table", className="wide-table")


def _exports(run: Run) -> Component:
    if not may_change():
        return html.P("Locked: a witness exports nothing.", className="why-locked small")
    links = [
        html.A(
            words,
            href=f"/export?{urlencode({'run': run.header.run_id, 'format': name})}",
            className="button",
            download="",
        )
        for name, words in _EXPORTS
    ]
    return html.Div([html.Span("All readings as", className="muted"), *links], className="row")


def _pin() -> Component:
    return html.Div(
        [
            html.P(
                "A pin stays where it is put. The table compares it with the moment that is shown.",
                className="muted small",
            ),
            html.Div(
                [
                    html.Button("Pin this moment", id="pin-here", className="button"),
                    html.Button("Swap", id="pin-swap", className="button"),
                    html.Button("Take the pin away", id="pin-away", className="button"),
                ],
                className="row",
            ),
            html.Div(id="pin-table", className="wide-table", **aria(live="off")),
        ]
    )


def _marks() -> Component:
    return html.Div(
        [
            html.P(
                "Bookmarks stay in this browser. The link holds them too, with the run, the time, "
                "what is seen of it, the pin and the run laid over.",
                className="muted small",
            ),
            html.Div(
                [
                    html.Button("Bookmark this moment", id="mark-here", className="button"),
                    html.Button("Copy the link", id="copy-link", className="button"),
                    html.Span(id="copy-said", className="muted small", role="status"),
                ],
                className="row",
            ),
            html.Div(id="marks", className="moments"),
        ]
    )


def moment_list(moments: Sequence[Moment], *, whole: bool) -> Component:
    """What was found, each a button that goes there.

    Args:
        moments: what was found.
        whole: whether the result is among it.
    """
    if not moments:
        words = "Nothing was found in this run." if whole else "Looking …"
        return html.P(words, className="muted")
    return html.Div([_moment(m) for m in moments], className="moments")


def _moment(moment: Moment) -> Component:
    return seek_button(
        moment.t_s,
        [
            html.Span(clock_words(moment.t_s), className="when"),
            html.Span(
                [
                    html.Span(SIGN_OF_KIND[moment.kind], className="sign", **aria(hidden="true")),
                    WORDS_OF_KIND[moment.kind],
                ],
                className=f"kind {moment.kind}",
            ),
            html.Bdi(moment.words, className="what"),
        ],
    )


def moments_table(moments: Sequence[Moment], readings: Readings, units: Units) -> Component:
    """The readings at each moment as a table, for those who don't see the traces."""
    heads = (
        "Time, s",
        "Moment",
        "Slew",
        f"Load, {units.mass.unit}",
        f"Radius, {units.length.unit}",
        f"Load × radius, {units.moment.unit}",
        "Wheels lifted",
    )
    rows = [html.Tr([html.Td(cell) for cell in _values(m, readings, units)]) for m in moments]
    return html.Table(
        [
            html.Caption("The last readings at each moment", className="muted small"),
            html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])),
            html.Tbody(rows),
        ]
    )


def _values(moment: Moment, readings: Readings, units: Units) -> tuple[str, ...]:
    t_ns = round(moment.t_s * 1e9)
    load_kg, radius_m = readings.load_at(t_ns), readings.radius_at(t_ns)
    both = load_kg is not None and radius_m is not None
    moment_nm = load_kg * STANDARD_GRAVITY_MPS2 * radius_m if both else None  # type: ignore[operator]
    lifted = [w.name.replace("_", " ") for w in readings.wheels if w.state_at(t_ns) == "open"]
    return (
        f"{moment.t_s:.3f}",
        WORDS_OF_KIND[moment.kind],
        angle_words(readings.slew_at(t_ns)),
        _bare(units.mass.words(load_kg)),
        _bare(units.length.words(radius_m)),
        _bare(units.moment.words(moment_nm)),
        ", ".join(lifted) or "none",
    )


def _bare(words: str) -> str:
    """A number without its unit, which the column's head gives."""
    return words.rsplit("\u202f", 1)[0]
