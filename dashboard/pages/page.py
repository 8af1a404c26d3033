"""What a page of the dashboard is."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from urllib.parse import parse_qs

import dash
from dash.development.base_component import Component

from dashboard.figures.units import SI, Units
from dashboard.run_library import RunLibrary
from logger.recording.run import Run


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """What stands in a page's address after the question mark.

    Attributes:
        run_id: id of the run, empty where none is named.
        t_s: time in the run, s; None where none is named.
        units: the units that the page is read in; not part of the address.
        words: everything that was asked, the last value of each key.
    """

    run_id: str
    t_s: float | None
    units: Units = SI
    words: Mapping[str, str] = field(default_factory=dict)


def read_query(search: str, *, units: Units) -> Query:
    """Reads what stands after an address's question mark; what makes no sense is left out.

    Args:
        search: with or without the question mark.
        units: what the page is read in.
    """
    words = {key: values[-1] for key, values in parse_qs(search.lstrip("?"), True).items()}
    return Query(
        run_id=words.get("run", ""), t_s=number_of(words.get("t")), units=units, words=words
    )


def number_of(text: str | None) -> float | None:
    """A finite number in an address; None where there is none."""
    try:
        number = float(text or "")
    except ValueError:
        return None
    return number if math.isfinite(number) else None


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
