"""What is being recorded now, pushed to the page as it happens.

The browser never asks: one callback on a WebSocket follows the recorder and pushes a compact
state, which a script writes into places that stay as they are. Once a second the server asks
whether the page is still there and shows this very stream; where it is not, the stream ends, so
that neither a closed tab nor a frozen one keeps anything alive. Should nothing come, the script
says so loudly by itself, and asks for a new stream.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import uuid
from pathlib import Path
from typing import Any

import dash
from dash import ClientsideFunction, Input, Output, State, ctx, dcc, html
from dash.backends.ws import DashWebsocketCallback
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate, WebsocketDisconnected

from dashboard.figures.units import Units, units_of
from dashboard.figures.words import clock_words
from dashboard.live.advice import WITHOUT_DATA
from dashboard.live.feed import Choice, LiveFeed
from dashboard.live.picture import LivePicture
from dashboard.live.press import read_press
from dashboard.live.words import page_words
from dashboard.pages.attributes import data
from dashboard.pages.live_parts import choice_body, recording_body
from dashboard.pages.page import Page, Query
from dashboard.run_library import RunLibrary
from logger.errors import BadInput
from logger.recording.run import Run

PROBE_EVERY_S = 1.0
PROBE_ANSWERED_S = 5.0
"""A page that does not answer for so long is gone, or stands still."""

_LOST = {
    "word": "NO CONNECTION",
    "text": "This page hears nothing from the dashboard. Nothing below is of now: "
    "any wheel may be up.",
    "next": f"■ {WITHOUT_DATA}",
}


def layout(_library: RunLibrary, _run: Run | None, query: Query) -> Component:
    """The page, before anything has come."""
    ask = {
        "viewer": uuid.uuid4().hex,
        "stream": 0,
        "run": query.run_id,
        "units": query.units.name,
    }
    return html.Div(
        [
            dcc.Store(id="live-ask", data=ask),
            dcc.Store(id="live-state"),
            dcc.Store(id="live-press"),
            html.H1("Live", className="live-title"),
            html.P(id="live-lost", className="live-lost", role="alert"),
            html.Div(html.P("Looking for a recording …", className="muted"), id="live-body"),
        ],
        id="live",
        className="live",
        **data(phase="waiting", lost=json.dumps(_LOST)),
    )


def _register(app: dash.Dash, library: RunLibrary) -> None:
    feeds: dict[str, tuple[int, LiveFeed]] = {}
    _register_stream(app, library, feeds)
    _register_press(app, feeds)
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="live", function_name="draw"),
        Output("live", "data-drawn"),
        Input("live-state", "data"),
        State("live-ask", "data"),
    )


def _register_stream(
    app: dash.Dash, library: RunLibrary, feeds: dict[str, tuple[int, LiveFeed]]
) -> None:
    @app.callback(Input("live-ask", "data"), websocket=True, persistent=True)
    async def stream(ask: dict[str, Any] | None) -> None:
        page = ctx.websocket
        if not ask or not ask["stream"] or page is None:  # the page's script asks for the first
            raise PreventUpdate
        viewer, number = str(ask["viewer"]), int(ask["stream"])
        feed = LiveFeed(library.folder, str(ask["run"]))
        feeds[viewer] = (number, feed)
        pushing = asyncio.create_task(
            _push(page, feed, number, folder=library.folder, units=units_of(ask["units"])),
            name=f"live page {viewer} {number}",
        )
        try:
            await _while_shown(page, ask, pushing)
        finally:
            if feeds.get(viewer) == (number, feed):
                del feeds[viewer]
            pushing.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await pushing


async def _push(
    page: DashWebsocketCallback, feed: LiveFeed, number: int, *, folder: Path, units: Units
) -> None:
    """Pushes what is to be shown, until it is cancelled."""
    body: object = None
    async with contextlib.aclosing(feed.follow()) as shown_again:
        async for shown in shown_again:
            wanted = _body_key(shown)
            if wanted != body:
                body = wanted
                children = _body(shown, folder=folder, units=units)
                await page.set_prop("live-body", "children", children)
            said = _said(shown, units) | {"stream": number, "others": feed.others}
            await page.set_prop("live-state", "data", said)


def _body_key(shown: Choice | LivePicture) -> object:
    return shown if isinstance(shown, Choice) else shown.watched


def _body(shown: Choice | LivePicture, *, folder: Path, units: Units) -> list[Component]:
    if isinstance(shown, Choice):
        return choice_body(shown, folder=folder)
    return recording_body(shown, folder=folder, units=units)


def _said(shown: Choice | LivePicture, units: Units) -> dict[str, Any]:
    if isinstance(shown, Choice):
        return {"phase": "choice" if shown.recordings else "none"}
    return page_words(shown, units) | {"clock_rate": shown.watched.clock_rate}


async def _while_shown(
    page: DashWebsocketCallback, ask: dict[str, Any], pushing: asyncio.Task[None]
) -> None:
    """Returns once the page is left, closed, stands still, or has asked for another stream."""
    while not page.is_shutdown:
        await asyncio.wait([pushing], timeout=PROBE_EVERY_S)
        if pushing.done():
            pushing.result()
            return
        try:
            asked = await page.get_prop("live-ask", "data", timeout=PROBE_ANSWERED_S)
        except (TimeoutError, WebsocketDisconnected):
            return
        if asked != ask:
            return


def _register_press(app: dash.Dash, feeds: dict[str, tuple[int, LiveFeed]]) -> None:
    @app.callback(
        Output("live-answer", "children"),
        Output("live-answer", "className"),
        Output("live-radius-text", "value"),
        Output("live-note-text", "value"),
        Input("live-press", "data"),
        prevent_initial_call=True,
    )
    async def press(pressed: dict[str, Any] | None) -> tuple[Any, ...]:
        if not pressed:
            raise PreventUpdate
        kept = dash.no_update
        try:
            request = read_press(pressed, units_of(pressed.get("units")))
        except BadInput as exc:
            return str(exc), "answer refused", kept, kept
        _, feed = feeds.get(str(pressed["viewer"]), (0, None))
        refused = "This page is not connected." if feed is None else await feed.ask(request)
        if refused:
            return f"✖ {refused}", "answer refused", kept, kept
        at = clock_words(request.t_ns * 1e-9)
        what = {
            "acknowledge": f"acknowledged: {request.text}",
            "mark": "marked",
            "radius": f"noted: radius {request.text}",
            "text": f"noted: {request.text}",
        }[request.do]
        emptied = ("" if request.do == "radius" else kept, "" if request.do == "text" else kept)
        return f"✓ {at} {what}", "answer", *emptied


PAGE = Page(path="/live", of_run=False, layout=layout, register=_register)
