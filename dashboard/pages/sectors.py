"""The result of a run: the sectors seen from above, the numbers behind them, the findings."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from typing import Any

import dash
from dash import Input, Output, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.figures.palette import palette_of
from dashboard.figures.sectors import Sector, sectors_figure, sectors_of, sectors_summary
from dashboard.figures.words import (
    SEVERITIES,
    SIGN_OF_BASIS,
    SIGN_OF_SEVERITY,
    angle_words,
    clock_words,
    moment_words,
    number_words,
    plain_number,
    wheel_words,
)
from dashboard.pages.attributes import aria
from dashboard.pages.load_chart import load_chart_card, register_load_chart
from dashboard.pages.page import Page, Query
from dashboard.pages.runs import address
from dashboard.pages.title import run_title
from dashboard.run_library import Result, RunLibrary, failure_words
from logger.recording.run import Run

_CONFIG: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True}
_CAUTION = (
    "A sector holds for this truck with this crane as they stood in the test. "
    "Where it says no lifting, nothing was proved."
)


def layout(library: RunLibrary, run: Run | None, _query: Query) -> Component:
    """The page."""
    if run is None:
        raise PreventUpdate
    future = library.result(run)
    failure = failure_words(future)
    if failure:
        return html.Div(
            [
                run_title(run, "Sectors"),
                html.Section(
                    [html.H2("This run could not be analysed"), html.P(html.Bdi(failure))],
                    className="card empty",
                ),
            ]
        )
    result = future.result()
    return html.Div(
        [
            dcc.Store(id="sectors-run", data=run.header.run_id),
            run_title(run, "Sectors"),
            html.Div([_figure(result), _numbers(run, result)], className="result"),
            load_chart_card(run, result),
            _sweeps(run, result),
            _findings(run, result),
        ]
    )


def _register(app: dash.Dash, library: RunLibrary) -> None:
    @app.callback(
        Output("sectors-frame", "children"), Input("sectors-run", "data"), Input("screen", "data")
    )
    async def draw(run_id: str | None, screen: dict[str, Any] | None) -> Component:
        run = library.find(run_id) if run_id else None
        if run is None or not screen:
            raise PreventUpdate
        result = await asyncio.wrap_future(library.result(run))
        figure = sectors_figure(result, palette_of(screen["scheme"]), narrow=screen["narrow"])
        return dcc.Graph(id="sectors", figure=figure, config=_CONFIG, className="sectors")

    register_load_chart(app, library)


PAGE = Page(path="/sectors", of_run=True, layout=layout, register=_register)


def _figure(result: Result) -> Component:
    return html.Section(
        html.Figure(
            [
                html.Div(id="sectors-frame", className="sectors"),
                html.Figcaption(
                    [html.P(sectors_summary(result)), html.P(["▲ Caution  ", _CAUTION])],
                    className="muted small",
                ),
            ],
            **aria(label="Sectors seen from above"),
        ),
        className="card",
    )


def _numbers(run: Run, result: Result) -> Component:
    return html.Section(
        [
            html.H2("Sectors"),
            _sector_table(sectors_of(result)),
            html.H2("The test"),
            _plan(run, result["plan"]),
        ],
        className="card",
    )


def _sector_table(sectors: tuple[Sector, ...]) -> Component:
    if not sectors:
        return html.P("Nothing was swept: no lifting anywhere.", className="strong")
    head = html.Tr([html.Th(h, scope="col") for h in ("Side", "From", "To", "Capacity", "Basis")])
    rows = [
        html.Tr(
            [
                html.Td(s.side),
                html.Td(f"{plain_number(s.from_deg)}°", className="numeral"),
                html.Td(f"{plain_number(s.to_deg)}°", className="numeral"),
                html.Td(s.words, className="numeral strong"),
                html.Td(f"{SIGN_OF_BASIS.get(s.basis, '·')} {s.basis}", className=s.basis),
            ]
        )
        for s in sectors
    ]
    return html.Table([html.Thead(head), html.Tbody(rows)], className="plain")


def _plan(run: Run, plan: dict[str, Any]) -> Component:
    test = run.header.test
    facts: list[tuple[str, Any]] = [
        ("Test load", number_words(plan["test_load_kg"], "kg")),
        ("Rated moment", moment_words(test.crane.rated_moment_nm)),
        ("Moment factor", plain_number(plan["moment_factor"])),
        ("Required moment", moment_words(plan["required_moment_nm"])),
        ("Test radius", number_words(plan["test_radius_m"], "m", digits=2)),
    ]
    if test.crane.id:
        facts.insert(0, ("Crane", html.Bdi(test.crane.id, className="name")))
    if test.method.basis:
        facts.append(("Basis of the method", html.Bdi(test.method.basis)))
    return html.Dl([part for k, v in facts for part in (html.Dt(k), html.Dd(v))])


def _sweeps(run: Run, result: Result) -> Component:
    sweeps = result["sweeps"]
    if not sweeps:
        words = "No sweep was found: the boom never went out to a side with the load hanging."
        return html.Section([html.H2("Sweeps"), html.P(words)], className="card")
    cards = [_sweep(run, s, number) for number, s in enumerate(sweeps, 1)]
    return html.Section([html.H2("Sweeps"), html.Div(cards, className="sweeps")], className="card")


def _sweep(run: Run, sweep: dict[str, Any], number: int) -> Component:
    lift = sweep["first_lift"]
    if lift is None:
        first: Any = "no wheel lifted"
    else:
        low_deg, high_deg = sorted((abs(lift["slew_low_deg"]), abs(lift["slew_high_deg"])))
        first = [
            html.Strong(f"▲ {wheel_words(lift['wheel'])} at {angle_words(lift['slew_deg'])}"),
            f" (between {low_deg:.1f}° and {high_deg:.1f}°) ",
            _to_moment(run, lift["t_s"]),
        ]
    facts: list[tuple[str, Any]] = [
        ("Use", _use(sweep)),
        (
            "Swept",
            [
                f"from {clock_words(sweep['start_s'])} to {clock_words(sweep['end_s'])}, ",
                f"as far as {angle_words(sweep['reached_deg'])} ",
                _to_moment(run, sweep["start_s"]),
            ],
        ),
        ("First lift", first),
    ]
    facts += [("Radius change", _change(run, c)) for c in sweep["radius_changes"]]
    facts += [("Hold", _hold(h)) for h in sweep["holds"]]
    return html.Div(
        [
            html.H3(f"{number}. {sweep['side'].capitalize()} sweep"),
            html.Dl([part for k, v in facts for part in (html.Dt(k), html.Dd(v))]),
        ]
    )


def _use(sweep: dict[str, Any]) -> Component:
    """Whether the sectors are made of a sweep, and why."""
    if sweep.get("counts", True):
        return html.Span(sweep.get("reason", "counts"), className="strong")
    return html.Span(["✖ does not count: ", sweep.get("reason", "another of its side counts")])


def _change(run: Run, change: dict[str, Any]) -> list[Any]:
    from_m = number_words(change["from_m"], "m", digits=2)
    to_m = number_words(change["to_m"], "m", digits=2)
    how = "load set down" if change["set_down"] else "load hanging"
    words = f"{from_m} to {to_m} at {angle_words(change['slew_deg'])}, {how}, by {change['by']} "
    return [words, _to_moment(run, change["t_s"])]


def _hold(hold: dict[str, Any]) -> str:
    moment, proved = moment_words(hold["moment_nm"]), moment_words(hold["proved_moment_nm"])
    radius = number_words(hold["radius_m"], "m", digits=2)
    return (
        f"{abs(hold['from_deg']):.1f}° to {abs(hold['to_deg']):.1f}°: "
        f"{number_words(hold['load_kg'], 'kg')} at {radius}, "
        f"moment {moment}, proved {proved}"
    )


def _findings(run: Run, result: Result) -> Component:
    found = list(_finding_rows(run, result["findings"]))
    body = html.Ul(found, className="findings") if found else html.P("None.", className="muted")
    return html.Section([html.H2("Findings"), body], className="card")


def _finding_rows(run: Run, findings: list[dict[str, Any]]) -> Iterator[Component]:
    for finding in sorted(findings, key=lambda f: SEVERITIES.index(f["severity"])):
        severity = finding["severity"]
        sign = SIGN_OF_SEVERITY[severity]
        t_s = finding.get("t_s")
        yield html.Li(
            [
                html.Span(f"{sign} {severity}", className=f"severity {severity}"),
                html.Bdi(finding["text"], className="what"),
                _to_moment(run, t_s) if t_s is not None else None,
            ]
        )


def _to_moment(run: Run, t_s: float) -> Component:
    return dcc.Link(
        f"see {clock_words(t_s)}", href=address("/replay", run, t_s=t_s), className="to-moment"
    )
