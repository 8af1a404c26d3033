"""What a plan looks like: weight against radius, and the set-up from above."""

from __future__ import annotations

import asyncio
from typing import Any

import dash
import plotly.graph_objects as go
from dash import Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.capacity.planning.plan import radius_digits
from dashboard.figures.palette import palette_of
from dashboard.figures.plan import plan_load_figure, plan_load_summary
from dashboard.figures.truck_outline import TruckOutline, outline_of
from dashboard.figures.truck_plan import truck_plan_svg
from dashboard.figures.units import Units, units_of
from dashboard.figures.words import plain_number, wheel_words
from dashboard.pages.attributes import aria
from dashboard.pages.drawing import Drawing
from dashboard.pages.inert import Inert
from dashboard.pages.planned import PlanDocument, quick_plan, read
from logger.errors import FileInvalid
from logger.readings.test_file import TestFile

_CONFIG: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True}


def figures_card() -> Component:
    """The cards, their figures still to come."""
    return html.Div(
        [
            html.Section(id="plan-loads", className="card", **aria(label="Weight against radius")),
            html.Section(id="plan-set-up", className="card", **aria(label="Set-up from above")),
        ],
        className="plan-figures",
    )


def register_figures(app: dash.Dash) -> None:
    """Adds the callback that draws a plan."""

    @app.callback(
        Output("plan-loads", "children"),
        Output("plan-set-up", "children"),
        Input("plan-made", "data"),
        Input("screen", "data"),
        State("units", "value"),
        prevent_initial_call=True,
    )
    @reading
    async def draw(
        made: dict[str, Any] | None, screen: dict[str, Any] | None, units: str | None
    ) -> tuple[Any, Any]:
        if not made or not screen:
            raise PreventUpdate
        return await asyncio.to_thread(drawn_plan, made, screen, units_of(units))


def drawn_plan(made: dict[str, Any], screen: dict[str, Any], units: Units) -> tuple[Any, Any]:
    """Both cards' content.

    Args:
        made: the form's text (``toml``) and the load chart's (``chart``).
        screen: the ``scheme`` of colours, and whether it is ``narrow``.
        units: what the figures are read in.
    """
    try:
        plan, test = quick_plan(made["toml"], made["chart"]), read(made["toml"])
    except FileInvalid:  # told in the form
        return no_update, no_update
    palette = palette_of(screen["scheme"])
    loads = plan_load_figure(plan, palette, narrow=screen["narrow"], units=units)
    return _loads(plan, loads, units), _set_up(test, plan, units)


def _loads(plan: PlanDocument, figure: go.Figure, units: Units) -> list[Component]:
    return [
        html.H2("Weight against radius"),
        html.Figure(
            [
                dcc.Graph(
                    id="plan-loads-figure",
                    figure=figure,
                    config=_CONFIG,
                    style={"height": f"{figure.layout.height}px"},
                ),
                html.Figcaption(html.P(plan_load_summary(plan, units)), className="muted small"),
            ]
        ),
        html.Details([html.Summary("Other loads, as a table"), _load_table(plan, units)]),
        html.Details([html.Summary("Uncertainty of the moment"), _budget(plan, units)]),
    ]


def _set_up(test: TestFile, plan: PlanDocument, units: Units) -> list[Component]:
    outline = outline_of(test)
    return [
        html.H2("Set-up from above"),
        html.Figure(
            [
                Drawing(
                    truck_plan_svg(
                        test,
                        ring_m=plan["guarded_radius_m"],
                        ring_words=_guarded(plan, units),
                        begins=True,
                    ),
                    id="plan-set-up-figure",
                    className="truck-plan",
                ),
                html.Figcaption(
                    html.P(html.Bdi(_set_up_words(test, outline, plan, units), className="name")),
                    className="muted small",
                ),
            ]
        ),
        html.Details([html.Summary("Places, as a table"), _place_table(test, outline, units)]),
    ]


def _set_up_words(test: TestFile, outline: TruckOutline, plan: PlanDocument, units: Units) -> str:
    wheels = ", ".join(wheel_words(w) for w in test.truck.wheels)
    words = (
        f"The test begins with the boom over the rear and the load hanging at "
        f"{_guarded(plan, units)}. It slews "
        f"to {plain_number(test.truck.slew_limit_right_deg)}° on the right and "
        f"{plain_number(test.truck.slew_limit_left_deg)}° on the left (dashed). "
        f"Wheels: {wheels}."
    )
    if outline.outriggers:
        words += f" Outriggers: {len(outline.outriggers)}."
    if not outline.to_scale:
        words += " Without a [model] that places every wheel, the truck is not to scale."
    return words


def _guarded(plan: PlanDocument, units: Units) -> str:
    return units.length.words(plan["guarded_radius_m"], digits=radius_digits(plan["tape_step_m"]))


def _load_table(plan: PlanDocument, units: Units) -> Component:
    digits = radius_digits(plan["tape_step_m"])
    charted = plan["chart"] is not None
    heads = ["Load", "Radius, bare", "Radius, guarded", *(["Chart allows"] if charted else [])]
    rows = []
    for row in plan["table"]:
        planned = abs(row["test_load_kg"] - plan["test_load_kg"]) < 1e-6
        cells = [
            units.mass.words(row["test_load_kg"], digits=1),
            units.length.words(row["test_radius_m"], digits=digits),
            units.length.words(row["guarded_radius_m"], digits=digits),
            *([units.mass.words(row["chart_kg"])] if charted else []),
        ]
        rows.append(
            html.Tr(
                [html.Td(c) for c in cells] + [html.Td("planned" if planned else "")],
                className="strong" if planned else "",
            )
        )
    return _wide([*heads, ""], rows)


def _budget(plan: PlanDocument, units: Units) -> Component:
    rows = []
    for entry in plan["budget"]["contributions"]:
        measure = units.length if entry["unit"] == "m" else units.mass
        digits = 4 if entry["unit"] == "m" else 2
        stated = measure.words(entry["u"], digits=digits) if entry["u"] else "none stated"
        rows.append(
            html.Tr(
                [
                    html.Th(html.Bdi(entry["name"], className="name"), scope="row"),
                    html.Td(measure.words(entry["value"], digits=3 if entry["unit"] == "m" else 1)),
                    html.Td(stated),
                    html.Td(f"{100 * entry['share']:.0f} %"),
                ]
            )
        )
    return _wide(["What", "Value", "Standard uncertainty", "Share of variance"], rows)


def _place_table(test: TestFile, outline: TruckOutline, units: Units) -> Component:
    if test.model is not None:
        places = [(s.name, s.kind, s.at_m) for s in test.model.supports]
    else:
        places = []
    rows = [
        html.Tr(
            [
                html.Th(html.Bdi(wheel_words(name), className="name"), scope="row"),
                html.Td(kind),
                html.Td(units.length.words(at[0])),
                html.Td(units.length.words(at[1])),
            ]
        )
        for name, kind, at in [*places, ("slew axis", "", outline.column)]
    ]
    if not outline.to_scale:
        return html.P("No places are known: give a [model] with every wheel among its supports.")
    return _wide(["Support", "Kind", "Ahead of the rear axle", "To the left"], rows)


def _wide(heads: list[str], rows: list[Any]) -> Component:
    head = html.Tr([html.Th(h, scope="col") for h in heads])
    return html.Div(
        Inert(html.Table([html.Thead(head), html.Tbody(rows)])),
        className="wide-table",
        tabIndex="0",
        role="region",
        **aria(label="Table"),
    )
