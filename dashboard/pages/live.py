"""What is being recorded now, pushed to the page as it happens.

The browser never asks: one callback on a WebSocket follows the recorder and pushes a compact
state, which a script writes into places that stay as they are. After each the server asks the
page which stream it shows; the answer says that the state was taken, and lets the next one go. So
nothing piles up before a slow page, and neither a closed tab nor a frozen one keeps anything
alive. Should nothing come, the script says so loudly by itself, and asks for a new stream.
"""

from __future__ import annotations

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

from dashboard.access.callbacks import changing, reading
from dashboard.access.visit import still_watching
from dashboard.figures.units import Units, units_of
from dashboard.figures.words import clock_words
from dashboard.live.advice import WITHOUT_DATA
from dashboard.live.event_words import channel_words
from dashboard.live.feed import Choice, LiveFeed
from dashboard.live.picture import LivePicture
from dashboard.live.press import read_press
from dashboard.live.words import NO_READINGS, page_words
from dashboard.pages.attributes import data
from dashboard.pages.live_parts import choice_body, recording_body
from dashboard.pages.page import Page, Query
from dashboard.run_library import RunLibrary
from logger.errors import BadInput
from logger.live.viewer_lines import Request
from logger.recording.run import Run

TAKEN_WITHIN_S = 5.0
"""A page that does not answer for so long is gone, or stands still."""

_LOST = {
    "word": "NO CONNECTION",
    "text": f"No contact with the dashboard. {NO_READINGS}",
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
            dcc.Store(id="live-drawn"),
            html.H1("Live", className="live-title"),
            html.P(id="live-lost", className="live-lost", role="alert"),
            html.Div(html.P("Looking for a recording …", className="muted"), id="live-body"),
        ],
        id="live",
        className="live",
        **data(phase="waiting", lost=json.dumps(_LOST)),
    )


def _register(app: dash.Dash, library: RunLibrary) -> None:
    feeds: dict[str, LiveFeed] = {}
    _register_stream(app, library, feeds)
    _register_press(app, feeds)
    # The output is a leaf that nothing changes: on the page's frame all in it would be drawn anew.
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="live", function_name="draw"),
        Output("live-drawn", "data"),
        Input("live-state", "data"),
        State("live-ask", "data"),
    )


def _register_stream(app: dash.Dash, library: RunLibrary, feeds: dict[str, LiveFeed]) -> None:
    @app.callback(Input("live-ask", "data"), websocket=True, persistent=True)
    @reading
    async def stream(ask: dict[str, Any] | None) -> None:
        page = ctx.websocket
        if not ask or not ask["stream"] or page is None:  # the page's script asks for the first
            raise PreventUpdate
        viewer, feed = str(ask["viewer"]), LiveFeed(library.folder, str(ask["run"]))
        feeds[viewer] = feed
        try:
            await _push(page, feed, ask, folder=library.folder, units=units_of(ask["units"]))
        finally:
            if feeds.get(viewer) is feed:
                del feeds[viewer]


async def _push(
    page: DashWebsocketCallback,
    feed: LiveFeed,
    ask: dict[str, Any],
    *,
    folder: Path,
    units: Units,
) -> None:
    """Pushes what is to be shown, the next once the page has taken the last.

    So a slow page gets fewer states, each the newest, and nothing waits on the way. One that was
    left or closed, that stands still, or that has asked for another stream, ends this one. A
    page that asks anew after it was cut off keeps the body that it has.
    """
    body: object = ask.get("body")
    async with contextlib.aclosing(feed.follow()) as shown_again:
        async for shown in shown_again:
            wanted = _body_key(shown)
            if wanted not in (None, body):
                body = wanted
                children = _body(shown, folder=folder, units=units)
                await page.set_prop("live-body", "children", children)
            said = _said(shown, units) | {"stream": ask["stream"], "others": feed.others}
            await page.set_prop("live-state", "data", said)
            try:
                asked = await page.get_prop("live-ask", "data", timeout=TAKEN_WITHIN_S)
            except (TimeoutError, WebsocketDisconnected):
                return
            if asked != ask:
                return
            still_watching()


def _body_key(shown: Choice | LivePicture) -> object:
    """What the body depends on; None where it may stay as it is."""
    if isinstance(shown, Choice):
        return None if shown.connecting else shown
    return shown.watched.run_id


def _body(shown: Choice | LivePicture, *, folder: Path, units: Units) -> list[Component]:
    if isinstance(shown, Choice):
        return choice_body(shown, folder=folder)
    return recording_body(shown, folder=folder, units=units)


def _said(shown: Choice | LivePicture, units: Units) -> dict[str, Any]:
    if isinstance(shown, Choice):
        found = "choice" if shown.recordings else "none"
        return {"phase": "connecting" if shown.connecting else found, "body": None}
    watched = shown.watched
    more = {"clock_rate": watched.clock_rate, "body": watched.run_id}
    return page_words(shown, units) | more


def _register_press(app: dash.Dash, feeds: dict[str, LiveFeed]) -> None:
    @app.callback(
        Output("live-answer", "children"),
        Output("live-answer", "className"),
        Output("live-radius-text", "value"),
        Output("live-note-text", "value"),
        Input("live-press", "data"),
        prevent_initial_call=True,
    )
    @changing
    async def press(pressed: dict[str, Any] | None) -> tuple[Any, ...]:
        if not pressed:
            raise PreventUpdate
        kept = dash.no_update
        try:
            request = read_press(pressed, units_of(pressed.get("units")))
        except BadInput as exc:
            return str(exc), "answer refused", kept, kept
        feed = feeds.get(str(pressed["viewer"]))
        refused = "This page is not connected." if feed is None else await feed.ask(request)
        if refused:
            return f"✖ {refused}", "answer refused", kept, kept
        at = clock_words(request.t_ns * 1e-9)
        what = {
            "acknowledge": f"acknowledged: {_acknowledged(request)}",
            "mark": "marked",
            "radius": f"noted: radius {request.text}",
            "text": f"noted: {request.text}",
        }[request.do]
        emptied = ("" if request.do == "radius" else kept, "" if request.do == "text" else kept)
        return f"✓ {at} {what}", "answer", *emptied


def _acknowledged(request: Request) -> str:
    return ", ".join(f"{channel_words(condition)} {state}" for condition, state in request.seen)


PAGE = Page(path="/live", of_run=False, layout=layout, register=_register)
