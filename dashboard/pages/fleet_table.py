"""The runs of a choice as a table, a page at a time: each line leads to its run and its second."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

import numpy as np
from dash import dcc, html
from dash.development.base_component import Component
from numpy.typing import NDArray

from dashboard.figures.units import Units
from dashboard.figures.words import number_words
from dashboard.pages.attributes import aria, data
from dashboard.pages.fleet_choice import FleetChoice
from dashboard.pages.fleet_reading import FleetView, rows_of
from dashboard.pages.fleet_trend import RULES

ROWS = 25
"""Lines of a page."""
PLACE = "fleet-runs"
_WORDS = {"all": "All runs", "signals": "With a signal", "missing": "Without a value"}


def run_address(row: dict[str, Any]) -> str:
    """Where a run opens: its result."""
    return f"/sectors?{urlencode({'run': row['run_id']})}"


def table_card(view: FleetView, choice: FleetChoice, units: Units) -> Component:
    """The card with one page of the table.

    Args:
        view: the runs.
        choice: which rows, and which page of them.
        units: what is read in.
    """
    of_kind = {kind: _numbers(view, kind) for kind in _WORDS}
    numbers = of_kind[choice.rows]
    pages = max(1, -(-numbers.size // ROWS))
    page = min(choice.page, pages)
    shown = numbers[(page - 1) * ROWS : page * ROWS].tolist()
    return html.Section(
        [
            html.H2("Runs"),
            _kinds(choice, {kind: n.size for kind, n in of_kind.items()}),
            _table(view, shown, units) if shown else html.P("None.", className="muted"),
            *_pages(choice.at_page(page), pages, numbers.size),
        ],
        className="card",
        id=PLACE,
    )


def _numbers(view: FleetView, kind: str) -> NDArray[np.intp]:
    """Numbers of the runs of one kind, the newest first."""
    if kind == "signals":
        told = sorted(view.trend.told) if view.trend else []
        return np.array(told, dtype=np.intp)[::-1]
    if kind == "missing":
        return np.flatnonzero(~np.isfinite(view.values()))[::-1]
    return np.arange(view.runs.num_rows)[::-1]


def _kinds(choice: FleetChoice, sizes: dict[str, int]) -> Component:
    """The choice of rows."""
    return html.Nav(
        [
            html.A(
                [words, html.Span(f" {number_words(sizes[kind], '')}", className="of")],
                href=choice.of_rows(kind).address,
                className="button here" if kind == choice.rows else "button",
                **data(stay="1"),
                **(aria(current="true") if kind == choice.rows else {}),
            )
            for kind, words in _WORDS.items()
        ],
        className="ways",
        **aria(label="Which runs the table shows"),
    )


def _pages(choice: FleetChoice, pages: int, rows: int) -> Iterator[Component]:
    if pages == 1:
        return
    first = (choice.page - 1) * ROWS + 1
    last = min(rows, choice.page * ROWS)
    yield html.Nav(
        [
            *_way("Newest", 1, choice, pages),
            *_way("Newer", choice.page - 1, choice, pages),
            html.Span(
                f"{number_words(first, '')} to {number_words(last, '')} of "
                f"{number_words(rows, '')}",
                className="of",
            ),
            *_way("Older", choice.page + 1, choice, pages),
            *_way("Oldest", pages, choice, pages),
        ],
        className="ways",
        **aria(label="Pages of the table"),
    )


def _way(words: str, page: int, choice: FleetChoice, pages: int) -> Iterator[Component]:
    """A link to another page of the table; words without one where there is no other."""
    if 1 <= page <= pages and page != choice.page:
        href = choice.at_page(page).address
        yield html.A(words, href=href, className="button", **data(stay="1"))


def _table(view: FleetView, numbers: list[int], units: Units) -> Component:
    quantity = view.choice.quantity
    head = [
        html.Th("Start, UTC", scope="col"),
        html.Th("Truck and test", scope="col"),
        html.Th("Build and kit", scope="col"),
        html.Th(quantity.title, scope="col", className="numeral"),
        html.Th("Verdict, signal", scope="col"),
    ]
    rows = zip(numbers, rows_of(view, numbers), strict=True)
    body = [_line(view, number, row, units) for number, row in rows]
    return html.Table(
        [html.Thead(html.Tr(head)), html.Tbody(body)],
        className="fleet-table",
        **aria(label="Runs, the newest first"),
    )


def _line(view: FleetView, number: int, row: dict[str, Any], units: Units) -> Component:
    quantity = view.choice.quantity
    value = row[quantity.column]
    signals = view.trend.told.get(number, ()) if view.trend else ()
    verdict = html.Small(row["verdict"])
    return html.Tr(
        [
            html.Td((row["started_utc"] or "not known")[:16].replace("T", " "), className="when"),
            html.Td(
                [
                    dcc.Link(
                        html.Bdi(row["truck"] or "(no name)", className="name"),
                        href=run_address(row),
                        className="open",
                        title=row["run_id"],
                    ),
                    html.Small(html.Bdi(row["test"], className="name")),
                ],
                className="what",
            ),
            html.Td(
                [
                    html.Bdi(row["build"] or "no build named", className="name"),
                    html.Small(html.Bdi(row["kit"], className="name")),
                ],
                className="build",
            ),
            html.Td([quantity.text(value, units), *_moment(row, view)], className="numeral"),
            html.Td(
                [verdict, *(html.Span(str(RULES[s]), className="strong small") for s in signals)]
                if signals
                else verdict,
                className="says",
            ),
        ]
    )


def _moment(row: dict[str, Any], view: FleetView) -> Iterator[Component]:
    """The second of the first lift, for a quantity that it leads to."""
    side = view.choice.quantity.side
    t_s = row[f"{side}_lift_t_s"]
    if t_s is not None and view.choice.column == f"{side}_lift_deg":
        asked = urlencode({"run": row["run_id"], "t": f"{t_s:.4f}".rstrip("0").rstrip(".")})
        yield html.Small(dcc.Link("see it lift", href=f"/replay?{asked}"))
