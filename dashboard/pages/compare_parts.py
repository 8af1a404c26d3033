"""Parts of the page Compare: who is compared, what can't be, room for tables and figures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboard.comparing import LEAST_RUNS
from dashboard.exclusions import TAKEN_BACK, read_exclusions
from dashboard.figures.statistic_words import statistics_words
from dashboard.figures.units import Units
from dashboard.figures.words import shown_name
from dashboard.pages.attributes import aria, data
from dashboard.pages.compare_choice import Comparison
from dashboard.pages.compare_tables import directions_table, quantities_table, sectors_table
from dashboard.pages.compared import Found
from dashboard.pages.inert import Inert
from dashboard.pages.runs_rows import address
from dashboard.repeats.run_comparison_sameness import departures
from logger.errors import BadInput
from logger.recording.run import Run

Document = dict[str, Any]


def nothing_chosen() -> Component:
    """What is shown where no run was chosen."""
    return html.Section(
        [
            html.H2("Nothing chosen yet"),
            html.P(
                "Choose two or more runs of one truck above, or mark them in the list of runs and "
                "press Compare there."
            ),
            html.P(dcc.Link("To the list of runs", href="/", className="button")),
        ],
        className="card empty",
    )


def refused(reason: BadInput, found: Found, choice: Comparison) -> Component:
    """Why the runs are not compared, and the way to compare them all the same."""
    if len(found.runs) < LEAST_RUNS:
        parts = [
            html.H2(
                "One run is nothing to compare" if found.runs else "None of these runs is here"
            ),
            *_missing(found),
            html.P("Choose another run of the same truck above."),
        ]
        return html.Section(parts, className="card empty refused")
    differing = [
        html.Li(_departure(d.document()))
        for d in departures([seen.compared for seen in found.looked])
        if d.other_test
    ] or [html.Li(html.Bdi(reason.what))]
    return html.Section(
        [
            html.H2("These are no repeats of one test"),
            *_missing(found),
            html.Ul(differing, className="differing"),
            html.P(
                "The differences between such runs are not those of a method that repeats.",
                className="muted",
            ),
            dcc.Link(
                "Compare all the same",
                href=replace(choice, anyway=True).address,
                className="button",
            ),
        ],
        className="card empty refused",
    )


def who(document: Document, found: Found) -> Component:
    """Who is compared: a line a run, and what differs between them."""
    heads = ("No.", "Test and run", "Start (UTC)", "Build", "Kit", "Verdict", "Use")
    rows = [
        html.Tr(
            [
                html.Th(html.Span(str(number), className="badge"), scope="row"),
                *(
                    html.Td(cell, **data(head=head))
                    for head, cell in zip(heads[1:], _cells(document, told, run), strict=True)
                ),
            ],
            className="aside" if told["set_aside"] else None,
        )
        for number, (told, run) in enumerate(zip(document["runs"], found.runs, strict=True), 1)
    ]
    truck = html.Bdi(shown_name(document["runs"][0]["truck"]), className="name")
    return Inert(
        html.Section(
            [
                html.H2([f"{document['n']} of {len(rows)} runs count, truck ", truck]),
                *_missing(found),
                html.Div(
                    html.Table(
                        [
                            html.Thead(html.Tr([html.Th(h, scope="col") for h in heads])),
                            html.Tbody(rows),
                        ],
                        className="who",
                    ),
                    className="scrolled",
                ),
                *_differing(document),
                html.P(document["computed"], className="muted small"),
            ],
            className="card",
        )
    )


def _cells(document: Document, told: Document, run: Run) -> Iterator[Any]:
    """What stands in a run's line, after its number."""
    yield _name(run)
    yield (told["started_utc"] or "not known").replace("T", " ")[:16]
    yield html.Bdi(shown_name(told["build"]), className="name") if told["build"] else "—"
    yield html.Bdi(shown_name(told["kit"]), className="name")
    yield told["verdict"]
    yield [*_use(document, told, run)]


