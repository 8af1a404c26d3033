"""Sweep by sweep: whether it counts and why, how far it went, its lifts, its radius changes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard.figures.units import Units
from dashboard.figures.words import angle_words, clock_words, wheel_words
from dashboard.pages.moment_link import moment_link
from dashboard.shelf.analyses import Result
from logger.recording.run import Run

_WIDE_DEG = 0.2
"""An interval that is narrower needs a second digit."""


def sweeps_card(run: Run, result: Result, units: Units) -> Component:
    """All sweeps of a run, those that do not count too.

    Args:
        run: the run.
        result: its ``slewtrace.result/1`` document.
        units: what it is read in.
    """
    cards = [_sweep(run, s, number, units) for number, s in enumerate(result["sweeps"], 1)]
    body = (
        html.Div(cards, className="sweeps")
        if cards
        else html.P("No sweep was found: the boom never went out to a side with the load hanging.")
    )
    return html.Section([html.H2("Sweeps"), body], className="card", id="sweeps")


def lift_words(lift: dict[str, Any]) -> list[Any]:
    """A lift: the wheel and the angle, with the interval that holds it at 95 %."""
    low, high = sorted(abs(end) for end in lift["interval_deg"])
    digits = 1 if high - low >= _WIDE_DEG else 2
    late = (
        "; the switch's travel is not known, so it may show late" if lift["travel_unknown"] else ""
    )
    return [
        html.Strong(
            [
                "▲ ",
                html.Bdi(wheel_words(lift["wheel"]), className="name"),
                f" at {angle_words(lift['estimate_deg'])}",
            ]
        ),
        f" (95 %: {low:.{digits}f}° to {high:.{digits}f}°{late}) ",
    ]


def _sweep(run: Run, sweep: dict[str, Any], number: int, units: Units) -> Component:
    facts = _facts(run, sweep, units)
    return html.Div(
        [
            html.H3(f"{number}. {sweep['side'].capitalize()} sweep"),
            html.Dl([part for k, v in facts for part in (html.Dt(k), html.Dd(v))]),
        ]
    )


def _facts(run: Run, sweep: dict[str, Any], units: Units) -> Iterator[tuple[str, Any]]:
    sign = "✔" if sweep["counts"] else "✖"
    yield "Use", html.Span(f"{sign} {sweep['reason']}", className="strong")
    span = f"from {clock_words(sweep['start_s'])} to {clock_words(sweep['end_s'])}, as far as "
    link = moment_link(run, sweep["start_s"], about="start of the sweep")
    yield "Swept", [f"{span}{angle_words(sweep['reached_deg'])} ", link]
    first = sweep["first_lift"]
    if first is None:
        yield "First lift", "no wheel lifted"
    for order, lift in enumerate(x for x in (first, *sweep["lifts"]) if x is not None):
        words = [*lift_words(lift), moment_link(run, lift["t_s"], about="wheel lift")]
        yield "Then" if order else "First lift", words
    for change in sweep["radius_changes"]:
        yield "Radius change", _change(run, change, units)


def _change(run: Run, change: dict[str, Any], units: Units) -> list[Any]:
    before, after = (units.length.words(change[end]) for end in ("from_m", "to_m"))
    how = "load set down" if change["set_down"] else "load hanging"
    words = f"{before} to {after} at {angle_words(change['slew_deg'])}, {how}, by {change['by']} "
    return [words, moment_link(run, change["t_s"], about="radius change")]
