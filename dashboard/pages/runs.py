"""The list of runs in the folder: what was tested, what came out, what can't be read.

The page asks for nothing by itself. One callback on a WebSocket watches the folder and the
analysis while the page is shown, and pushes a mark when either has moved; then the lines are
made anew. What is chosen stands in the page's address, so that a list can be passed on.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import time
import uuid
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Input, Output, State, ctx, dcc, html
from dash.backends.ws import DashWebsocketCallback
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate, WebsocketDisconnected

from dashboard.access.callbacks import reading
from dashboard.figures.units import Units, units_of
from dashboard.pages.attributes import aria, data
from dashboard.pages.page import Page, Query
from dashboard.pages.run_files import adding, empty, other_files
from dashboard.pages.runs_cards import cards
from dashboard.pages.runs_choice import Choice, read_choice, trucks_of
from dashboard.pages.runs_grid import GRID, grid, grid_style
from dashboard.pages.runs_rows import STANDINGS, WAITING, WORKING, Row, address, row_of
from dashboard.run_library import RunLibrary
from dashboard.shelf.run_shelf import Shelf
from logger.recording.run import Run

_LOOK_EVERY_S = 1.0
_LOOK_SHARE = 4
"""Looking at a large folder may take a fifth of the time, no more."""
_ANSWERED_S = 5.0
_PATIENCE_S = 0.6
_TYPED_MS = 300
_ANALYSED_UNASKED = 100
"""Newest runs that are analysed for the list, unless all are asked for."""
_ALWAYS = (
    ("Runs", "/"),
    ("Live", "/live"),
    ("Plan", "/plan"),
    ("Compare", "/compare"),
    ("Fleet", "/fleet"),
)
_MANY = 12
"""Runs that are worth to be seen together."""


def links(run: Run | None, here: str) -> list[Component]:
    """Links for the header: to the list, and to the pages of the opened run."""
    places = [(words, path, path) for words, path in _ALWAYS]
    if run is not None:
        places += [
            ("Replay", address("/replay", run), "/replay"),
            ("Sectors", address("/sectors", run), "/sectors"),
        ]
    return [
        dcc.Link(words, href=href, className="link here" if path == here else "link")
        for words, href, path in places
    ]


def layout(library: RunLibrary, _run: Run | None, query: Query) -> Component:
    """The page."""
    choice = read_choice(query.words)
    shelf, rows, mark = _look(library, choice, query.units)
    ask = {"viewer": uuid.uuid4().hex, "units": query.units.name, "all": choice.everything}
    return html.Div(
        [
            html.Div(
                [
                    html.H1("Runs"),
                    html.P(["In ", html.Bdi(html.Code(str(library.folder)))], className="muted"),
                ],
                className="title",
            ),
            html.Div([*_choosing(shelf, choice), adding()], className="choosing"),
            html.Div(
                [
                    html.Div(_status(shelf, rows, choice), id="runs-status"),
                    dcc.Link("Compare", id="runs-compare", href="/compare", className="none"),
                ],
                className="above-list",
            ),
            html.Div(
                [
                    html.Div(grid(rows), className="runs-wide"),
                    html.Div(id="runs-cards", className="runs-narrow"),
                ],
                id="runs-list",
                className=_class(rows),
            ),
            html.Div(_else(shelf, rows), id="runs-others"),
            dcc.Store(id="runs-ask", data=ask),
            dcc.Store(id="runs-room"),
            dcc.Store(id="runs-mark", data=mark),
            dcc.Store(id="runs-address", data=choice.address),
        ],
        id="runs",
        className="narrow",
        **data(ask=json.dumps(ask)),
    )


def _choosing(shelf: Shelf, choice: Choice) -> Iterator[Component]:
    """The fields by which runs are chosen."""
    yield dmc.TextInput(
        id="runs-find",
        value=choice.find,
        placeholder="Find a truck, test or run",
        debounce=_TYPED_MS,
        size="md",
        className="field",
        **aria(label="Find runs"),
    )
    trucks = sorted({*trucks_of(shelf.runs), *([choice.truck] if choice.truck else [])})
    yield _select("runs-truck", "All trucks", trucks, choice.truck)
    yield _select("runs-verdict", "All verdicts", STANDINGS, choice.verdict)


def _select(key: str, words: str, options: Any, value: str) -> Component:
    select: Component = dmc.Select(
        id=key,
        data=list(options),
        value=value or None,
        placeholder=words,
        clearable=True,
        searchable=True,
        size="md",
        className="field",
        **aria(label=words),
    )
    return select


def _register(app: dash.Dash, library: RunLibrary) -> None:
    _register_watch(app, library)

    @app.callback(
        Output(GRID, "rowData"),
        Output(GRID, "style"),
        Output("runs-cards", "children"),
        Output("runs-list", "className"),
        Output("runs-status", "children"),
        Output("runs-others", "children"),
        Output("runs-address", "data"),
        Input("runs-mark", "data"),
        Input("runs-room", "data"),
        Input("runs-find", "value"),
        Input("runs-truck", "value"),
        Input("runs-verdict", "value"),
        State("runs-ask", "data"),
        prevent_initial_call=True,
    )
    @reading
    async def show(
        _mark: str,
        room: dict[str, Any] | None,
        find: str | None,
        truck: str | None,
        verdict: str | None,
        ask: dict[str, Any],
    ) -> tuple[Any, ...]:
        choice = read_choice({"find": find, "truck": truck, "verdict": verdict, "all": ask["all"]})
        shelf, rows, _ = await asyncio.to_thread(_look, library, choice, units_of(ask["units"]))
        wide = room is None or bool(room.get("wide"))
        return (
            rows if wide else dash.no_update,
            grid_style(rows) if wide else dash.no_update,
            [] if wide else cards(rows),
            _class(rows),
            _status(shelf, rows, choice),
            _else(shelf, rows),
            choice.address,
        )

    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="runs", function_name="room"),
        Output("runs-room", "data"),
        Input("screen", "data"),
    )
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="runs", function_name="compare"),
        Output("runs-compare", "children"),
        Output("runs-compare", "href"),
        Output("runs-compare", "className"),
        Input(GRID, "selectedRows"),
        prevent_initial_call=True,
    )
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="shell", function_name="keepAddress"),
        Output("runs", "data-address"),
        Input("runs-address", "data"),
        prevent_initial_call=True,
    )


def _register_watch(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(Input("runs-ask", "data"), websocket=True, persistent=True)
    @reading
    async def watch(ask: dict[str, Any] | None) -> None:
        page = ctx.websocket
        if not ask or page is None:
            raise PreventUpdate
        said = ""
        while not page.is_shutdown:
            try:
                if await page.get_prop("runs-ask", "data", timeout=_ANSWERED_S) != ask:
                    return
            except (TimeoutError, WebsocketDisconnected):
                return
            said, took_s = await _tell(page, library, said)
            await asyncio.sleep(max(_LOOK_EVERY_S, _LOOK_SHARE * took_s))


async def _tell(page: DashWebsocketCallback, library: RunLibrary, said: str) -> tuple[str, float]:
    """Pushes the folder's mark where it has moved; gives it, and how long looking took, s."""
    began_s = time.monotonic()
    shelf = await asyncio.to_thread(library.shelf, patience_s=_PATIENCE_S)
    mark = _mark_of(library, shelf)
    if mark != said:
        await page.set_prop("runs-mark", "data", mark)
    return mark, time.monotonic() - began_s


