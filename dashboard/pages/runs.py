"""The list of runs in the folder: what was tested, what came out, what can't be read."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Iterator, Sequence
from concurrent.futures import Future
from typing import Any
from urllib.parse import urlencode

import dash
from dash import Input, Output, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.figures.words import (
    SEVERITIES,
    SIGN_OF_SEVERITY,
    angle_words,
    duration_words,
    plain_number,
    wheel_words,
)
from dashboard.pages.attributes import aria, data
from dashboard.pages.page import Page, Query
from dashboard.run_library import Result, RunLibrary, Shelf, failure_words
from logger.recording.run import Run

_POLL_MS = 1_000
_MOST_SHOWN = 100
"""Newest runs that are shown, and so analysed, unless all are asked for."""
_HEADINGS = ("Truck and test", "Start (UTC)", "Length", "Right side", "Left side", "Findings")


def address(path: str, run: Run, *, t_s: float | None = None) -> str:
    """The address of a page about a run.

    Args:
        path: the page.
        run: the run.
        t_s: a moment in it, s.
    """
    asked: dict[str, Any] = {"run": run.header.run_id}
    if t_s is not None:
        asked["t"] = f"{t_s:.4f}".rstrip("0").rstrip(".")
    return f"{path}?{urlencode(asked)}"


def links(run: Run | None, here: str) -> list[Component]:
    """Links for the header: to the list, and to the pages of the opened run."""
    places = [("Runs", "/", "/"), ("Live", "/live", "/live"), ("Plan", "/plan", "/plan")]
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
    shown, seen = _list(library, everything="all" in query.words)
    return html.Div(
        [
            html.Div(
                [
                    html.H1("Runs"),
                    html.P(["In ", html.Bdi(html.Code(str(library.folder)))], className="muted"),
                ],
                className="title",
            ),
            html.Div(shown, id="runs-list"),
            dcc.Store(id="runs-seen", data={"seen": seen, "everything": "all" in query.words}),
            dcc.Interval(id="runs-poll", interval=_POLL_MS),
        ],
        className="narrow",
    )


def _register(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output("runs-list", "children"),
        Output("runs-seen", "data"),
        Input("runs-poll", "n_intervals"),
        State("runs-seen", "data"),
        prevent_initial_call=True,
    )
    async def refresh(
        _n: int | None, before: dict[str, Any]
    ) -> tuple[list[Component], dict[str, Any]]:
        everything = bool(before["everything"])
        shown, seen = await asyncio.to_thread(_list, library, everything=everything)
        if seen == before["seen"]:
            raise PreventUpdate
        return shown, {"seen": seen, "everything": everything}


PAGE = Page(path="/", of_run=False, layout=layout, register=_register)


def _list(library: RunLibrary, *, everything: bool) -> tuple[list[Component], str]:
    """What the folder holds, and a mark that changes when that does."""
    shelf = library.shelf()
    runs = shelf.runs if everything else shelf.runs[:_MOST_SHOWN]
    results = [library.result(run) for run in runs]
    shown = [
        _table(runs, results) if runs else _empty(),
        *_older(len(shelf.runs) - len(runs)),
        *_unsealed(shelf),
        *_unreadable(shelf),
    ]
    told = [
        *((r.header.sha256, f.done()) for r, f in zip(runs, results, strict=True)),
        *(str(j) for j in shelf.journals),
        *(f"{u.path} {u.reason}" for u in shelf.unreadable),
        len(shelf.runs),
    ]
    return shown, hashlib.sha256(repr(told).encode()).hexdigest()


def _table(runs: Sequence[Run], results: Sequence[Future[Result]]) -> Component:
    head = html.Thead(html.Tr([html.Th(h, scope="col") for h in _HEADINGS]))
    body = html.Tbody([_row(run, f) for run, f in zip(runs, results, strict=True)])
    return html.Table([head, body], className="runs", **aria(label="Runs"))


def _older(count: int) -> Iterator[Component]:
    if count:
        yield html.P(dcc.Link(f"Show {count} older runs", href="/?all=1", className="button"))


def _empty() -> Component:
    return html.Section(
        [
            html.H2("No run in this folder yet"),
            html.P("Try a simulated truck, from the wires to the sectors:"),
            html.Pre("slewtrace demo"),
            html.P("Record a test of your own into this folder:"),
            html.Pre("slewtrace record --rig rig.toml --test test.toml -o FOLDER"),
            html.P("Or bring readings that another system took:"),
            html.Pre("slewtrace import readings.csv --rig rig.toml --test test.toml -o RUN"),
        ],
        className="card empty",
    )


def _row(run: Run, future: Future[Result]) -> Component:
    header = run.header
    start = header.started_utc.replace("T", " ")[:19] if header.started_utc else "not known"
    length = duration_words((run.span_ns[1] - run.span_ns[0]) / 1e9)
    if not future.done():
        found: list[Any] = [html.Span("analysing …", className="muted")] * 3
    elif failure := failure_words(future):
        bad = html.Span(["✖ not analysed: ", html.Bdi(failure)], className="invalid")
        found = ["—", "—", bad]
    else:
        result = future.result()
        found = [_side(result, "right"), _side(result, "left"), _worst(result)]
    name = dcc.Link(
        html.Bdi(header.test.truck.id, className="name"),
        href=address("/sectors", run),
        className="row-link",
    )
    ids: list[Any] = ["test ", html.Bdi(header.test.test.id), ", run ", html.Bdi(header.run_id)]
    test = html.Div(ids, className="muted small name")
    cells = [[name, test], start, length, *found]
    return html.Tr([html.Td(c, **data(label=h)) for h, c in zip(_HEADINGS, cells, strict=True)])


def _side(result: Result, side: str) -> list[Any]:
    sectors = [s for s in result["sectors"] if s["side"] == side and s["basis"] != "untested"]
    if not sectors:
        return [html.Span("□ no lifting", className="strong"), _quiet("untested")]
    words = ", ".join(
        f"{plain_number(s['percent'])} % to {plain_number(s['to_deg'])}°" for s in sectors
    )
    lifts = [s["first_lift"] for s in result["sweeps"] if s["side"] == side and s["first_lift"]]
    lift = (
        f"▲ {wheel_words(lifts[0]['wheel'])} lifted at {angle_words(lifts[0]['slew_deg'])}"
        if lifts
        else "no wheel lifted"
    )
    return [html.Span(words, className="strong"), _quiet(lift)]


def _quiet(words: str) -> Component:
    return html.Div(words, className="muted small")


def _worst(result: Result) -> Component:
    findings: Sequence[dict[str, Any]] = result["findings"]
    for severity in SEVERITIES:
        count = sum(f["severity"] == severity for f in findings)
        if count:
            more = len(findings) - count
            plural = "s" if count > 1 and severity != "invalid" else ""
            words = f"{SIGN_OF_SEVERITY[severity]} {count} {severity}{plural}"
            rest = _quiet(f"and {more} lesser") if more else None
            return html.Div([html.Span(words, className=severity), rest])
    return html.Span("none", className="muted")


def _unsealed(shelf: Shelf) -> Iterator[Component]:
    if not shelf.journals:
        return
    yield html.H2("Not sealed yet")
    yield html.P(
        "Still being recorded, or left by a recorder that was stopped. In the second case:",
        className="muted",
    )
    yield html.Ul(
        [html.Li(html.Code(html.Bdi(f"slewtrace recover {p}"))) for p in shelf.journals],
        className="files",
    )


def _unreadable(shelf: Shelf) -> Iterator[Component]:
    if not shelf.unreadable:
        return
    yield html.H2("Can't be read")
    yield html.Ul(
        [
            html.Li([html.Code(html.Bdi(u.path.name)), " ", html.Bdi(u.reason)])
            for u in shelf.unreadable
        ],
        className="files",
    )
