"""Uncertainty budgets as tables that open: of each lift's angle and each hold's moment."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard.figures.units import Units
from dashboard.figures.words import wheel_words
from dashboard.pages.inert import Inert
from dashboard.shelf.analyses import Result

_MANY = 1000
"""Degrees of freedom beyond which k no longer depends on them."""
_INTRO = (
    "Each table gives what makes a number unsure, the greatest contribution first: its own "
    "standard uncertainty u, what that makes of the result, and its share of the variance."
)


def budgets_card(result: Result, units: Units) -> Component:
    """The budgets of a result.

    Args:
        result: a ``slewtrace.result/1`` document.
        units: what it is read in.
    """
    lifts, holds = list(_lifts(result, units)), list(_holds(result, units))
    if not lifts and not holds:
        words = "No lift and no hold with a known radius: there is no number to doubt."
        return html.Section(
            [html.H2("Uncertainty"), html.P(words, className="muted")],
            className="card",
            id="uncertainty",
        )
    groups = [
        part
        for title, budgets in (("Angles of lifts", lifts), ("Moments of holds", holds))
        if budgets
        for part in (html.H3(title), *budgets)
    ]
    return html.Section(
        [html.H2("Uncertainty"), html.P(_INTRO, className="muted small"), Inert(*groups)],
        className="card budgets",
        id="uncertainty",
    )


def _lifts(result: Result, units: Units) -> Iterator[Component]:
    for number, sweep in enumerate(result["sweeps"], 1):
        for lift in (sweep["first_lift"], *sweep["lifts"]):
            if lift is not None:
                budget = lift["budget"]
                head = [
                    f"Sweep {number}, {sweep['side']}: ",
                    html.Bdi(wheel_words(lift["wheel"]), className="name"),
                    f" at {abs(lift['estimate_deg']):.2f}° ± {budget['expanded']:.2f}°",
                ]
                yield _opening(head, budget, units)


def _holds(result: Result, units: Units) -> Iterator[Component]:
    for number, sweep in enumerate(result["sweeps"], 1):
        for hold in sweep["holds"]:
            budget = hold["moment_budget"]
            if budget is not None:
                head = (
                    f"Sweep {number}, {sweep['side']}: "
                    f"{abs(hold['from_deg']):.1f}° to {abs(hold['to_deg']):.1f}° at "
                    f"{units.length.words(hold['radius_m'])}, "
                    f"{units.moment.words(hold['moment_nm'])} ± "
                    f"{units.moment.words(budget['expanded'])}"
                )
                yield _opening(head, budget, units)


def _opening(head: str | list[Any], budget: dict[str, Any], units: Units) -> Component:
    return html.Details(
        [
            html.Summary(
                [html.Span(head), html.Span(f" (k = {budget['k']:.2f})", className="muted")]
            ),
            html.Div(budget_table(budget, units), className="opened"),
        ]
    )


def budget_table(budget: dict[str, Any], units: Units) -> Component:
    """A budget as a table, greatest contribution first, the sum below.

    Args:
        budget: as it stands in a result.
        units: what it is read in.
    """
    unit = _in(units, budget["unit"])[1]
    heads = ("What", "u", f"u in {unit}", "Share")
    rows = [
        html.Tr(
            [
                html.Th(
                    [html.Bdi(part["name"], className="name"), html.Small(_about(part, units))],
                    scope="row",
                ),
                html.Td(
                    _number_in(units, part["u"], part["unit"], named=True), className="numeral"
                ),
                html.Td(_number_in(units, part["u_y"], budget["unit"]), className="numeral"),
                html.Td(_share(part["share"]), className="numeral"),
            ]
        )
        for part in sorted(budget["contributions"], key=lambda c: -c["share"])
    ]
    few = budget["dof"] is not None and budget["dof"] < _MANY
    dof = f"{budget['dof']:.0f}" if few else f"over {_MANY}"
    total = (
        f"Degrees of freedom {dof}, k = {budget['k']:.2f}, "
        f"U = k·u = {_number_in(units, budget['expanded'], budget['unit'], named=True)}"
    )
    foot = [
        html.Tr(
            [
                html.Th(["Together", html.Small(total)], scope="row"),
                html.Td(),
                html.Td(_number_in(units, budget["u"], budget["unit"]), className="numeral strong"),
                html.Td("100 %", className="numeral"),
            ]
        )
    ]
    head = html.Thead(html.Tr([html.Th(h, scope="col") for h in heads]))
    return html.Table([head, html.Tbody(rows), html.Tfoot(foot)], className="budget")


def _about(part: dict[str, Any], units: Units) -> list[Any]:
    dof = "" if part["dof"] is None else f", {part['dof']:.0f} degrees of freedom"
    return [
        html.Bdi(units.sentence(part["source"]) or "no source given"),
        f"; {part['shape']}{dof}",
    ]


def _share(share: float) -> list[Any]:
    width = min(max(share, 0.0), 1.0)
    bar = html.Span(className="share", style={"width": f"{100 * width:.0f}%"})
    return [f"{100 * share:.1f} %", html.Span(bar, className="share-of")]


def number(value: float, unit: str = "") -> str:
    """A number with three digits that count, and its unit."""
    if value == 0:
        text = "0"
    elif 1e-3 <= abs(value) < 1e5:
        digits = max(0, 2 - _order(value))
        text = f"{value:,.{digits}f}".replace(",", "\u202f")
    else:
        mantissa, exponent = f"{value:.2e}".split("e")
        text = f"{mantissa} · 10{_raised(int(exponent))}"
    text = text.replace("-", "−")
    return f"{text}\u202f{unit}" if unit else text


def _order(value: float) -> int:
    return int(f"{value:e}".split("e")[1])


def _raised(exponent: int) -> str:
    return str(exponent).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


def _number_in(units: Units, value: float, si_unit: str, *, named: bool = False) -> str:
    """A number of an SI unit with three digits that count, as it is read."""
    factor, unit = _in(units, si_unit)
    return number(value * factor, unit if named else "")


def _in(units: Units, si_unit: str) -> tuple[float, str]:
    """What makes of a number of an SI unit one that is read, and the unit it then has."""
    measure = units.measure_of(si_unit)
    if measure is None or units.name == "si":
        return 1.0, "°" if si_unit == "deg" else si_unit
    return measure[1] / measure[0].si_in_one, measure[0].unit
