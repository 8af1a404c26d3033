"""The crane's load chart on a result's page: what is left of it in each sector."""

from __future__ import annotations

import asyncio
from typing import Any
from urllib.parse import quote

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.capacity.sectors.load_chart import (
    CAUTION,
    derated_csv,
)
from dashboard.figures.derated_chart import CONVERTED, DeratedChart, derated_chart
from dashboard.figures.load_chart import load_chart_figure, load_chart_summary
from dashboard.figures.palette import palette_of
from dashboard.figures.sectors_of_result import Sector, sectors_of
from dashboard.figures.units import units_of
from dashboard.figures.words import plain_number
from dashboard.load_charts import chart_of
from dashboard.pages.attributes import aria
from dashboard.pages.inert import Inert
from dashboard.run_library import RunLibrary
from dashboard.shelf.analyses import Result
from logger.errors import FileInvalid
from logger.readings.load_chart import LoadChart
from logger.recording.run import Run

_CONFIG: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True}
_HOW_TO_ADD = (
    "This run has no load chart of the crane. To have it derated for each sector, put it beside "
    'the test file as a table with the first line "radius m,load kg" and name it there: '
)


def load_chart_card(run: Run, result: Result) -> Component:
    """The card with the derated chart, or with what to do to have one."""
    try:
        chart = chart_of(run)
    except FileInvalid as exc:
        words = html.P(["✖ ", html.Bdi(str(exc))], className="invalid")
        return _card(html.P("The load chart of this run can't be used:"), words)
    if chart is None:
        return _card(
            html.P([_HOW_TO_ADD, html.Code('[crane] chart = "chart.csv"')], className="muted")
        )
    sectors = sectors_of(result)
    return _card(
        _choice(chart),
        html.Figure(
            [
                html.Div(id="load-chart-frame", className="load-chart"),
                html.Figcaption(html.P(load_chart_summary(sectors)), className="muted small"),
            ],
            **aria(label="Derated load chart"),
        ),
        # What scrolls sideways must be reached by the keyboard.
        html.Div(
            id="load-chart-table",
            className="wide-table",
            tabIndex="0",
            role="region",
            **aria(label="Derated load chart as a table"),
        ),
        *(
            html.P([html.Strong("▲ Caution "), html.Bdi(doubt)], className="small")
            for doubt in chart.doubts
        ),
        html.P([html.Strong("▲ Caution "), CAUTION], className="muted small"),
        _download(run, chart, sectors),
    )


def register_load_chart(app: dash.Dash, library: RunLibrary) -> None:
    """Adds the callback that draws the chart for the boom length that is chosen."""

    @app.callback(
        Output("load-chart-frame", "children"),
        Output("load-chart-table", "children"),
        Input("load-chart-length", "value"),
        Input("screen", "data"),
        State("sectors-run", "data"),
        State("units", "value"),
    )
    @reading
    async def draw(
        chosen: str | None, screen: dict[str, Any] | None, run_id: str | None, units: str | None
    ) -> tuple[Component, Component]:
        run = await asyncio.to_thread(library.find, run_id) if run_id else None
        if run is None or not screen:
            raise PreventUpdate
        chart = chart_of(run)
        if chart is None:
            raise PreventUpdate
        sectors = sectors_of(await asyncio.wrap_future(library.result(run)))
        length_m, read_in = _length_m(chart, chosen), units_of(units)
        figure = load_chart_figure(
            chart,
            sectors,
            palette_of(screen["scheme"]),
            units=read_in,
            boom_length_m=length_m,
            narrow=screen["narrow"],
        )
        graph = dcc.Graph(id="load-chart", figure=figure, config=_CONFIG, className="load-chart")
        return graph, _table(derated_chart(chart, sectors, read_in, boom_length_m=length_m))


def _card(*parts: Component) -> Component:
    return html.Section(
        [html.H2("Load chart"), *parts], className="card load-chart-card", id="load-chart-card"
    )


def _choice(chart: LoadChart) -> Component:
    """The choice of a boom length; kept out of sight where there is nothing to choose."""
    unit, lengths_m = chart.length_unit, chart.boom_lengths_m
    choices = [
        {"value": str(i), "label": f"{plain_number(unit.of(x))} {unit.name}"}
        for i, x in enumerate(lengths_m)
    ]
    hidden = {} if len(choices) > 1 else {"display": "none"}
    choice: Component = dmc.Select(
        id="load-chart-length",
        label="Boom length",
        data=choices,
        value="0" if choices else None,
        allowDeselect=False,
        size="md",
        w=180,
        style=hidden,
    )
    return choice


def _length_m(chart: LoadChart, chosen: str | None) -> float | None:
    lengths_m = chart.boom_lengths_m
    if not lengths_m:
        return None
    index = int(chosen) if chosen is not None and chosen.isdecimal() else 0
    return lengths_m[min(index, len(lengths_m) - 1)]


def _table(chart: DeratedChart | None) -> Component:
    """What is left stands first, so that a narrow screen does not hide it behind what was."""
    if chart is None:
        return html.P("No sector allows any lifting, so nothing of the crane's chart is left.")
    unit = f", {chart.load_unit}"
    headings = [
        html.Th(f"Radius, {chart.length_unit}", scope="col"),
        *(
            html.Th([share, unit, html.Small(places)], scope="col")
            for share, places in zip(chart.shares, chart.places, strict=True)
        ),
        html.Th(["Maker's chart", unit], scope="col", className="makers"),
    ]
    rows = [
        html.Tr(
            [
                html.Th(row.radius, scope="row", className="numeral"),
                *(html.Td(load, className="numeral") for load in row.loads),
                html.Td(row.makers, className="numeral makers"),
            ]
        )
        for row in chart.rows
    ]
    table = html.Table([html.Thead(html.Tr(headings)), html.Tbody(rows)], className="loads")
    return Inert(table, *([html.P(CONVERTED, className="muted small")] if chart.converted else []))


def _download(run: Run, chart: LoadChart, sectors: tuple[Sector, ...]) -> Component:
    text = derated_csv(chart, sectors)
    return html.P(
        html.A(
            "Save as CSV",
            href=f"data:text/csv;charset=utf-8,{quote(text)}",
            download=f"{run.header.run_id}-load-chart.csv",
            className="button",
        )
    )
