"""Tables of the page Compare: a column a run; each number leads to its moment in the replay."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboard.figures.comparison_words import difference_words, judgement_words, value_words
from dashboard.figures.statistic_words import direction_words
from dashboard.figures.units import Units
from dashboard.figures.words import (
    SIGN_OF_BASIS,
    clock_words,
    number_words,
    plain_number,
    telling_names,
    wheel_words,
)
from dashboard.pages.attributes import aria
from dashboard.pages.compared import Found
from dashboard.pages.runs_rows import address
from logger.recording.run import Run

Document = dict[str, Any]


def quantities_table(document: Document, found: Found, units: Units) -> Component:
    """What each run says, below it how far that is from the reference."""
    rows: list[Component] = []
    for side in ("right", "left"):
        rows.append(_side_row(side, len(found.runs)))
        rows += [
            _quantity_row(quantity, found, units)
            for quantity in document["quantities"]
            if quantity["side"] == side
        ]
    return html.Div(
        [
            _scrolled(document, found, rows, first="Quantity"),
            html.P(
                [
                    html.Strong("≠ "),
                    "beyond what the instruments explain, which is the figure after ±. ",
                    document["shared"],
                ],
                className="muted small",
            ),
        ]
    )


def sectors_table(document: Document, found: Found) -> Component:
    """The percentage that each run gives for each stretch."""
    rows = [
        html.Tr(
            [
                html.Th(
                    f"{row['side']} {plain_number(row['from_deg'])}° to "
                    f"{plain_number(row['to_deg'])}°",
                    scope="row",
                ),
                *(
                    _percent(told, seen, aside=of["set_aside"] is not None)
                    for told, seen, of in zip(
                        row["percents"], found.runs, document["runs"], strict=True
                    )
                ),
                html.Td(_sameness(row)),
            ]
        )
        for row in document["sectors"]
    ]
    return _scrolled(document, found, rows, first="Stretch", last="Together", more="sectors-of")


def directions_table(document: Document, found: Found) -> Component:
    """Lifts that closed again under load, and how both ways agree."""
    pairs = document["directions"]["pairs"]
    words = html.P(direction_words(document), className=None if pairs else "muted")
    if not pairs:
        return words
    runs = {run.header.run_id: (number, run) for number, run in enumerate(found.runs, 1)}
    heads = ("Run", "Wheel", "Lifted at", "Came down at", "Difference")
    rows = [
        html.Tr(
            [
                html.Th(html.Span(str(runs[p["run_id"]][0]), className="badge"), scope="row"),
                html.Td([html.Bdi(wheel_words(p["wheel"]), className="name"), f", {p['side']}"]),
                html.Td(_to(runs[p["run_id"]][1], p["lift_t_s"], f"{p['lift_deg']:.2f}°")),
                html.Td(_to(runs[p["run_id"]][1], p["closing_t_s"], f"{p['closing_deg']:.2f}°")),
                html.Td(
                    f"{number_words(p['difference_deg'], '', digits=2)}° ± {p['expanded']:.2f}°"
                ),
            ],
            className="aside" if p["set_aside"] else None,
        )
        for p in pairs
    ]
    head = html.Thead(html.Tr([html.Th(h, scope="col") for h in heads]))
    table = html.Div(
        html.Table([head, html.Tbody(rows)], className="compared"), className="scrolled"
    )
    return html.Div([table, words])


def _scrolled(
    document: Document,
    found: Found,
    rows: Sequence[Component],
    *,
    first: str,
    last: str = "",
    more: str = "",
) -> Component:
    """A table with a column a run, which scrolls sideways in itself where there are many."""
    heads = [
        html.Th(
            [
                html.Span(str(number), className="badge"),
                html.Bdi(name, className="name", title=run.header.run_id),
                *([html.Small("◆ reference")] if told["run_id"] == document["against"] else []),
                *([html.Small("✖ set aside")] if told["set_aside"] else []),
            ],
            scope="col",
            className="aside" if told["set_aside"] else None,
        )
        for number, (run, told, name) in enumerate(
            zip(found.runs, document["runs"], telling_names(document["runs"]), strict=True), 1
        )
    ]
    end = [html.Th(last, scope="col")] if last else []
    table = html.Table(
        [
            html.Thead(html.Tr([html.Th(first, scope="col"), *heads, *end])),
            html.Tbody(list(rows)),
        ],
        className=f"compared {more}".strip(),
    )
    return html.Div(table, className="scrolled", tabIndex="0", role="region", **aria(label=first))


def _side_row(side: str, runs: int) -> Component:
    return html.Tr(
        html.Th(f"{side.capitalize()} side", colSpan=runs + 1, scope="rowgroup"), className="side"
    )


def _quantity_row(quantity: Document, found: Found, units: Units) -> Component:
    compared = {d["run_id"]: d for d in quantity["differences"]}
    cells = [
        html.Td(
            [*_value(quantity, value, compared.get(value["run_id"]), run, units)],
            className="aside" if value["set_aside"] else None,
        )
        for value, run in zip(quantity["values"], found.runs, strict=True)
    ]
    return html.Tr([html.Th(quantity["words"], scope="row"), *cells])


def _value(
    quantity: Document, value: Document, compared: Document | None, run: Run, units: Units
) -> Iterator[Component]:
    words = value_words(quantity, value, units)
    if value["value"] is None:
        yield html.Span("—", className="muted", title=value["why_not"])
        yield html.Small(value["why_not"])
        return
    yield html.Div(
        words if value["t_s"] is None else _to(run, value["t_s"], html.Bdi(words)),
        className="told",
    )
    if compared is None:
        return
    difference = difference_words(quantity, compared, units)
    if difference != "—":
        yield html.Div(difference, className="strong" if "≠" in difference else "")
    for judged in judgement_words(quantity, compared, units):
        yield html.Small(judged)


def _percent(told: Document, run: Run, *, aside: bool) -> Component:
    words = f"{SIGN_OF_BASIS[told['basis']]} "
    words += "no lifting" if told["basis"] == "untested" else f"{plain_number(told['percent'])} %"
    shown = words if told["t_s"] is None else _to(run, told["t_s"], words)
    return html.Td(html.Div(shown, className="told"), className="aside" if aside else None)


def _sameness(row: Document) -> str:
    if not row["n"]:
        return "no run counts"
    least = f"{plain_number(row['least_percent'])} %" if row["least_percent"] else "no lifting"
    return f"= {least}" if row["same"] else f"≠ least {least}"


def _to(run: Run, t_s: float, words: Any) -> Component:
    return dcc.Link(
        words,
        href=address("/replay", run, t_s=t_s),
        className="to-moment",
        title=f"replay at {clock_words(t_s)}",
    )
