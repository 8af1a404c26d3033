"""What is shown where a page, a run or a file is not there."""

from __future__ import annotations

from dash import dcc, html
from dash.development.base_component import Component


def layout(reason: str) -> Component:
    """A reason and the way back.

    Args:
        reason: one line.
    """
    return html.Section(
        [
            html.H1("Nothing to show here"),
            html.P(html.Bdi(reason)),
            html.P(dcc.Link("Back to the runs", href="/", className="button")),
        ],
        className="card empty",
    )
