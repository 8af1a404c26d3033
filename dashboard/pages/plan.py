"""A test planned on the screen: the test file as a form, and beside it what comes of it.

The form itself lives in the browser (``assets/plan_form.js``), made from a description of its
fields; what stands in it is kept there until it is saved or discarded. The server answers three
questions about it, each as soon as it can: what is wrong and what the plan is, what that looks
like, and what the truck model foresees.
"""

from __future__ import annotations

from typing import Any

import dash
from dash import ClientsideFunction, Input, Output, dcc, html
from dash.development.base_component import Component

from dashboard.load_charts import chart_of
from dashboard.pages.attributes import aria
from dashboard.pages.page import Page, Query
from dashboard.pages.plan_checks import register_checks
from dashboard.pages.plan_figures import figures_card, register_figures
from dashboard.pages.plan_file import file_card, register_file
from dashboard.pages.plan_form import register_form
from dashboard.pages.plan_model import model_card, register_model
from dashboard.run_library import RunLibrary
from dashboard.test_form.example import EXAMPLE_TOML
from logger.errors import FileInvalid
from logger.recording.run import Run


def layout(library: RunLibrary, _run: Run | None, query: Query) -> Component:
    """The page, its form still to be drawn."""
    start = _start(library, query)
    return html.Div(
        [
            dcc.Store(id="plan-start", data=start),
            dcc.Store(id="plan-opened"),
            dcc.Store(id="plan-shape"),
            dcc.Store(id="plan-values"),
            dcc.Store(id="plan-checked"),
            dcc.Store(id="plan-made"),
            dcc.Download(id="plan-download"),
            html.Div(id="plan-drawn", hidden=True),
            _head(),
            html.Div(
                [
                    html.Div(
                        [
                            html.Div(id="plan-mistakes", className="plan-mistakes"),
                            html.Div(id="plan-form", role="form", **aria(label="Test file")),
                        ],
                        className="plan-left",
                    ),
                    html.Div(
                        [
                            html.P(id="plan-stale", className="plan-stale", role="status"),
                            html.Section(
                                html.P("Working out the plan …", className="muted"),
                                id="plan-numbers",
                                className="card",
                                **aria(label="Plan"),
                            ),
                            file_card(),
                            figures_card(),
                            model_card(),
                        ],
                        id="plan-result",
                        className="plan-right",
                        tabIndex="0",
                        role="region",
                        **aria(label="What comes of the form"),
                    ),
                ],
                className="plan-columns",
            ),
            html.Button("To the plan", id="plan-glance", className="button"),
        ],
        id="plan-page",
    )


def _head() -> Component:
    return html.Div(
        [
            html.H1(["Plan", html.Small("a test file, and what comes of it")]),
            html.Div(
                [
                    html.Button("Open a test file …", id="plan-open", className="button"),
                    html.Button("Open a load chart …", id="plan-open-chart", className="button"),
                    html.Button("Start anew", id="plan-discard", className="button"),
                ],
                className="plan-tools",
            ),
            html.P(id="plan-notice", className="plan-notice", role="status"),
        ],
        className="title",
    )


def _start(library: RunLibrary, query: Query) -> dict[str, Any]:
    """What the form begins with: the test file of a run, or the worked example."""
    example = {"source": "example", "text": EXAMPLE_TOML, "name": "test.toml", "chart": None}
    if not query.run_id:
        return example | {"says": "A worked example of an invented truck: put your own in place."}
    run = library.find(query.run_id)
    if run is None:
        return example | {"says": "There is no such run in this folder, so this is the example."}
    return {
        "source": f"run {run.header.run_id}",
        "text": run.header.test_toml,
        "name": "test.toml",
        "chart": _chart(run),
        "says": f"The test file of run {run.header.run_id}, as a start for another test.",
    }


def _chart(run: Run) -> dict[str, str] | None:
    try:
        chart = chart_of(run)
    except FileInvalid:
        chart = None
    if chart is None:
        return None
    return {"name": run.header.test.crane.chart, "text": run.header.load_chart_csv}


def _register(app: dash.Dash, _library: RunLibrary) -> None:
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="plan", function_name="start"),
        Output("plan-opened", "data"),
        Input("plan-start", "data"),
    )
    register_form(app)
    register_checks(app)
    register_figures(app)
    register_model(app)
    register_file(app)


PAGE = Page(path="/plan", of_run=False, layout=layout, register=_register)
