"""What had to be proved, what was proved of it hold by hold, and by which rule that is judged."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard.figures.units import Units
from dashboard.figures.words import number_words, plain_number
from dashboard.pages.budgets import number
from dashboard.shelf.analyses import Result
from logger.recording.run import Run


def proof_card(run: Run, result: Result, units: Units) -> Component:
    """The proof.

    Args:
        run: the run.
        result: its ``slewtrace.result/1`` document.
        units: what it is read in.
    """
    return html.Section(
        [
            html.H2("Proof"),
            html.H3("Required"),
            _facts(_required(run, result, units)),
            html.H3("Proved"),
            *_proved(result, units),
            html.H3("How it is judged"),
            _facts(_judged(result, units)),
        ],
        className="card proof",
        id="proof",
    )


def _facts(facts: Iterator[tuple[str, Any]]) -> Component:
    return html.Dl([part for k, v in facts for part in (html.Dt(k), html.Dd(v))])


def _required(run: Run, result: Result, units: Units) -> Iterator[tuple[str, Any]]:
    plan, required = result["plan"], result["required"]
    yield (
        "Required moment",
        [
            html.Strong(units.moment.words(required["moment_nm"])),
            f" = {units.sentence(required['formula'])}",
        ],
    )
    yield "Basis of the method", html.Bdi(required["basis"])
    u_load = number(units.mass.of(plan["u_test_load_kg"]), units.mass.unit)
    load = units.mass.words(plan["test_load_kg"])
    yield "Test load", f"{load} by its parts (u = {u_load})"
    radii = [units.length.words(plan[r]) for r in ("test_radius_m", "guarded_radius_m")]
    yield "Test radius", f"{radii[0]}; {radii[1]} with room for the uncertainty"
    if run.header.test.crane.id:
        yield "Crane", html.Bdi(run.header.test.crane.id, className="name")


def _judged(result: Result, units: Units) -> Iterator[tuple[str, Any]]:
    rule = str(result["decision_rule"]).removeprefix("Decision rule: ")
    yield "Decision rule", rule[:1].upper() + rule[1:]
    rounding = result["rounding"]
    steps = (
        "one reduced sector a side" if rounding["sectors"] == "single" else "a sector for each hold"
    )
    angle, percent = (plain_number(rounding[s]) for s in ("angle_step_deg", "percent_step"))
    rounded = f"angles to {angle}° so that a better sector only shrinks, percentages down to"
    yield "Sectors", f"{steps}; rounded: {rounded} {percent} %"
    if result["least_sure"] is not None:
        yield "Least sure", units.sentence(result["least_sure"]["text"])


def _proved(result: Result, units: Units) -> Iterator[Component]:
    rows = [
        _hold(hold, sweep, number, units)
        for number, sweep in enumerate(result["sweeps"], 1)
        for hold in sweep["holds"]
    ]
    if not rows:
        yield html.P("No hold: the load never hung while the boom was slewed.", className="strong")
        return
    unit = units.moment.unit
    heads = ("Held", f"Moment, {unit}", f"Proved, {unit}", "Of required")
    head = html.Thead(html.Tr([html.Th(h, scope="col") for h in heads]))
    yield html.Table([head, html.Tbody(rows)], className="holds")
    yield html.P(
        "Moment: load × g × radius, ± its expanded uncertainty. Proved: what a sector may count "
        "on, rounded down; in the strip after a lift it is a little less. Hung: where the true "
        "share lies, with 95 %.",
        className="muted small",
    )


def _hold(hold: dict[str, Any], sweep: dict[str, Any], order: int, units: Units) -> Component:
    where = f"{abs(hold['from_deg']):.1f}° to {abs(hold['to_deg']):.1f}° {sweep['side']}"
    unused = "" if sweep["counts"] else "; sweep does not count"
    held: list[Any] = [where, html.Small(f"sweep {order}: {_hung(hold, units)}{unused}")]
    if hold["moment_nm"] is None:
        cells: list[Any] = ["—", "—", html.Strong("no radius: nothing")]
    else:
        low, high = hold["percent_interval"]
        expanded = _bare(hold["moment_budget"]["expanded"], units)
        cells = [
            [_bare(hold["moment_nm"], units), html.Small(f"± {expanded}")],
            units.moment.at_most(hold["proved_moment_nm"]).removesuffix(
                f"\u202f{units.moment.unit}"
            ),
            [
                html.Strong(f"{hold['proved_percent']:.2f} %"),
                html.Small(f"hung {low:.2f} to {high:.2f} %"),
            ],
        ]
    return html.Tr(
        [html.Th(held, scope="row"), *(html.Td(cell, className="numeral") for cell in cells)]
    )


def _hung(hold: dict[str, Any], units: Units) -> str:
    words = units.mass.words(hold["load_kg"])
    if hold["radius_m"] is not None:
        words += f" at {units.length.words(hold['radius_m'])} by {hold['radius_by']}"
    if hold["swing_deg"] is not None:
        words += f", swing ± {hold['swing_deg']:.1f}°"
        if hold["swing_period_s"] is not None:
            words += f" in {hold['swing_period_s']:.1f} s"
    if hold["beyond_parts_kg"]:
        words += (
            f", cell {units.mass.words(hold['beyond_parts_kg'], digits=1)} above the weighed parts"
        )
    return words


def _bare(moment_nm: float, units: Units) -> str:
    return number_words(units.moment.of(moment_nm), "", digits=units.moment.digits)
