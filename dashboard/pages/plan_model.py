"""What the truck model foresees of a plan: first lifts, reactions, how near to tipping.

It takes a second, so it comes after the rest, and what was typed meanwhile makes it start anew: of
one page only the newest question is worked out.
"""

from __future__ import annotations

import asyncio
import threading
from collections import OrderedDict
from collections.abc import Iterator
from typing import Any

import dash
import plotly.graph_objects as go
from dash import Input, Output, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.capacity.planning.plan import radius_digits
from dashboard.capacity.rounding import round_down
from dashboard.capacity.truck.truck_model import model_result
from dashboard.figures.model import model_summary, reactions_figure, tipping_figure
from dashboard.figures.model_lines import tick_words
from dashboard.figures.palette import palette_of
from dashboard.figures.units import Units, units_of
from dashboard.figures.words import angle_words, number_words, plain_number, wheel_words
from dashboard.pages.attributes import aria
from dashboard.pages.inert import Inert
from dashboard.pages.planned import PlanDocument, read, whole_plan
from logger.errors import FileInvalid

_CONFIG: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True}
_MOST_PAGES = 64
_TABLE_STEP_DEG = 30
_SAYS = (
    "From the masses, places and springs in the form. It tells where to look and whether ballast "
    "is worth loading before the test; it proves nothing."
)


