"""A link from a result to the moment in the replay that it is about."""

from __future__ import annotations

from dash import dcc
from dash.development.base_component import Component

from dashboard.figures.words import clock_words
from dashboard.pages.runs_rows import address
from logger.recording.run import Run


def moment_link(run: Run, t_s: float, *, about: str = "") -> Component:
    """The link.

    Args:
        run: the run.
        t_s: the moment, s.
        about: what is to be seen there, for those who hear links read out alone.
    """
    title = f"{about}: replay at {clock_words(t_s)}" if about else None
    return dcc.Link(
        f"see {clock_words(t_s)}",
        href=address("/replay", run, t_s=t_s),
        className="to-moment",
        title=title,
    )
