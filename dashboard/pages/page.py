"""What a page of the dashboard is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import dash
from dash.development.base_component import Component

from dashboard.run_library import RunLibrary
from logger.recording.run import Run


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """What stands in a page's address after the question mark.

    Attributes:
        run_id: id of the run, empty where none is named.
        t_s: time in the run, s; None where none is named.
        everything: whether the whole list is asked for.
    """

    run_id: str
    t_s: float | None
    everything: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One page.

    Attributes:
        path: its address.
        of_run: whether it shows a single run.
        layout: makes its content, on a thread of its own.
        register: adds its callbacks to an application.
    """

    path: str
    of_run: bool
    layout: Callable[[RunLibrary, Run | None, Query], Component]
    register: Callable[[dash.Dash, RunLibrary], None]
