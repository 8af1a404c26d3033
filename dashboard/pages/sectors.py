"""The result of a run: the verdict, the sectors seen from above, and all that they rest on."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

import dash
from dash import Input, Output, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.access.visit import may_change
from dashboard.figures.palette import palette_of
from dashboard.figures.sectors import sectors_figure
from dashboard.figures.sectors_of_result import Sector, sectors_of, sectors_summary
from dashboard.figures.words import SIGN_OF_BASIS, angle_words, plain_number
from dashboard.pages.attributes import aria
from dashboard.pages.budgets import budgets_card
from dashboard.pages.compare_choice import compare_address
from dashboard.pages.findings import findings_card
from dashboard.pages.inert import Inert
from dashboard.pages.load_chart import load_chart_card, register_load_chart
from dashboard.pages.moment_link import moment_link
from dashboard.pages.page import Page, Query
from dashboard.pages.proof import proof_card
from dashboard.pages.runs_rows import address
from dashboard.pages.sweeps import lift_words, sweeps_card
from dashboard.pages.title import run_title
from dashboard.pages.truck_model import model_card, register_model
from dashboard.pages.verdict import FINDINGS_ID, verdict_card
from dashboard.pages.what_if import register_what_if, what_if_card
from dashboard.run_library import RunLibrary
from dashboard.shelf.analyses import Result, failure_words
from logger.recording.run import Run

_CONFIG: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True}
_CAUTION = (
    "A sector holds for this truck with this crane as they stood in the test. "
    "Where it says no lifting, nothing was proved."
)


_EXPORTS = (
    ("XLSX, result and readings each 0.1 s", {"format": "xlsx", "every": "0.1 s"}),
    ("CSV, every reading, zipped", {"format": "csv"}),
    ("MAT, every reading", {"format": "mat"}),
    ("Parquet, every reading", {"format": "parquet"}),
)
_PARTS = (
    ("proof", "Proof"),
    (FINDINGS_ID, "Findings"),
    ("truck-model", "Truck model"),
    ("uncertainty", "Uncertainty"),
    ("load-chart-card", "Load chart"),
    ("what-if", "What if"),
    ("sweeps", "Sweeps"),
)


def layout(library: RunLibrary, run: Run | None, query: Query) -> Component:
    """The page."""
    if run is None:
        raise PreventUpdate
    future = library.result(run)
    failure = failure_words(future)
    if failure:
        return html.Div(
            [
                run_title(run, "Sectors"),
                html.Section(
                    [html.H2("This run could not be analysed"), html.P(html.Bdi(failure))],
                    className="card empty",
                ),
            ]
        )
    result = future.result()
    return html.Div(
        [
            dcc.Store(id="sectors-run", data=run.header.run_id),
            Inert(
                run_title(run, "Sectors"), verdict_card(result, query.units), _ways_on(run, query)
            ),
            html.Div([_figure(result), Inert(_numbers(run, result))], className="result"),
            Inert(proof_card(run, result, query.units), findings_card(run, result, query.units)),
            model_card(run, result, query.units),
            budgets_card(result, query.units),
            load_chart_card(run, result),
            what_if_card(run),
            Inert(sweeps_card(run, result, query.units)),
        ]
    )


def _register(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output("sectors-frame", "children"), Input("sectors-run", "data"), Input("screen", "data")
    )
    @reading
    async def draw(run_id: str | None, screen: dict[str, Any] | None) -> Component:
        run = await asyncio.to_thread(library.find, run_id) if run_id else None
        if run is None or not screen:
            raise PreventUpdate
        result = await asyncio.wrap_future(library.result(run))
        figure = sectors_figure(result, palette_of(screen["scheme"]), narrow=screen["narrow"])
        return dcc.Graph(id="sectors", figure=figure, config=_CONFIG, className="sectors")

    register_load_chart(app, library)
    register_what_if(app, library)
    register_model(app, library)


PAGE = Page(path="/sectors", of_run=True, layout=layout, register=_register)


def _ways_on(run: Run, query: Query) -> Component:
    """What to do with the result, and where on this page its parts stand."""
    paper = "letter" if query.units.name == "us" else "a4"
    sheet = {"run": run.header.run_id, "units": query.units.name, "paper": paper}
    return html.Div(
        [
            html.A(
                "Record and placard, PDF",
                href=f"/sheet?{urlencode(sheet)}",
                className="button main",
            ),
            _exports(run, query.units.name),
            dcc.Link("Plan from this test", href=address("/plan", run), className="button"),
            dcc.Link(
                "Compare with other runs",
                href=compare_address([run.header.run_id]),
                className="button",
            ),
            html.Nav(
                [html.A(words, href=f"#{place}") for place, words in _PARTS],
                className="parts",
                **aria(label="Parts of this page"),
            ),
        ],
        className="actions",
    )


def _exports(run: Run, units: str) -> Component:
    """Files for other programs, each a download."""
    if not may_change():
        return html.Span("Locked: a witness exports nothing.", className="why-locked small")
    links = [
        html.A(
            words,
            href=f"/export?{urlencode({'run': run.header.run_id, 'units': units} | asked)}",
            className="button",
        )
        for words, asked in _EXPORTS
    ]
    return html.Details(
        [html.Summary("Export", className="button"), html.Div(links, className="view-menu")],
        className="view",
    )


def _figure(result: Result) -> Component:
    return html.Section(
        html.Figure(
            [
                html.Div(id="sectors-frame", className="sectors"),
                html.Figcaption(
                    [
                        html.P(sectors_summary(result)),
                        html.P([html.Strong("▲ Caution "), _CAUTION]),
                    ],
                    className="muted small",
                ),
            ],
            **aria(label="Sectors seen from above"),
        ),
        className="card",
    )


def _numbers(run: Run, result: Result) -> Component:
    return html.Section(
        [
            html.H2("Sectors"),
            _sector_table(sectors_of(result)),
            *_over_the_cab(result),
            html.H2("First lifts"),
            _first_lifts(run, result),
        ],
        className="card",
    )


def _sector_table(sectors: tuple[Sector, ...]) -> Component:
    if not sectors:
        return html.P("Nothing was swept: no lifting anywhere.", className="strong")
    head = html.Tr([html.Th(h, scope="col") for h in ("Side", "From", "To", "Capacity", "Basis")])
    rows = [
        html.Tr(
            [
                html.Td(s.side),
                html.Td(f"{plain_number(s.from_deg)}°", className="numeral"),
                html.Td(f"{plain_number(s.to_deg)}°", className="numeral"),
                html.Td(s.words, className="numeral strong"),
                html.Td(f"{SIGN_OF_BASIS.get(s.basis, '·')} {s.basis}", className=s.basis),
            ]
        )
        for s in sectors
    ]
    return html.Table([html.Thead(head), html.Tbody(rows)], className="plain")


def _over_the_cab(result: Result) -> Iterator[Component]:
    gap = result["over_cab_gap"]
    if gap is not None and any(s["percent"] > 0 for s in result["sectors"]):
        ends = [angle_words(gap[end], digits=0) for end in ("from_deg", "to_deg")]
        yield html.P(f"Over the cab, from {ends[0]} to {ends[1]}: no lifting.", className="small")


def _first_lifts(run: Run, result: Result) -> Component:
    counting = [s for s in result["sweeps"] if s["counts"]]
    if not counting:
        return html.P("No sweep counts, so none is known.", className="strong")
    return html.Dl(
        [part for sweep in counting for part in _first_lift(run, sweep)], className="of-side"
    )


def _first_lift(run: Run, sweep: dict[str, Any]) -> tuple[Component, Component]:
    lift, side = sweep["first_lift"], html.Dt(sweep["side"].capitalize())
    if lift is None:
        return side, html.Dd(f"no wheel lifted, as far as {angle_words(sweep['reached_deg'])}")
    return side, html.Dd([*lift_words(lift), moment_link(run, lift["t_s"], about="first lift")])
