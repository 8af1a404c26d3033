"""The plan in numbers, and its checks, while the form is filled in."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import dash
from dash import Input, Output, State, html, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.access.callbacks import reading
from dashboard.capacity.planning.plan import radius_digits
from dashboard.capacity.rounding import round_up
from dashboard.figures.units import Units, units_of
from dashboard.figures.words import number_words
from dashboard.pages.attributes import aria
from dashboard.pages.inert import Inert
from dashboard.pages.planned import PlanDocument, quick_plan
from dashboard.test_form.checked import CheckedForm, Mistake, check_form
from logger.errors import FileInvalid

_SIGN = {"fine": ("■", "fine", "proved"), "look": ("▲", "look", "reduced")}


def check_values(asked: dict[str, Any]) -> tuple[CheckedForm, PlanDocument | None]:
    """A form's check and its plan.

    Args:
        asked: ``values`` of the form, the ``text`` it was made from, its ``name`` and the
            ``chart`` that is open, if any.

    Returns:
        What came of the check, and the plan without the truck model; None where there are
        mistakes.
    """
    checked = check_form(asked["values"], asked["text"], name=asked["name"])
    if checked.test is None:
        return checked, None
    try:
        return checked, quick_plan(checked.toml.text, chart_csv(asked, checked))
    except FileInvalid as exc:
        mistake = Mistake(path="load", where="Test load", says=f"{exc.what}; {exc.would_do}")
        return CheckedForm(
            document=checked.document, toml=checked.toml, test=None, mistakes=(mistake,)
        ), None


def chart_csv(asked: dict[str, Any], checked: CheckedForm) -> str:
    """The load chart that is open, as long as the form names it; else nothing."""
    chart, test = asked.get("chart"), checked.test
    named = test.crane.chart if test is not None else ""
    return chart["text"] if chart and named and chart["name"] == named else ""


def least_radius_words(radius_m: float, plan: PlanDocument, units: Units) -> str:
    """A radius that must at least be reached: in other units than the tape's rounded up."""
    digits = radius_digits(plan["tape_step_m"])
    if units.name == "si":
        return units.length.words(radius_m, digits=digits)
    up = round_up(units.length.of(radius_m), 10.0**-digits)
    return number_words(up, units.length.unit, digits=digits)


def register_checks(app: dash.Dash) -> None:
    """Adds the callback that answers each pause in typing."""

    @app.callback(
        Output("plan-checked", "data"),
        Output("plan-numbers", "children"),
        Output("plan-made", "data"),
        Input("plan-values", "data"),
        State("units", "value"),
        prevent_initial_call=True,
    )
    @reading
    async def check(asked: dict[str, Any] | None, units: str | None) -> tuple[Any, Any, Any]:
        if not asked:
            raise PreventUpdate
        checked, plan = await asyncio.to_thread(check_values, asked)
        told = {
            "mistakes": [asdict(m) for m in checked.mistakes],
            "toml": checked.toml.text,
            "remarks_kept": checked.toml.remarks_kept,
            "number": asked["number"],
        }
        if plan is None:
            return told | {"glance": ""}, no_update, no_update
        read_in = units_of(units)
        chart = chart_csv(asked, checked)
        made = {"toml": checked.toml.text, "chart": chart, "page": asked["page"]}
        numbers = Inert(*plan_numbers(plan, read_in, checked, chart_open=bool(chart)))
        return (
            told | {"glance": _glance(plan, read_in)},
            numbers,
            made | {"number": asked["number"]},
        )


def _glance(plan: PlanDocument, units: Units) -> str:
    """The plan in a line, for a screen on which it lies far below the form."""
    radius = units.length.words(plan["guarded_radius_m"], digits=radius_digits(plan["tape_step_m"]))
    return f"{_mass_words(plan['test_load_kg'], units)} at {radius}"


def plan_numbers(
    plan: PlanDocument, units: Units, checked: CheckedForm, *, chart_open: bool
) -> Iterator[Component]:
    """The plan in numbers, and its checks.

    Args:
        plan: a ``slewtrace.plan/1`` document without what the truck model says.
        units: what it is read in.
        checked: the form that it was made from.
        chart_open: whether the load chart that the form names is open.
    """
    digits = radius_digits(plan["tape_step_m"])
    radius = least_radius_words(plan["guarded_radius_m"], plan, units)
    yield html.H2("Plan")
    yield html.Div(
        [
            _numeral("Hang", _mass_words(plan["test_load_kg"], units)),
            _numeral("at the guarded radius", radius),
        ],
        className="plan-numerals",
    )
    yield html.P(_why(plan, units, digits), className="small")
    yield html.Dl([part for row in _facts(plan, units) for part in row])
    yield html.H3("Checks")
    named = checked.test is not None and bool(checked.test.crane.chart)
    modelled = checked.test is not None and checked.test.model is not None
    yield html.Ul(
        [
            *(_check(c, units, digits) for c in plan["checks"]),
            *(
                _not_checked(c, chart_named=named and not chart_open)
                for c in plan["not_checked"]
                if not (modelled and c["what"] == "share of the tipping load")
            ),
        ],
        className="plan-check-list",
    )


