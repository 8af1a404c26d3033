"""The card of a fleet's trend: the control chart, its limits as a table, what changed by build."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import plotly.graph_objects as go
import pyarrow.compute as pc
from dash import html
from dash.development.base_component import Component

from dashboard.figures.control_chart import control_chart_figure
from dashboard.figures.control_points import (
    MOST_POINTS,
    ChartPhase,
    ChartSignal,
    ControlChart,
    drawn_runs,
    hidden_signals,
)
from dashboard.figures.palette import Palette
from dashboard.figures.units import Units
from dashboard.figures.words import drawn_name, number_words
from dashboard.pages.attributes import aria, data
from dashboard.pages.fleet_form import CHART_FORM
from dashboard.pages.fleet_reading import FleetView, rows_of
from dashboard.pages.fleet_table import run_address
from dashboard.pages.fleet_trend import RULES, FleetTrend
from dashboard.pages.inert import Inert
from dashboard.repeats.intervals import Interval
from dashboard.repeats.measurements import PROVISIONAL_UNDER
from dashboard.repeats.trend import Phase, Step

CHART = "fleet-trend"
_MOST_PHASES = 30
_ANSWERS = {
    "within": "✓ shown to be within",
    "beyond": "▲ shown to be beyond",
    "open": "○ open: shown neither way",
}
_SOURCE = (
    "Individuals and moving ranges, limits at the mean ± 2.66 mean moving ranges (ISO 7870-2); "
    "differences by Welch, judged by two one-sided tests at 5 %."
)


def trend_card(view: FleetView, units: Units) -> Component:
    """The card, with an empty frame for its figure."""
    quantity, trend = view.choice.quantity, view.trend
    heading = html.H2(f"Run by run: {quantity.title.lower()}")
    if trend is None:
        words = f"No run of this choice has it: {quantity.title.lower()}."
        form = html.Div(id=CHART_FORM, role="group", **aria(label="What is charted"))
        return html.Section([heading, form, html.P(words)], className="card")
    return html.Section(
        [
            heading,
            html.Div(id=CHART_FORM, role="group", **aria(label="What is charted")),
            Inert(*_cautions(view, trend)),
            html.Figure(
                [
                    html.Div(id=f"{CHART}-frame", className=f"frame {CHART}"),
                    html.Figcaption(html.P(trend_summary(view, trend, units)), className="small"),
                ],
                **aria(label=f"Control chart: {quantity.title.lower()}"),
            ),
            Inert(*_phases(view, trend, units), html.P(_SOURCE, className="muted small")),
        ],
        className="card",
    )


def trend_figure(
    view: FleetView, palette: Palette, *, narrow: bool, units: Units
) -> go.Figure | None:
    """The control chart; None where no run has the quantity."""
    if view.trend is None:
        return None
    chart = _chart(view, view.trend, units)
    told = _told(view, view.trend, drawn_runs(chart).tolist(), units)
    return control_chart_figure(chart, palette, told=told, narrow=narrow)


def trend_summary(view: FleetView, trend: FleetTrend, units: Units) -> str:
    """The chart in sentences, for those who don't see it."""
    count, missing = trend.values.size, view.runs.num_rows - trend.values.size
    order = "build by build, each" if trend.by_build else "in the order of their start,"
    text = f"{_runs(count)} with a value, {order} "
    text += f"in {_plural(len(trend.found.phases), 'phase')} of one build. "
    if missing:
        text += f"{_runs(missing)} without a value are not in the chart. "
    told = [(RULES[rule].words, len(trend.places(rule))) for rule in RULES]
    said = "; ".join(f"{words}, {number_words(n, '')}" for words, n in told if n)
    text += f"Runs with a signal: {said}. " if said else "No signal. "
    if count > MOST_POINTS:
        chart = _chart(view, trend, units)
        hidden = hidden_signals(chart)
        text += (
            f"Drawn are {_runs(drawn_runs(chart).size)}: the least and the greatest of each "
            f"stretch, and {'the farthest signals' if hidden else 'every signal'}. "
        )
        if hidden:
            text += f"{_runs(hidden)} with a signal are in the table only. "
    return text.strip()


def _cautions(view: FleetView, trend: FleetTrend) -> Iterator[Component]:
    trucks = pc.count_distinct(view.runs["truck"]).as_py()
    if trucks > 1:
        yield html.P(
            [
                html.Strong("▲ "),
                f"Runs of {trucks} trucks stand in one chart: its limits hold how trucks differ, ",
                "too. To judge one truck's drift, choose it.",
            ]
        )
    few = [p for p in trend.found.phases if len(p.values) < PROVISIONAL_UNDER]
    if few:
        phases = "one phase" if len(few) == 1 else f"{len(few)} phases"
        which = "The limits are" if len(trend.found.phases) == 1 else f"Limits of {phases} are"
        yield html.P(
            [html.Strong("○ Provisional: "), f"{which} of fewer than {PROVISIONAL_UNDER} runs."]
        )


def _chart(view: FleetView, trend: FleetTrend, units: Units) -> ControlChart:
    quantity = view.choice.quantity
    unit = quantity.unit(units)
    starts = view.runs["started_utc"].to_pylist()
    return ControlChart(
        values=trend.values * quantity.of(1.0, units),
        ranges=trend.ranges() * quantity.of(1.0, units),
        phases=tuple(_drawn(p, lambda v: quantity.of(v, units)) for p in trend.found.phases),
        signals=tuple(
            ChartSignal(
                words=told.words, mark=told.mark, at=at, of_range=rule == "range_beyond_limit"
            )
            for rule, told in RULES.items()
            if (at := trend.places(rule))
        ),
        value_title=f"{quantity.title}, {unit}",
        range_title=f"Moving range, {unit}",
        days=[(starts[n] or "not known")[:10] for n in trend.numbers.tolist()],
    )


