"""The dashboard: which pages there are, and what they are given.

Nothing lives at module level: each call of :func:`make_app` makes an application of its own on
a folder of its own, so that tests can run several side by side. For that reason pages are shown
by a small router here and not by Dash's registry, which is one for the whole process.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import dash
from dash import Input, Output, html
from dash.development.base_component import Component
from fastapi import FastAPI

from dashboard.access.access import Access, stand_guard
from dashboard.access.callbacks import reading
from dashboard.access.reach import THIS_MACHINE
from dashboard.access.sign_in import add_sign_in
from dashboard.export_download import add_export
from dashboard.figures.units import units_of
from dashboard.figures.warm_up import warm_up
from dashboard.own_pages import OwnPagesOnly
from dashboard.pages import compare, fleet, live, not_found, plan, replay, runs, sectors, shell
from dashboard.pages.page import Page, Query, read_query
from dashboard.pages.replay_window import add_replay_window
from dashboard.run_adding import add_run_adding
from dashboard.run_library import RunLibrary
from dashboard.sheet_download import add_sheet_download
from dashboard.shelf.analyses import Analyse
from dashboard.shelf.analyst import Analyst
from logger.errors import RunUnreadable
from logger.recording.run import Run

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

_INDEX = """<!DOCTYPE html>
<html lang="en">
    <head>
        {%metas%}
        <title>{%title%}</title>
        <link rel="icon" type="image/svg+xml" href="/assets/favicon.svg">
        {%css%}
    </head>
    <body>
        {%app_entry%}
        {%config%}
        <script src="/assets/vendor/plotly-basic.min.js"></script>
        {%scripts%}
        {%renderer%}
    </body>
</html>"""
"""Dash's own document, in English, with our mark, and the smaller of Plotly's drawing libraries.

Figures here are lines, points and bars, and the whole library is four times as large.
Dash takes the one that is there.
"""

PAGES: tuple[Page, ...] = (
    runs.PAGE,
    live.PAGE,
    plan.PAGE,
    replay.PAGE,
    sectors.PAGE,
    compare.PAGE,
    fleet.PAGE,
)


def make_app(
    folder: Path, *, analyse: Analyse | None = None, access: Access | None = None
) -> dash.Dash:
    """Makes the dashboard on a folder of runs.

    Args:
        folder: the folder.
        analyse: computes a run's result; None takes the project's own analysis.
        access: who may come in from other machines; None where only this one reaches it.
    """
    analyst = Analyst()
    library = RunLibrary(folder, analyse=analyse or analyst)
    # No pages that describe the interface: they load scripts from elsewhere.
    server = FastAPI(
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        lifespan=partial(_lifespan, library, analyst),
    )
    if access is not None:
        add_sign_in(server, access)
    add_sheet_download(server, library)
    add_run_adding(server, library)
    add_replay_window(server, library)
    add_export(server, library)  # before Dash, which takes every path that is left
    app = dash.Dash(
        "dashboard",
        server=server,  # type: ignore[arg-type]  # Dash's types know Flask only
        assets_folder=str(Path(__file__).parent / "assets"),
        assets_path_ignore=["vendor"],
        use_pages=False,
        serve_locally=True,
        suppress_callback_exceptions=True,
        title="Slewtrace",
        update_title="",
        add_log_handler=False,
        index_string=_INDEX,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.layout = shell.layout  # made for each who asks: it says who is signed in
    shell.register(app)
    _route(app, library)
    for page in PAGES:
        page.register(app, library)
    # Dash waits for a first request to a page that it knows; any address must serve our scripts.
    app._setup_server()  # type: ignore[no-untyped-call]  # noqa: SLF001 - no public way
    server.add_middleware(OneIndex, paths=frozenset(page.path for page in PAGES))
    if access is not None:
        stand_guard(server, app, access)
    reach = THIS_MACHINE if access is None else access.reach
    server.add_middleware(OwnPagesOnly, script_hashes=app.csp_hashes(), reach=reach)
    return app


@asynccontextmanager
async def _lifespan(library: RunLibrary, analyst: Analyst, _server: FastAPI) -> AsyncIterator[None]:
    warming = threading.Thread(target=_warm_up, args=(library,), daemon=True)
    warming.start()
    yield
    library.close()
    analyst.close()


def _warm_up(library: RunLibrary) -> None:
    warm_up()
    # Waited for at the end: a program must not end under a thread that is in its database.
    threading.Thread(target=fleet.prepare, args=(library,), daemon=False).start()


class OneIndex:
    """ASGI middleware: every page's address serves the one document that shows all pages.

    Args:
        app: what serves that document at ``/``.
        paths: addresses of pages.
    """

    def __init__(self, app: ASGIApp, *, paths: frozenset[str]) -> None:
        self._app = app
        self._paths = paths

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answers one request."""
        if scope["type"] == "http" and scope["path"] in self._paths:
            scope = {**scope, "path": "/", "raw_path": b"/"}
        await self._app(scope, receive, send)


def _route(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output("page", "children"),
        Output("links", "children"),
        Input("url", "pathname"),
        Input("url", "search"),
        Input("units", "value"),
    )
    @reading
    async def show(
        pathname: str | None, search: str | None, units: str | None
    ) -> tuple[Component, list[Component]]:
        query = read_query(search or "", units=units_of(units))
        return await asyncio.to_thread(_show, library, pathname or "/", query)


def _show(library: RunLibrary, pathname: str, query: Query) -> tuple[Component, list[Component]]:
    page = next((p for p in PAGES if p.path == pathname), None)
    if page is None:
        return not_found.layout("There is no such page."), runs.links(None, pathname)
    if not page.of_run:
        return _shown(page, library, None, query), runs.links(None, pathname)
    run = library.find(query.run_id)
    if run is None:
        return not_found.layout("There is no such run in this folder."), runs.links(None, pathname)
    try:
        return _shown(page, library, run, query), runs.links(run, pathname)
    except RunUnreadable as exc:
        return not_found.layout(str(exc)), runs.links(run, pathname)


def _shown(page: Page, library: RunLibrary, run: Run | None, query: Query) -> Component:
    """A page's content, in an element of the page's name, to which its style sheet keeps."""
    name = page.path.strip("/") or "runs"
    return html.Div(page.layout(library, run, query), className=f"page-{name}")