class NewestOnly:
    """Lets one question of a page be worked out at a time, and drops those that are outdated."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._newest: OrderedDict[str, int] = OrderedDict()
        self._turn = threading.Lock()

    def ask(self, page: str, number: int) -> None:
        """Notes a question of a page; older ones are outdated from now on."""
        with self._lock:
            self._newest[page] = max(number, self._newest.pop(page, number))
            while len(self._newest) > _MOST_PAGES:
                self._newest.popitem(last=False)

    def is_newest(self, page: str, number: int) -> bool:
        """Whether a page has asked nothing since."""
        with self._lock:
            return self._newest.get(page, number) <= number

    def work_out(self, made: dict[str, Any]) -> tuple[PlanDocument, dict[str, Any]] | None:
        """The plan and the model's answer; None where the question is outdated.

        Raises:
            FileInvalid: where the form's text won't do.
        """
        page, number = str(made["page"]), int(made["number"])
        with self._turn:
            if not self.is_newest(page, number):
                return None
            plan = whole_plan(made["toml"], made["chart"])
            if not self.is_newest(page, number):
                return None
            test = read(made["toml"])
            model = model_result(
                test, radius_m=plan["guarded_radius_m"], load_kg=plan["test_load_kg"]
            )
        return plan, model


def model_card() -> Component:
    """The card, its content still to come."""
    return html.Section(id="plan-model", className="card computed", **aria(label="Truck model"))


def register_model(app: dash.Dash) -> None:
    """Adds the callback that asks the truck model."""
    newest = NewestOnly()

    @app.callback(
        Output("plan-model", "children"),
        Input("plan-made", "data"),
        Input("screen", "data"),
        State("units", "value"),
        prevent_initial_call=True,
    )
    @reading
    async def foresee(
        made: dict[str, Any] | None, screen: dict[str, Any] | None, units: str | None
    ) -> Any:
        if not made or not screen:
            raise PreventUpdate
        newest.ask(str(made["page"]), int(made["number"]))
        try:
            if read(made["toml"]).model is None:
                return _no_model()
            found = await asyncio.to_thread(newest.work_out, made)
        except FileInvalid as exc:
            return [_heading(), html.P(["▲ Not computed: ", html.Bdi(str(exc), className="name")])]
        if found is None:
            raise PreventUpdate
        return list(_foreseen(*found, screen, units_of(units)))


def _heading() -> Component:
    return html.H2(["Truck model ", html.Span("○ computed, not proved", className="computed-mark")])


def _no_model() -> list[Component]:
    return [
        html.H2("Truck model"),
        html.P(
            "Not in the form. With a truck model the page foresees which wheel lifts first and "
            "where, what each support carries, and how near the load comes to tipping the truck.",
            className="muted",
        ),
    ]


def _foreseen(
    plan: PlanDocument, model: dict[str, Any], screen: dict[str, Any], units: Units
) -> Iterator[Component]:
    palette, narrow = palette_of(screen["scheme"]), screen["narrow"]
    digits = radius_digits(plan["tape_step_m"])
    yield _heading()
    yield html.P(_SAYS, className="muted small")
    sides = [_side(s, units, digits) for s in plan["expected"]]
    yield html.Dl([part for side in sides for part in side], className="of-side")
    if any(side["wheel"] for side in plan["expected"]):
        yield html.P("First lift is not tipping: it comes well before.", className="small")
    yield from _tipping(plan, units)
    yield _figure(
        "What each support carries",
        "plan-reactions",
        _in_a_column(reactions_figure(model, palette, narrow=narrow, units=units)),
        units.sentence(model_summary(model)),
    )
    yield html.Details([html.Summary("Reactions, as a table"), _reaction_table(model, units)])
    yield _figure(
        "What would tip the truck",
        "plan-tipping",
        _in_a_column(tipping_figure(model, palette, narrow=narrow, units=units)),
        "The truck taken as rigid: the load at which it would begin to tip over a line between "
        "two supports. A wheel lifts long before.",
    )


def _side(side: dict[str, Any], units: Units, digits: int) -> tuple[Component, Component]:
    name, limit = html.Dt(side["side"].capitalize()), f"{plain_number(side['limit_deg'])}°"
    if not side["wheel"]:
        return name, html.Dd(f"no wheel lifts up to {limit}")
    lift: list[Any] = [
        html.Bdi(wheel_words(side["wheel"]), className="name"),
        f" lifts first, near {side['lift_deg']:.0f}°; ",
    ]
    if side["reduced_radius_m"] is None:
        return name, html.Dd([*lift, f"no radius goes round to {limit}"])
    # A radius that must not be exceeded: in other units than the tape's rounded down.
    most = round_down(units.length.of(side["reduced_radius_m"]), 10.0**-digits)
    radius = number_words(most, units.length.unit, digits=digits)
    round_at = f"brought in to {radius} the load would go round to {limit}"
    return name, html.Dd([*lift, f"{round_at}, for {plain_number(side['percent'])} %"])


def _tipping(plan: PlanDocument, units: Units) -> Iterator[Component]:
    check = next((c for c in plan["checks"] if c["code"] == "tipping"), None)
    if check is None:
        return
    sign = "■ fine" if check["verdict"] == "fine" else "▲ look"
    margin = plan["tipping"]
    if margin is None:
        words = f"{check['says'][:1].upper()}{check['says'][1:]}."
    else:
        share = "" if check["value"] is None else f"{check['value']:.0f} % of the tipping load, "
        words = (
            f"{share}at most {check['limit']:.0f} % is fine. "
            f"{units.mass.words(margin['tipping_kg'])} would begin to tip the truck at "
            f"{angle_words(margin['slew_deg'], digits=0)}."
        )
        if check["verdict"] == "look":
            words += " Ballast the truck or test at a lower rating first."
    yield html.P([html.Strong(f"{sign}: "), words])


def _in_a_column(figure: go.Figure) -> go.Figure:
    """A figure on half a screen, where every second angle has room."""
    angles = list(range(-180, 181, 90))
    return figure.update_xaxes(
        tickvals=angles, ticktext=[tick_words(a) for a in angles], tickangle=0
    )


def _figure(title: str, key: str, figure: Any, words: str) -> Component:
    return html.Figure(
        [
            html.H3([title, html.Small("  computed")]),
            dcc.Graph(
                id=key, figure=figure, config=_CONFIG, style={"height": f"{figure.layout.height}px"}
            ),
            html.Figcaption(html.P(html.Bdi(words, className="name")), className="muted small"),
        ],
        **aria(label=f"{title}, computed"),
    )


def _reaction_table(model: dict[str, Any], units: Units) -> Component:
    head = html.Tr(
        [html.Th("Slew", scope="col")]
        + [
            html.Th(html.Bdi(wheel_words(s), className="name"), scope="col")
            for s in model["supports"]
        ]
    )
    rows = [
        html.Tr(
            [html.Th(angle_words(slew, digits=0), scope="row")]
            + [html.Td("overturns" if r is None else units.force.words(r)) for r in reactions]
        )
        for slew, reactions in zip(model["slew_deg"], model["reactions_n"], strict=True)
        if slew % _TABLE_STEP_DEG == 0
    ]
    return html.Div(
        Inert(html.Table([html.Thead(head), html.Tbody(rows)])),
        className="wide-table",
        tabIndex="0",
        role="region",
        **aria(label="Reactions"),
    )