def body(document: Document, found: Found, units: Units) -> list[Component]:
    """Figures, tables and statistics."""
    shown = [
        Inert(_card("What each run says", quantities_table(document, found, units))),
        _framed("Load, radius and moment over the slew angle", "compare-overlay"),
        Inert(_card("Sectors", sectors_table(document, found))),
        Inert(_statistics(document, units)),
        Inert(_card("The way out against the way back", directions_table(document, found))),
        _framed("Reactions by the truck model", "compare-reactions", computed=True),
    ]
    return [_framed("First lifts", "compare-dots"), *shown]


def _card(title: str, *parts: Component) -> Component:
    return html.Section([html.H2(title), *parts], className="card")


def _framed(title: str, frame: str, *, computed: bool = False) -> Component:
    mark = [html.Span("○ computed", className="computed-mark")] if computed else []
    return html.Section(
        [
            html.H2([title, *mark]),
            html.Figure(html.Div(id=frame, className="frame"), **aria(label=title)),
        ],
        className="card computed" if computed else "card",
    )


def _missing(found: Found) -> list[Component]:
    return [html.P(html.Bdi(f"✖ {line}"), className="invalid") for line in found.missing]


def _name(run: Run) -> Component:
    parts = [
        dcc.Link(
            html.Bdi(shown_name(run.header.test.test.id), className="name"),
            href=address("/sectors", run),
            className="row-link",
        ),
        html.Span(
            html.Bdi(shown_name(run.header.run_id), className="name"), className="muted small"
        ),
    ]
    return html.Div(parts, className="run-name")


def _use(document: Document, told: Document, run: Run) -> Iterator[Component]:
    """Whether the run counts, and all that was decided about it."""
    if told["run_id"] == document["against"]:
        yield html.Div("◆ the others are compared with it", className="strong")
    if told["set_aside"] is None and told["run_id"] != document["against"]:
        yield html.Div("✔ counts")
    decided = read_exclusions(run.path)
    for decision in reversed(decided):
        standing = decision is decided[-1] and decision.excluded
        sign = "✖ set aside" if decision.excluded else "✔ taken back"
        by: list[Any] = [" by ", html.Bdi(decision.by)] if decision.by else []
        reason = "" if decision.reason == TAKEN_BACK else decision.reason
        words: list[Any] = [
            f"{sign}: " if reason else sign,
            html.Bdi(reason, className="name"),
            html.Span([f" ({decision.written_utc[:10]}", *by, ")"], className="muted"),
        ]
        yield html.Div(words, className="strong" if standing else "small muted")


def _differing(document: Document) -> list[Component]:
    """What the runs differ in besides what was measured."""
    found = document["findings"]
    if not found:
        named = "one build" if document["runs"][0]["build"] else "a build that is not named"
        words = f"✔ One truck, {named}, one kit, one plan, one rule."
        return [html.P(words, className="same")]
    lines = [html.Li(_departure(f)) for f in found]
    return [html.Ul(lines, className="differing")]


def _departure(found: Document) -> list[Any]:
    """Something that differs; names from files stand apart, so that none turns the rest about."""
    sign, kind = ("✖ another test", "invalid") if found["other_test"] else ("▲ note", "caution")
    parts: list[Any] = [html.Span(sign, className=f"severity {kind}"), f" {found['words']}: "]
    for place, group in enumerate(found["groups"]):
        parts += ["; " if place else "", html.Bdi(shown_name(group["name"])), " in "]
        for number, run_id in enumerate(group["runs"]):
            parts += [", " if number else "", html.Bdi(run_id)]
    return parts


def _statistics(document: Document, units: Units) -> Component:
    """What the runs that count say together; first lifts are open, the rest is a click away."""
    parts = [
        html.Details(
            [html.Summary(title), html.Ul([html.Li(html.Bdi(line)) for line in lines])],
            open="first lift" in title,
        )
        for title, lines in statistics_words(document, units)
        if "Way out" not in title
    ]
    words = (
        "Of the runs that count. Intervals at 95 %. An item is a build, a group a kit; a limit of "
        "repeatability is what two such tests differ by in one of twenty cases."
    )
    return _card("Statistics", html.P(words, className="muted small"), *parts)
