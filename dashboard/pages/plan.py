"""The page Plan."""

from __future__ import annotations

import dash
from dash import html
from dash.development.base_component import Component

from dashboard.pages.page import Page, Query
from dashboard.run_library import RunLibrary
from logger.recording.run import Run


def layout(_library: RunLibrary, _run: Run | None, _query: Query) -> Component:
    """The page."""
    return html.H1("Plan")


def _register(_app: dash.Dash, _library: RunLibrary) -> None:
    """Adds the page's callbacks."""


PAGE = Page(path="/plan", of_run=False, layout=layout, register=_register)
