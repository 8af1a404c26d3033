"""The list of runs where there is little room: a card each, thumbs reach all."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboard.figures.words import shown_name
from dashboard.pages.inert import Inert
from dashboard.pages.runs_rows import DONE, FAILED, Row

MOST_CARDS = 60


def cards(rows: Sequence[Row]) -> list[Component]:
    """The cards, of the first runs only where there are very many.

    Args:
        rows: a line each.
    """
    shown = [html.Li(_card(row), className="card run-card") for row in rows[:MOST_CARDS]]
    rest = len(rows) - len(shown)
    more = [html.P(f"{rest} more; find or choose above to see them.")] if rest else []
    return [Inert(html.Ul(shown, className="cards"), *more)]


def _card(row: Row) -> list[Component]:
    name = html.Bdi(shown_name(row["truck"]), className="name")
    ids: list[Any] = [
        "run ",
        html.Bdi(shown_name(row["id"])),
        ", test ",
        html.Bdi(shown_name(row["test"])),
    ]
    return [
        html.H2(dcc.Link(name, href=row["href"], className="row-link")),
        html.P(ids, className="muted small name"),
        html.P(f"Start (UTC) {row['start']}, {row['length']}", className="small"),
        html.P(_verdict(row), className="verdict-line"),
        *(_sides(row) if row["state"] == DONE else ()),
        html.P(_kept(row), className="keep"),
    ]


def _verdict(row: Row) -> list[Component]:
    sign = row.get("verdict_sign", "")
    kind = row.get("verdict_kind", "pending")
    said: list[Component] = [
        html.Span(f"{sign} {row['verdict']}".strip(), className=f"standing {kind}")
    ]
    if row["findings"]:
        findings = html.Bdi(row["findings"])
        said.append(html.Span(findings, className=row.get("findings_kind", "muted")))
    return said


def _sides(row: Row) -> list[Component]:
    facts = [
        part
        for side in ("right", "left")
        for part in (
            html.Dt(side.capitalize()),
            html.Dd([html.Span(row[side], className="strong"), html.Div(row[f"{side}_more"])]),
        )
    ]
    return [html.Dl(facts)]


def _kept(row: Row) -> list[Component]:
    kept = [("Export", row["export"])] if row["export"] else []
    if row["state"] != FAILED:
        kept.append(("Sheet", row["sheet"]))
    return [html.A(words, href=href, className="button") for words, href in kept]