def _why(plan: PlanDocument, units: Units, digits: int) -> str:
    bare = least_radius_words(plan["test_radius_m"], plan, units)
    guarded = least_radius_words(plan["guarded_radius_m"], plan, units)
    words = (
        f"At {bare} the load makes the required moment and no more. At {guarded} its moment "
        "reaches it even after the expanded uncertainty is taken off: use that one."
    )
    if plan["rule"] == "simple":
        words += " The method's rule is simple acceptance, which takes nothing off."
    if units.name != "si":
        words += f" On a metric tape: {plan['guarded_radius_m']:.{digits}f} m."
    return words


def _mass_words(mass_kg: float, units: Units) -> str:
    """A mass to the tenth of a unit, where that is not nought."""
    whole = abs(units.mass.of(mass_kg) - round(units.mass.of(mass_kg))) < 0.05
    return units.mass.words(mass_kg, digits=0 if whole else 1)


def _numeral(words: str, value: str) -> Component:
    return html.P([html.Span(words), html.Strong(value, className="numeral")])


def _facts(plan: PlanDocument, units: Units) -> Iterator[tuple[Component, Component]]:
    moment = units.moment
    formula = units.sentence(plan["method"]["formula"])
    yield _fact("Required moment", f"{moment.words(plan['required_moment_nm'])} = {formula}")
    yield _fact(
        "Moment there",
        f"{moment.words(plan['guarded_moment_nm'])} ± {moment.words(plan['expanded_moment_nm'])}",
    )
    bare = least_radius_words(plan["test_radius_m"], plan, units)
    step = units.sentence(f"{1000 * plan['tape_step_m']:g} mm")
    yield _fact("Test radius, bare", f"{bare}, rounded up to the tape's step of {step}")
    yield _fact("Basis", html.Bdi(plan["method"]["basis"], className="name"))
    slewing = plan["slewing"]
    paces = [pace["advised_dps"] for pace in slewing["by_contacts"]]
    rates = (
        f"{min(paces):.2f}" if min(paces) == max(paces) else f"{min(paces):.2f} to {max(paces):.2f}"
    )
    yield _fact(
        "Slew no faster than",
        f"{rates} °/s, for a lift angle to {slewing['resolution_deg']:g}°",
    )
    yield _fact("Swing", _swing(slewing, units))


def _swing(slewing: dict[str, Any], units: Units) -> str:
    if slewing["swing_period_s"] is None:
        return "not reckoned with: give the pendulum's length under Crane"
    most = "at most " if slewing["pendulum_is_bound"] else ""
    return f"{most}{slewing['swing_period_s']:.1f} s on {units.length.words(slewing['pendulum_m'])}"


def _fact(name: str, says: Any) -> tuple[Component, Component]:
    return html.Dt(name), html.Dd(says)


def _check(check: dict[str, Any], units: Units, digits: int) -> Component:
    sign, word, look = _SIGN[check["verdict"]]
    parts: list[Any] = [
        html.Span([html.Span(sign, **aria(hidden="true")), f" {word}"], className=f"sign {look}"),
        html.Span(check["what"], className="what"),
        html.Span(_against(check, units, digits), className="numeral against"),
    ]
    if check["verdict"] == "look":
        parts.append(html.Bdi(units.sentence(check["says"]), className="says name"))
    return html.Li(parts)


def _against(check: dict[str, Any], units: Units, digits: int) -> str:
    """A check's number and its limit."""
    if check["limit"] is None:
        return ""
    known = units.measure_of(check["unit"])

    def words(value: float | None) -> str:
        if value is None:
            return "—"
        if known is None:
            return f"{value:.0f} {check['unit']}".strip()
        return known[0].words(value * known[1], digits=digits if check["unit"] == "m" else None)

    return f"{words(check['value'])}, {check['bound']} {words(check['limit'])}"


def _not_checked(missing: dict[str, Any], *, chart_named: bool) -> Component:
    chart = missing["what"] == "test load on the chart"
    give = missing["give"]
    if chart:
        give = "open the chart that the form names" if chart_named else "name its file, and open it"
    return html.Li(
        [
            html.Span([html.Span("□", **aria(hidden="true")), " not checked"], className="sign"),
            html.Span(missing["what"], className="what"),
            html.Span(give if chart else f"give {give}", className="says muted"),
        ]
    )
