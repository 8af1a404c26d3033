"""What the truck model says of a run: why wheels lifted, reactions, tipping, capacity.

All of it is computed, none of it proved, and it says so. The figures come after the rest of the
page, since a fit takes seconds.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from typing import Any

import dash
from dash import Input, Output, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.figures.capacity_curve import capacity_figure, capacity_summary
from dashboard.figures.model import model_summary, reactions_figure, tipping_figure
from dashboard.figures.palette import palette_of
from dashboard.figures.units import Units, units_of
from dashboard.figures.words import angle_words, wheel_words
from dashboard.pages.attributes import aria
from dashboard.pages.computed_truck import ComputedTrucks, FittedCapacity, Stands
from dashboard.pages.inert import Inert
from dashboard.run_library import RunLibrary
from dashboard.shelf.analyses import Result
from logger.recording.run import Run

_CONFIG: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True}
_COMPUTED = (
    "From the masses, places and springs in the [model] of the test file. It explains and "
    "foresees; no sector rests on it."
)
_HOW_TO_ADD = (
    "The test file of this run has no [model] of the truck. With one, this page shows why a wheel "
    "lifted, what each support carries, what would tip the truck, and its capacity all the way "
    "round by computation. To try a model on a test file: "
)


def model_card(run: Run, result: Result, units: Units) -> Component:
    """The card, its figures still to come; without a model, what it would show.

    Args:
        run: the run.
        result: its ``slewtrace.result/1`` document.
        units: what it is read in.
    """
    if run.header.test.model is None:
        words: list[Any] = [_HOW_TO_ADD, html.Code("slewtrace model --test test.toml")]
        return html.Section(
            [html.H2("Truck model"), html.P(words, className="muted")],
            className="card",
            id="truck-model",
        )
    return html.Section(
        [
            html.H2(
                ["Truck model ", html.Span("○ computed, not proved", className="computed-mark")]
            ),
            html.P(_COMPUTED, className="muted small"),
            Inert(*_why(result, units)),
            html.Div(_waiting("Computing …"), id="model-frame", className="model-frame"),
            html.Div(
                _waiting("Fitting the model to the measured lifts …"),
                id="capacity-frame",
                className="model-frame",
            ),
        ],
        className="card computed",
        id="truck-model",
    )


def register_model(app: dash.Dash, library: RunLibrary) -> None:
    """Adds the callback that computes and draws, once the sectors are on the screen."""
    trucks = ComputedTrucks()

    @app.callback(
        Output("model-frame", "children"),
        Input("sectors-frame", "children"),
        State("screen", "data"),
        State("units", "value"),
        State("sectors-run", "data"),
    )
    @reading
    async def draw_stands(
        _drawn: object, screen: dict[str, Any] | None, units: str | None, run_id: str | None
    ) -> list[Component]:
        run, screen = _asked(library, run_id, screen)
        future = library.result(run)
        stands = await asyncio.to_thread(trucks.stands, run, future)
        return list(_stand_figures(stands, screen, units_of(units)))

    @app.callback(
        Output("capacity-frame", "children"),
        Input("model-frame", "children"),
        State("screen", "data"),
        State("units", "value"),
        State("sectors-run", "data"),
        prevent_initial_call=True,
    )
    @reading
    async def draw_capacity(
        _drawn: object, screen: dict[str, Any] | None, units: str | None, run_id: str | None
    ) -> list[Component]:
        run, screen = _asked(library, run_id, screen)
        future = library.result(run)
        fitted = await asyncio.to_thread(trucks.capacity, run, future)
        return list(_capacity_figure(fitted, future.result(), screen, units_of(units)))


def _asked(
    library: RunLibrary, run_id: str | None, screen: dict[str, Any] | None
) -> tuple[Run, dict[str, Any]]:
    """The run and the screen to draw for, where there is anything to draw."""
    run = library.find(run_id) if run_id else None
    if run is None or not screen or run.header.test.model is None:
        raise PreventUpdate
    return run, screen


def _why(result: Result, units: Units) -> Iterator[Component]:
    for lift in result["why"]:
        text = units.sentence(lift["text"])
        head: list[Any] = [
            "Why ",
            html.Bdi(wheel_words(lift["wheel"]), className="name"),
            f" lifted at {angle_words(lift['slew_deg'])}",
        ]
        yield html.Details(
            [
                html.Summary(head),
                html.Div(
                    html.P(html.Bdi(text, className="name")),
                    className="opened",
                ),
            ],
            className="why",
        )
    if not result["why"]:
        no_lift = not any(s["first_lift"] for s in result["sweeps"])
        reason = "no wheel lifted" if no_lift else "none of the lifted wheels is in the model"
        yield html.P(f"Nothing to explain: {reason}.", className="muted")


def _stand_figures(stands: Stands, screen: dict[str, Any], units: Units) -> Iterator[Component]:
    palette, narrow = palette_of(screen["scheme"]), screen["narrow"]
    document = stands.document
    if document is None:
        yield _trouble(stands.trouble)
        return
    yield _figure(
        "What each support carries",
        reactions_figure(document, palette, narrow=narrow, units=units),
        "With the truck as the test file describes it and the planned load. "
        f"{units.sentence(model_summary(document))}",
    )
    yield _figure(
        "What would tip the truck",
        tipping_figure(document, palette, narrow=narrow, units=units),
        "The truck taken as rigid: the load at which it would begin to tip over a line between "
        "two supports. A wheel lifts long before.",
    )


def _capacity_figure(
    fitted: FittedCapacity, result: Result, screen: dict[str, Any], units: Units
) -> Iterator[Component]:
    if fitted.trouble:
        yield _trouble(fitted.trouble)
    if fitted.curve is not None:
        figure = capacity_figure(
            fitted.curve,
            palette_of(screen["scheme"]),
            lifts=fitted.lifts,
            result=result,
            narrow=screen["narrow"],
            units=units,
        )
        words = f"{fitted.verdict} {capacity_summary(fitted.curve, fitted.lifts)}".strip()
        yield _figure("Capacity all the way round", figure, units.sentence(words))


def _trouble(words: str) -> Component:
    return html.P(["▲ Not computed: ", html.Bdi(words, className="name")])


def _figure(title: str, figure: Any, words: str) -> Component:
    return html.Figure(
        [
            html.H3([title, html.Small("  computed")]),
            dcc.Graph(figure=figure, config=_CONFIG, style={"height": f"{figure.layout.height}px"}),
            html.Figcaption(html.P(html.Bdi(words, className="name")), className="muted small"),
        ],
        **aria(label=f"{title}, computed"),
    )


def _waiting(words: str) -> Component:
    return html.P(words, className="muted", role="status")