def _look(library: RunLibrary, choice: Choice, units: Units) -> tuple[Shelf, list[Row], str]:
    """The folder, the lines that are wanted of it, and its mark."""
    shelf = library.shelf(patience_s=_PATIENCE_S)
    runs = choice.of_truck(shelf.runs)
    asked = runs if choice.everything else runs[:_ANALYSED_UNASKED]
    results = [*library.want(asked), *library.known_results(runs[len(asked) :])]
    rows = [row_of(run, future, units) for run, future in zip(runs, results, strict=True)]
    for row in rows[: len(asked)]:
        if row["state"] == WAITING:
            row.update(state=WORKING, verdict="analysing …")
    return shelf, choice.rows(rows), _mark_of(library, shelf)


def _mark_of(library: RunLibrary, shelf: Shelf) -> str:
    """Something that changes whenever the list would."""
    told = [
        *(r.header.sha256 for r in shelf.runs),
        *map(str, shelf.journals),
        *(f"{u.path} {u.reason}" for u in shelf.unreadable),
        library.analysed,
        shelf.unread,
    ]
    return hashlib.sha256(repr(told).encode(errors="replace")).hexdigest()


def _class(rows: list[Row]) -> str:
    return "runs-list" if rows else "runs-list none"


def _status(shelf: Shelf, rows: list[Row], choice: Choice) -> list[Component]:
    """How many runs there are, and how far looking at them has come."""
    whole = len(shelf.runs)
    words = f"{len(rows)} of {whole} runs" if len(rows) != whole else f"{whole} runs"
    said: list[Any] = [html.Span(words if whole != 1 or len(rows) != 1 else "1 run")]
    if shelf.unread:
        said.append(_progress("Reading files", whole, whole + shelf.unread))
    if whole >= _MANY:
        words = "See how they are spread and drift"
        said.append(dcc.Link(words, href="/fleet", className="to-moment"))
    working = sum(row["state"] == WORKING for row in rows)
    waiting = sum(row["state"] == WAITING for row in rows)
    if working:
        of = len(rows) - waiting
        said.append(_progress("Analysing", of - working, of))
    if waiting:
        everything = replace(choice, everything=True).address
        said.append(
            dcc.Link(f"Analyse {waiting} older runs too", href=everything, className="to-moment")
        )
    return said


def _progress(words: str, done: int, of: int) -> Component:
    return html.Span(
        [
            f"{words}: {done} of {of} ",
            html.Progress(value=str(done), max=str(of), **aria(label=words)),
        ],
        className="progress",
    )


def _else(shelf: Shelf, rows: list[Row]) -> list[Component]:
    """What is shown in place of a list, and what is no run."""
    if rows:
        return other_files(shelf)
    if shelf.runs:
        clear = dcc.Link("Show all runs", href="/", className="button")
        return [html.Section([html.H2("No run fits"), clear], className="card empty")]
    return [*([] if shelf.unread else [empty()]), *other_files(shelf)]


PAGE = Page(path="/", of_run=False, layout=layout, register=_register)
