"""What if the test were judged otherwise: another rule, factor or step, beside the result.

The evidence of the run is the same; only the method of judging it changes. What comes out is
never the record: it is drawn dashed, says so, and can neither be printed nor exported.
"""

from __future__ import annotations

import asyncio
import math
import threading
from concurrent.futures import Future
from typing import Any
from weakref import WeakKeyDictionary

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, dcc, html
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.capacity.proof.evidence import Evidence
from dashboard.figures.palette import palette_of
from dashboard.figures.sectors import sectors_figure
from dashboard.figures.sectors_of_result import Sector, sectors_of, sectors_summary
from dashboard.figures.words import SIGN_OF_BASIS, plain_number
from dashboard.gathering import gather_evidence
from dashboard.pages.attributes import aria
from dashboard.pages.inert import Inert
from dashboard.results import OtherMethod, judge
from dashboard.run_library import RunLibrary
from dashboard.shelf.analyses import Result, awaited
from logger.readings.method_table import Method
from logger.recording.run import Run

_CONFIG: Any = {"displayModeBar": False, "displaylogo": False, "staticPlot": True}
_RULES = (("guarded", "Guarded"), ("simple", "Simple"))
_MODES = (("single", "One a side"), ("steps", "In steps"))
_LEAST_FACTOR, _MOST_FACTOR = 1.0, 3.0
_KEYS = ("rule", "sectors", "moment_factor", "angle_step_deg", "percent_step")


class GatheredEvidence:
    """The evidence of runs, kept as long as the results that it led to."""

    def __init__(self) -> None:
        self._gathering = threading.Lock()
        self._of: WeakKeyDictionary[Future[Result], Evidence] = WeakKeyDictionary()

    def judged(self, run: Run, future: Future[Result], other: OtherMethod) -> Result:
        """A run's result by another method.

        Args:
            run: the run.
            future: its own result.
            other: in what the method differs.
        """
        with self._gathering:
            if future not in self._of:
                self._of[future] = gather_evidence(run)
            evidence = self._of[future]
        return judge(run, evidence, other)


def what_if_card(run: Run) -> Component:
    """The card with its choices, which stand as the test file has them.

    Args:
        run: the run.
    """
    method = run.header.test.method
    return html.Section(
        [
            html.H2(["What if ", html.Span("○ not the record", className="computed-mark")]),
            html.P(
                "The same readings, judged by another method. The recorded result stays as it is.",
                className="muted small",
            ),
            html.Div([*_choices(method)], className="what-if-choices"),
            html.Div(id="what-if-frame", className="what-if-frame", **aria(live="polite")),
        ],
        className="card computed",
        id="what-if",
    )


def register_what_if(app: dash.Dash, library: RunLibrary) -> None:
    """Adds the callback that judges anew."""
    gathered = GatheredEvidence()

    @app.callback(
        Output("what-if-frame", "children"),
        *(Input(f"what-if-{key}", "value") for key in _KEYS),
        Input("screen", "data"),
        State("sectors-run", "data"),
        running=[(Output("what-if-frame", "className"), "what-if-frame busy", "what-if-frame")],
    )
    @reading
    async def judge_anew(*asked: Any) -> list[Component]:
        *values, screen, run_id = asked
        run = await asyncio.to_thread(library.find, run_id or "")
        if run is None or not screen:
            raise PreventUpdate
        method = run.header.test.method
        chosen = dict(zip(_KEYS, values, strict=True))
        if trouble := _trouble(chosen):
            return [html.P(["✖ ", trouble], className="invalid")]
        changed = {k: v for k, v in chosen.items() if v != getattr(method, k)}
        future = library.result(run)
        recorded = await awaited(future)
        if not changed:
            return [html.P("As recorded. Change a choice to compare.", className="muted")]
        other = await asyncio.to_thread(gathered.judged, run, future, OtherMethod(**changed))
        return [*_compared(recorded, other, screen)]


def _choices(method: Method) -> list[Component]:
    return [
        _pick("rule", "Decision rule", _RULES, method.rule),
        _pick("sectors", "Reduced sectors", _MODES, method.sectors),
        _number("moment_factor", "Test factor k", method.moment_factor, step=0.01),
        _number("angle_step_deg", "Angle step, °", method.angle_step_deg, step=1),
        _number("percent_step", "Percent step", method.percent_step, step=1),
    ]


def _pick(key: str, words: str, options: tuple[tuple[str, str], ...], value: str) -> Component:
    return html.Fieldset(
        [
            html.Legend(words),
            dmc.SegmentedControl(
                id=f"what-if-{key}",
                value=value,
                data=[{"value": v, "label": label} for v, label in options],
                size="md",
                **aria(label=words),
            ),
        ]
    )


def _number(key: str, words: str, value: float, *, step: float) -> Component:
    number: Component = dmc.NumberInput(
        id=f"what-if-{key}",
        label=words,
        value=value,
        step=step,
        min=0,
        decimalScale=4,
        size="md",
        w=150,
        debounce=400,
        hideControls=True,
    )
    return number


def _trouble(chosen: dict[str, Any]) -> str:
    """Why the choices make no method, one line; empty where they do."""
    for key, words, low, high in (
        ("moment_factor", "Test factor k", _LEAST_FACTOR, _MOST_FACTOR),
        ("angle_step_deg", "Angle step", 0.001, 45.0),
        ("percent_step", "Percent step", 0.001, 50.0),
    ):
        value = chosen[key]
        if not isinstance(value, int | float) or not math.isfinite(value):
            return f"{words}: write a number."
        if not low <= value <= high:
            return f"{words}: {value:g} won't do; write one from {low:g} to {high:g}."
    return ""


def _compared(recorded: Result, other: Result, screen: dict[str, Any]) -> list[Component]:
    figure = sectors_figure(other, palette_of(screen["scheme"]), narrow=True)
    graph = dcc.Graph(figure=figure, config=_CONFIG, style={"height": f"{figure.layout.height}px"})
    shown = html.Figure(
        [graph, html.Figcaption(html.P(sectors_summary(other)), className="muted small")],
        className="what-if-ring",
        **aria(label="Sectors by the other method, not the record"),
    )
    head = html.Tr([html.Th(h, scope="col") for h in ("Side", "Recorded", "What if")])
    rows = [
        html.Tr(
            [
                html.Th(side, scope="row"),
                html.Td(_sectors_words(sectors_of(recorded), side)),
                html.Td(_sectors_words(sectors_of(other), side), className="what-if-new"),
            ]
        )
        for side in ("right", "left")
    ]
    table = html.Table([html.Thead(head), html.Tbody(rows)], className="what-if-table")
    same = recorded["sectors"] == other["sectors"]
    verdict = html.P(
        [
            html.Strong("The sectors stay the same. " if same else "○ Not the record. "),
            f"{other['decision_rule']}" if recorded["rule"] != other["rule"] else "",
        ]
    )
    return [html.Div(Inert(verdict, table)), shown]


def _sectors_words(sectors: tuple[Sector, ...], side: str) -> Component:
    mine = [s for s in sectors if s.side == side]
    if not mine:
        return html.P("not swept: no lifting")
    return html.Ul(
        [
            html.Li(
                [
                    html.Strong(f"{SIGN_OF_BASIS.get(s.basis, '·')} {s.words} "),
                    f"{plain_number(s.from_deg)}° to {plain_number(s.to_deg)}°",
                ]
            )
            for s in mine
        ]
    )
