"""Repeat tests side by side: who is compared, what each says, how far they differ, how surely.

The address holds what is compared, so a comparison can be passed on. Who is set aside, and why,
lies beside the runs and is the same for everyone.
"""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from typing import Any

import dash
import dash_mantine_components as dmc
from dash import ClientsideFunction, Input, Output, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.figures.lift_dots import dots_figure, dots_summary
from dashboard.figures.palette import Palette, palette_of
from dashboard.figures.run_overlay import overlay_figure, overlay_summary
from dashboard.figures.run_reactions import reactions_figure
from dashboard.figures.units import Units, units_of
from dashboard.pages.attributes import aria
from dashboard.pages.compare_aside import register_aside, setting_aside
from dashboard.pages.compare_choice import Comparison, read_comparison
from dashboard.pages.compare_parts import body, nothing_chosen, refused, who
from dashboard.pages.compared import Found, LookedThrough, comparison_of
from dashboard.pages.page import Page, Query
from dashboard.run_library import RunLibrary
from logger.errors import BadInput
from logger.recording.run import Run

_GRAPH: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True}
_MOST_OFFERED = 300
_PATIENCE_S = 0.4
_TYPED_MS = 500
Asked = dict[str, Any]


def layout(library: RunLibrary, _run: Run | None, query: Query) -> Component:
    """The page: what is asked, and room for the answer."""
    choice = read_comparison(query.words)
    ask = {"units": query.units.name, "anyway": choice.anyway}
    return html.Div(
        [
            dcc.Store(id="compare-ask", data=ask),
            dcc.Store(id="compare-decided", data=0),
            dcc.Store(id="compare-address", data=choice.address),
            html.Div(
                [
                    html.H1("Compare"),
                    html.P("Repeat tests of one truck, side by side.", className="muted"),
                ],
                className="title",
            ),
            html.Section([*_asking(library, choice)], className="card asking"),
            html.Div(
                html.P("Reading and analysing the runs …", className="muted"),
                id="compare-who",
                **aria(live="polite"),
            ),
            setting_aside(),
            html.Div(id="compare-body"),
        ],
        id="compare",
    )


def _asking(library: RunLibrary, choice: Comparison) -> list[Component]:
    """The fields that say what is compared with what."""
    return [
        dmc.MultiSelect(
            id="compare-runs",
            label="Runs, numbered in this order",
            data=_offered(library, choice),
            value=list(choice.runs),
            searchable=True,
            clearable=True,
            hidePickedOptions=True,
            maxDropdownHeight=360,
            size="md",
            className="field",
        ),
        dmc.Select(
            id="compare-against",
            label="Against",
            value=choice.against or None,
            data=[],
            placeholder="the first that counts",
            clearable=True,
            size="md",
            className="field",
        ),
        dmc.TextInput(
            id="compare-limit",
            label="Practical limit of a first lift, °",
            value="" if choice.limit_deg is None else f"{choice.limit_deg:g}",
            placeholder="none",
            debounce=_TYPED_MS,
            inputProps={"inputMode": "decimal"},
            size="md",
            className="field",
        ),
    ]


def _offered(library: RunLibrary, choice: Comparison) -> list[dict[str, Any]]:
    """The folder's runs by their trucks; those that are chosen come first."""
    runs = library.shelf(patience_s=_PATIENCE_S).runs
    here = {r.header.run_id: r for r in runs}
    # Some may lie in folders below, which a catalogue knows.
    chosen = [run for i in choice.runs if (run := here.get(i) or library.find(i))]
    rest = [r for r in runs if r.header.run_id not in choice.runs]
    known = {r.header.run_id for r in chosen}
    trucks: dict[str, list[dict[str, str]]] = {}
    for run in (chosen + rest)[:_MOST_OFFERED]:
        items = trucks.setdefault(run.header.test.truck.id, [])
        items.append({"value": run.header.run_id, "label": _label(run)})
    lost = [{"value": i, "label": f"✖ {i}"} for i in choice.runs if i not in known]
    groups = [{"group": truck, "items": items} for truck, items in trucks.items()]
    return [*groups, *([{"group": "not in this folder", "items": lost}] if lost else [])]


def _label(run: Run) -> str:
    start = (run.header.started_utc or "no date").replace("T", " ")[:16]
    return f"{run.header.test.test.id}, {start} ({run.header.run_id})"


