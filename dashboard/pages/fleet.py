"""The fleet: how first lifts and percentages of many runs are spread, and how they drift.

The page reads the catalogue and never a run, so ten thousand runs open as fast as ten. What is
chosen stands in its address; a new choice is a new address, so a link holds it and *back* undoes
it. Words and tables come with the page; the chart follows once the screen that it is drawn on is
known, and the figures further down once they come near the window.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import partial
from typing import Any

import dash
import plotly.graph_objects as go
from dash import ClientsideFunction, Input, Output, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import changing, reading
from dashboard.figures.palette import palette_of
from dashboard.figures.units import Units, units_of
from dashboard.pages.attributes import aria
from dashboard.pages.fleet_choice import FleetChoice, read_fleet_choice
from dashboard.pages.fleet_form import FORM, form_shape
from dashboard.pages.fleet_reading import FleetView, fleet_view
from dashboard.pages.fleet_spreads import (
    AROUND,
    LIFTS,
    PERCENTAGES,
    lifts_figure,
    percentages_figure,
    sectors_figure,
    spread_cards,
)
from dashboard.pages.fleet_status import (
    MAKE,
    MAKING,
    catalogue_age,
    counts,
    no_catalogue,
    no_runs,
    set_aside,
    unusable,
)
from dashboard.pages.fleet_table import table_card
from dashboard.pages.fleet_trend_card import CHART, trend_card, trend_figure
from dashboard.pages.inert import Inert
from dashboard.pages.page import Page, Query
from dashboard.run_library import RunLibrary
from logger.errors import BadInput, SlewtraceError
from logger.recording.run import Run

_CONFIG: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True}
_SPREADS = (LIFTS, PERCENTAGES, AROUND)
_DRAWN: Mapping[str, Callable[..., go.Figure | None]] = {
    LIFTS: lifts_figure,
    PERCENTAGES: percentages_figure,
    AROUND: sectors_figure,
}


def layout(library: RunLibrary, _run: Run | None, query: Query) -> Component:
    """The page."""
    title = html.Div(
        [
            html.H1("Fleet"),
            html.P(["In ", html.Bdi(html.Code(str(library.folder)))], className="muted"),
        ],
        className="title",
    )
    return html.Div([title, *_content(library, query)], className="narrow")


def _content(library: RunLibrary, query: Query) -> list[Component]:
    try:
        catalogue = library.catalogue.now()
        if catalogue is None:
            return [no_catalogue(library.folder)]
    except BadInput as exc:
        return [unusable(str(exc))]
    choice = read_fleet_choice(query.words)
    view = fleet_view(library.catalogue, catalogue, choice)
    return [
        html.Div(id=FORM, role="search", **aria(label="Which runs")),
        Inert(counts(view)),
        html.Div(id="fleet-age", className="age"),
        Inert(*set_aside(catalogue.set_aside())),
        html.Div(_parts(view, choice, query.units), className="fleet-parts"),
        dcc.Store(id="fleet-shape", data=form_shape(catalogue, choice, query.units)),
        dcc.Store(id="fleet-near"),
        dcc.Store(
            id="fleet-ask",
            data={
                "words": choice.words,
                "units": query.units.name,
                "stamp": catalogue.stamp,
                "drawn": bool(view.runs.num_rows),
            },
        ),
    ]


def _parts(view: FleetView, choice: FleetChoice, units: Units) -> list[Component]:
    if not view.runs.num_rows:
        return [no_runs(view)]
    return [
        trend_card(view, units),
        *spread_cards(view),
        Inert(table_card(view, choice, units)),
    ]


def _register(app: dash.Dash, library: RunLibrary) -> None:
    _register_figures(app, library)
    _register_making(app, library)

    @app.callback(Output("fleet-age", "children"), Input("fleet-ask", "data"))
    @reading
    async def compare(ask: dict[str, Any] | None) -> Component:
        if not ask:
            raise PreventUpdate
        return await asyncio.to_thread(_age, library)

    for name, output, source in (
        ("draw", Output(FORM, "title"), Input("fleet-shape", "data")),
        ("made", Output("fleet-made", "storage_type"), Input("fleet-made", "data")),
        ("open", Output(CHART, "className"), Input(CHART, "clickData")),
    ):
        app.clientside_callback(  # type: ignore[no-untyped-call]
            ClientsideFunction(namespace="fleet", function_name=name),
            output,
            source,
            prevent_initial_call=name != "draw",
        )


def _register_making(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output("fleet-made", "data"),
        Output("fleet-made-says", "children"),
        Input("fleet-make", "n_clicks"),
        running=[
            (Output("fleet-make", "disabled"), True, False),
            (Output("fleet-make", "children"), MAKING, MAKE),
        ],
        prevent_initial_call=True,
    )
    @changing
    async def make(clicks: int | None) -> tuple[Any, Any]:
        if not clicks:
            raise PreventUpdate
        try:
            await asyncio.to_thread(library.catalogue.bring_up)
        except SlewtraceError as exc:
            return dash.no_update, f"✖ {exc}"
        return clicks, ""


def _register_figures(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output(f"{CHART}-frame", "children"),
        Input("fleet-ask", "data"),
        Input("screen", "data"),
    )
    @reading
    async def draw_trend(ask: dict[str, Any] | None, screen: dict[str, Any] | None) -> Any:
        return (await _graphs(library, ask, screen, (CHART,)))[0]

    @app.callback(
        *(Output(f"{key}-frame", "children") for key in _SPREADS),
        Input("fleet-near", "data"),
        Input("screen", "data"),
        State("fleet-ask", "data"),
    )
    @reading
    async def draw_spreads(
        near: bool | None,  # noqa: FBT001 - as Dash gives it
        screen: dict[str, Any] | None,
        ask: dict[str, Any] | None,
    ) -> list[Any]:
        if not near:
            raise PreventUpdate
        return await _graphs(library, ask, screen, _SPREADS)


async def _graphs(
    library: RunLibrary,
    ask: dict[str, Any] | None,
    screen: dict[str, Any] | None,
    keys: tuple[str, ...],
) -> list[Any]:
    if not ask or not screen or not ask["drawn"]:
        raise PreventUpdate
    figures = await asyncio.to_thread(_figures, library, ask, screen, keys)
    return [None if f is None else _graph(k, f) for k, f in zip(keys, figures, strict=True)]


def prepare(library: RunLibrary) -> None:
    """Reads and draws what most people see first, so that the first of them does not wait."""
    with suppress(BadInput, PreventUpdate, RuntimeError):  # told by the page; or closed meanwhile
        ask, screen = {"words": {}, "units": "si"}, {"scheme": "day", "narrow": False}
        _figures(library, ask, screen, (CHART, *_SPREADS))


def _figures(
    library: RunLibrary, ask: dict[str, Any], screen: dict[str, Any], keys: tuple[str, ...]
) -> list[go.Figure | None]:
    catalogue = library.catalogue.now()
    if catalogue is None:
        raise PreventUpdate
    view = fleet_view(library.catalogue, catalogue, read_fleet_choice(ask["words"]))
    palette, narrow = palette_of(screen["scheme"]), bool(screen["narrow"])
    units = units_of(ask["units"])

    def drawn(key: str) -> go.Figure | None:
        which = key, view.choice, units, palette, narrow
        trend = partial(trend_figure, units=units)
        make = partial(_DRAWN.get(key, trend), view, palette, narrow=narrow)
        return library.catalogue.once(catalogue, which, make)

    return [drawn(key) for key in keys]


def _graph(key: str, figure: go.Figure) -> Component:
    height = {"height": f"{figure.layout.height}px"}
    return dcc.Graph(id=key, figure=figure, config=_CONFIG, style=height)


def _age(library: RunLibrary) -> Component:
    try:
        catalogue = library.catalogue.now()
        if catalogue is None:
            raise PreventUpdate
        return catalogue_age(library.folder, catalogue)
    except BadInput as exc:
        return html.P(["✖ ", html.Bdi(str(exc))])


PAGE = Page(path="/fleet", of_run=False, layout=layout, register=_register)
