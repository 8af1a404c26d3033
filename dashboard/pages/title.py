"""The head of a page about one run: whose it is, when it was, which file anchors it."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboard.figures.words import duration_words, shown_name
from dashboard.pages.inert import Inert
from logger.recording.run import Run

_DIGITS_SHOWN = 12


def run_title(run: Run, page: str) -> Component:
    """The head.

    Args:
        run: the run.
        page: what the page shows, one word.
    """
    header = run.header
    start = header.started_utc.replace("T", " ")[:19] + " UTC" if header.started_utc else "no date"
    length = duration_words((run.span_ns[1] - run.span_ns[0]) / 1e9)
    build = header.test.truck.build
    facts = [
        *([html.Span(["Build ", html.Bdi(shown_name(build), className="name")])] if build else []),
        html.Span(["Test ", html.Bdi(shown_name(header.test.test.id))]),
        html.Span(["Run ", html.Bdi(shown_name(header.run_id))]),
        html.Span(start),
        html.Span(length),
        html.Span(["Kit ", html.Bdi(shown_name(header.rig.rig.id), className="name")]),
        html.Span(["SHA-256 ", html.Code(header.sha256[:_DIGITS_SHOWN])]),
    ]
    if header.clock_rate != 1.0:
        facts.append(html.Span(f"simulated, {header.clock_rate:g} × faster than the wall clock"))
    title = html.Div(
        [
            html.H1(
                [html.Bdi(shown_name(header.test.truck.id), className="name"), html.Small(page)]
            ),
            html.Div(facts, className="facts muted small"),
        ],
        className="title",
    )
    return Inert(title)