def _drawn(phase: Phase, of: Callable[[float], float]) -> ChartPhase:
    chart = phase.chart
    return ChartPhase(
        name=phase.build or "no build named",
        first=phase.start,
        end=phase.stop,
        mean=of(chart.mean if chart else phase.values[0]),
        lower=of(chart.lower_limit) if chart else None,
        upper=of(chart.upper_limit) if chart else None,
        range_mean=of(chart.moving_range_mean) if chart else None,
        range_upper=of(chart.moving_range_limit) if chart else None,
    )


def _told(
    view: FleetView, trend: FleetTrend, drawn: Sequence[int], units: Units
) -> dict[int, tuple[str, str]]:
    """What is said of each run that is drawn, and where it opens."""
    quantity = view.choice.quantity
    numbers = trend.numbers[list(drawn)].tolist()
    told = {}
    for place, number, row in zip(drawn, numbers, rows_of(view, numbers), strict=True):
        lines = [
            f"<b>{quantity.text(row[quantity.column], units)}</b>",
            drawn_name(row["truck"]),
            f"test {drawn_name(row['test'])}",
            (row["started_utc"] or "start not known")[:16].replace("T", " "),
            f"{drawn_name(row['build'] or 'no build named')}, {drawn_name(row['kit'])}",
            *(str(RULES[rule]) for rule in trend.told.get(number, ())),
        ]
        told[place] = "<br>".join(lines), run_address(row)
    return told


def _phases(view: FleetView, trend: FleetTrend, units: Units) -> Iterator[Component]:
    """Phases with their limits, and the steps between them."""
    phases = trend.found.phases
    rows = [_phase_row(p, view, units) for p in phases[:_MOST_PHASES]]
    head = ["Build", "Runs", "Mean (95 %)", "Control limits", "Spread s (95 %)", "Signals"]
    yield html.H3("Phases")
    yield _table(head, rows, "Phases and their limits")
    if len(phases) > _MOST_PHASES:
        yield html.P(f"and {len(phases) - _MOST_PHASES} more phases", className="muted")
    if trend.told:
        href = view.choice.of_rows("signals").address
        words = f"{_runs(len(trend.told))} with a signal, in the table"
        yield html.P(html.A(words, href=href, className="to-moment", **data(stay="1")))
    steps = trend.found.steps[: _MOST_PHASES - 1]
    if steps:
        limit = view.choice.quantity.limit_text(view.choice.practical_limit, units)
        yield html.H3(
            ["From build to build ", html.Small(f"practical limit ± {limit}", className="muted")]
        )
        yield _table(
            ["From, to", "Difference (95 %)", "Against the limit"],
            [_step_row(s, phases, view, units) for s in steps],
            "Differences between builds",
        )


def _phase_row(phase: Phase, view: FleetView, units: Units) -> list[Component | str]:
    quantity, chart = view.choice.quantity, phase.chart
    name = html.Bdi(phase.build or "no build named", className="name")
    count = number_words(len(phase.values), "")
    if chart is None:
        return [name, count, quantity.text(phase.values[0], units), "none: a single run", "—", "—"]

    def both(interval: Interval) -> str:
        return quantity.stretch(interval.low, interval.high, units)

    mark = " ○ provisional" if chart.provisional else ""
    return [
        name,
        count,
        f"{quantity.text(chart.mean, units, more=1)} ({both(chart.mean_interval)})",
        f"{quantity.stretch(chart.lower_limit, chart.upper_limit, units)}{mark}",
        f"{quantity.text(chart.sigma, units, more=1)} ({both(chart.sigma_interval)})",
        number_words(len({i for s in chart.signals for i in range(s.start, s.stop)}), ""),
    ]


def _step_row(
    step: Step, phases: Sequence[Phase], view: FleetView, units: Units
) -> list[Component | str]:
    quantity = view.choice.quantity
    names = [html.Bdi(phases[step.before + i].build or "no build named") for i in (0, 1)]
    between = html.Span([names[0], " → ", names[1]], className="name")
    if step.difference is None:
        return [between, "—", step.why_not]
    found, interval = step.difference, step.difference.interval
    sign = "+" if found.value > 0 else ""
    words = f"{sign}{quantity.text(found.value, units, more=1)}"
    answer = _ANSWERS[step.equivalence.answer] if step.equivalence else "—"
    few = " ○ provisional" if min(found.n) < PROVISIONAL_UNDER else ""
    return [
        between,
        f"{words} ({quantity.stretch(interval.low, interval.high, units)})",
        answer + few,
    ]


def _table(head: Sequence[str], rows: Sequence[Sequence[Component | str]], name: str) -> Component:
    return html.Div(
        html.Table(
            [
                html.Thead(html.Tr([html.Th(words, scope="col") for words in head])),
                html.Tbody(
                    [
                        html.Tr(
                            [html.Th(row[0], scope="row"), *(html.Td(cell) for cell in row[1:])]
                        )
                        for row in rows
                    ]
                ),
            ],
            className="phases",
        ),
        className="wide-phases",
        tabIndex="0",
        role="region",
        **aria(label=name),
    )


def _runs(count: int) -> str:
    return _plural(count, "run")


def _plural(count: int, noun: str) -> str:
    return f"{number_words(count, '')} {noun}{'' if count == 1 else 's'}"