def _register(app: dash.Dash, library: RunLibrary) -> None:
    looked = LookedThrough(library)
    _register_answer(app, looked)
    _register_figures(app, looked)
    register_aside(app, library)
    # What the fields changed stands in the address only; a change of units asks for that anew.
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="compare", function_name="keepUp"),
        Input("units", "value"),
        prevent_initial_call=True,
    )
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction(namespace="shell", function_name="keepAddress"),
        Output("compare", "data-address"),
        Input("compare-address", "data"),
        prevent_initial_call=True,
    )


def _register_answer(app: dash.Dash, looked: LookedThrough) -> None:
    @app.callback(
        Output("compare-who", "children"),
        Output("compare-body", "children"),
        Output("compare-against", "data"),
        Output("aside-run", "data"),
        Output("setting-aside", "hidden"),
        Output("compare-address", "data"),
        Input("compare-runs", "value"),
        Input("compare-against", "value"),
        Input("compare-limit", "value"),
        Input("compare-decided", "data"),
        State("compare-ask", "data"),
    )
    @reading
    async def answer(
        runs: list[str] | None,
        against: str | None,
        limit: str | None,
        _decided: int,
        ask: Asked,
    ) -> tuple[Any, ...]:
        choice = read_comparison(
            {"runs": runs or (), "against": against, "limit": limit, "anyway": ask["anyway"]}
        )
        await looked.wait_for(choice)
        return await asyncio.to_thread(_answer, looked, choice, units_of(ask["units"]))


def _answer(looked: LookedThrough, choice: Comparison, units: Units) -> tuple[Any, ...]:
    if not choice.runs:
        return nothing_chosen(), None, [], [], True, choice.address
    found = looked.find(choice)
    offered = [
        {"value": run.header.run_id, "label": f"{number}: {run.header.test.test.id}"}
        for number, run in enumerate(found.runs, 1)
    ]
    try:
        document = comparison_of(found, choice)
    except BadInput as exc:
        return refused(exc, found, choice), None, offered, offered, True, choice.address
    shown = dcc.Store(
        id="compare-shown", data=asdict(choice) | {"runs": list(choice.runs), "units": units.name}
    )
    return (
        who(document, found),
        [shown, *body(document, found, units)],
        offered,
        offered,
        False,
        choice.address,
    )


def _register_figures(app: dash.Dash, looked: LookedThrough) -> None:
    @app.callback(
        Output("compare-dots", "children"),
        Output("compare-overlay", "children"),
        Output("compare-reactions", "children"),
        Input("compare-shown", "data"),
        Input("screen", "data"),
    )
    @reading
    async def draw(shown: Asked | None, screen: dict[str, Any] | None) -> tuple[Any, ...]:
        if not shown or not screen:
            raise PreventUpdate
        units = units_of(shown["units"])
        choice = Comparison(
            runs=tuple(shown["runs"]),
            against=shown["against"],
            limit_deg=shown["limit_deg"],
            anyway=shown["anyway"],
        )
        await looked.wait_for(choice)
        return await asyncio.to_thread(_figures, looked, choice, screen, units)


def _figures(
    looked: LookedThrough, choice: Comparison, screen: dict[str, Any], units: Units
) -> tuple[Any, ...]:
    found = looked.find(choice)
    document = comparison_of(found, choice)
    palette, narrow = palette_of(screen["scheme"]), screen["narrow"]
    runs = found.overlaid()
    return (
        _drawn(dots_figure(document, palette, narrow=narrow), dots_summary(document)),
        _drawn(overlay_figure(runs, palette, units=units, narrow=narrow), overlay_summary(runs)),
        _reactions(found, palette, units, narrow=narrow),
    )


def _drawn(figure: Any, summary: str) -> list[Component]:
    return [
        dcc.Graph(figure=figure, config=_GRAPH, style={"height": f"{figure.layout.height}px"}),
        html.P(summary, className="muted small"),
    ]


def _reactions(found: Found, palette: Palette, units: Units, *, narrow: bool) -> list[Component]:
    if not any(seen.reactions for seen in found.looked):
        words = "No test file of these runs has a truck model, so no reaction can be computed."
        return [html.P(words, className="muted")]
    runs = found.overlaid(reactions=True)
    words = (
        "Computed, not measured: the truck model of each run's own test file under the load and "
        "radius of its holds. A reaction that comes to zero is a lift foreseen."
    )
    return _drawn(reactions_figure(runs, palette, units=units, narrow=narrow), words)


PAGE = Page(path="/compare", of_run=False, layout=layout, register=_register)
