"""The whole chain from samples to percentage, with every formula's numbers.

Everything printed here stands in the result document, so that whoever doubts a step can take
the document and do the sum again.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from dashboard.figures.words import wheel_words
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

Result = dict[str, Any]
_WIDTH = 79
_INDENT = "   "
_MANY = 1000
"""Degrees of freedom beyond which k no longer depends on them."""


def explanation(result: Result) -> str:
    """The chain of a result, for a terminal.

    Args:
        result: a ``slewtrace.result/1`` document.
    """
    chapters = (
        ("What was read", _readings),
        ("What had to be proved", _required),
        ("Sweeps", _sweeps),
        ("From moments to sectors", _sectors),
        ("Why the wheels lifted, by the truck model", _why),
    )
    lines: list[str] = []
    for number, (title, chapter) in enumerate(chapters, start=1):
        lines += ["", f"{number}. {title}", *_fitted(chapter(result))]
    return "\n".join(lines[1:])


def _readings(result: Result) -> Iterator[str]:
    for reading in result["readings"]:
        rate = f", {reading['rate_hz']:g} a second" if reading["rate_hz"] else ""
        yield f"{reading['channel']}: {reading['samples']} readings{rate}, from {reading['source']}"
        if reading["equation"]:
            yield f"    {reading['equation']}"
        if reading["u"]:
            yield f"    standard uncertainty of a reading: {reading['u']}"
        if reading["u_t_s"]:
            yield f"    times on the run's clock: u = {1000 * reading['u_t_s']:.1f} ms"
    for correction in result.get("corrections", ()):
        yield f"corrected afterwards: {correction['text']}"


def _required(result: Result) -> Iterator[str]:
    plan, required = result["plan"], result["required"]
    yield f"M_q = {required['formula']} = {required['moment_nm']:.1f} N·m"
    yield from _wrapped(f"Basis: {required['basis']}")
    hangs_kg = result["limits"]["hanging_kg"]
    yield (
        f"The load hangs where the cell and what is above it show {hangs_kg:.1f} kg or more "
        f"(95 % of {plan['test_load_kg']:g} kg)."
    )


def _sweeps(result: Result) -> Iterator[str]:
    for number, sweep in enumerate(result["sweeps"], start=1):
        yield (
            f"Sweep {number}, {sweep['side']}, {sweep['start_s']:.1f} s to {sweep['end_s']:.1f} s, "
            f"reached {abs(sweep['reached_deg']):.1f}°: {sweep['reason']}."
        )
        lifts = [x for x in (sweep["first_lift"], *sweep["lifts"]) if x is not None]
        for hold in sweep["holds"]:
            yield from _indented(_hold(hold, result))
        for order, lift in enumerate(lifts):
            yield from _indented(_lift(lift, first=order == 0))
        for change in sweep["radius_changes"]:
            yield (
                f"    Radius {change['from_m']:.3f} m to {change['to_m']:.3f} m at "
                f"{change['t_s']:.1f} s, by {change['by']}, load "
                f"{'set down' if change['set_down'] else 'hanging'}."
            )
    if not result["sweeps"]:
        yield "None: the boom never went out from over the rear with the load hanging."


def _hold(hold: dict[str, Any], result: Result) -> Iterator[str]:
    yield (
        f"Hold {abs(hold['from_deg']):.1f}° to {abs(hold['to_deg']):.1f}°, "
        f"{hold['start_s']:.1f} s to {hold['end_s']:.1f} s"
    )
    if hold["swing_period_s"] is not None:
        yield f"    swing ± {hold['swing_deg']:.1f}°, period {hold['swing_period_s']:.1f} s"
    if hold["radius_m"] is None:
        yield "    nothing tells the radius: no moment"
        return
    yield (
        f"    M = m g R = {hold['load_kg']:.2f} kg × {STANDARD_GRAVITY_MPS2} m/s² × "
        f"{hold['radius_m']:.4f} m = {hold['moment_nm']:.1f} N·m (radius by {hold['radius_by']})"
    )
    yield from (f"    {line}" for line in budget_lines(hold["moment_budget"]))
    required_nm = result["plan"]["required_moment_nm"]
    guarded = f" − U {hold['moment_budget']['expanded']:.1f}" if result["rule"] == "guarded" else ""
    yield f"    proved = M {hold['moment_nm']:.1f}{guarded} = {_decided_nm(hold, result):.1f} N·m"
    if hold["beyond_parts_kg"]:
        yield (
            f"    the cell shows {hold['beyond_parts_kg']:.1f} kg more than the weighed parts and "
            f"both uncertainties allow:"
        )
        yield (
            f"    × (1 − {hold['beyond_parts_kg']:.2f} / {hold['load_kg']:.2f}) = "
            f"{hold['proved_moment_nm']:.1f} N·m"
        )
    yield (
        f"    100 × {hold['proved_moment_nm']:.1f} / {required_nm:.1f} = "
        f"{hold['proved_percent']:.2f} % of what is required"
    )


def _lift(lift: dict[str, Any], *, first: bool) -> Iterator[str]:
    low, high = sorted(abs(x) for x in (lift["slew_low_deg"], lift["slew_high_deg"]))
    yield (
        f"{'First lift' if first else 'Lift'}: {wheel_words(lift['wheel'])}, first open reading at "
        f"{lift['t_s']:.3f} s, boom at {abs(lift['slew_deg']):.2f}°"
    )
    yield f"    it left the ground at {abs(lift['estimate_deg']):.2f}°"
    yield f"    safe bounds {low:.2f}° to {high:.2f}°; the lesser one bounds the sector"
    yield from (f"    {line}" for line in budget_lines(lift["budget"]))
    ends = sorted(abs(x) for x in lift["interval_deg"])
    yield f"    95 % interval {ends[0]:.2f}° to {ends[1]:.2f}°"


def _sectors(result: Result) -> Iterator[str]:
    rounding = result["rounding"]
    yield from _wrapped(result["decision_rule"])
    yield (
        f"Angles are rounded to {rounding['angle_step_deg']:g}° so that a better sector only "
        f"shrinks, percentages down to {rounding['percent_step']:g} %."
    )
    yield from _wrapped(
        "The strip from a lift to where the boom stopped belongs to the next hold, less 1.5 × "
        "(half its width in radians)², which is what a rigid truck's capacity may dip there."
    )
    for sector in result["sectors"]:
        if sector["basis"] == "untested":
            told = "not swept with the load hanging and every wheel down: no lifting"
        else:
            told = (
                f"least proved there {sector['least_proved_nm']:.1f} N·m, "
                f"{sector['least_proved_percent']:.2f} % → {sector['percent']:g} %"
            )
        yield f"{sector['side']} {sector['from_deg']:g}° to {sector['to_deg']:g}°: {told}"


def _decided_nm(hold: dict[str, Any], result: Result) -> float:
    guard_nm = hold["moment_budget"]["expanded"] if result["rule"] == "guarded" else 0.0
    return max(0.0, float(hold["moment_budget"]["value"]) - guard_nm)


def _why(result: Result) -> Iterator[str]:
    for lift in result["why"]:
        yield f"{lift['side']}, {wheel_words(lift['wheel'])}:"
        yield from (f"    {line}" for line in _wrapped(lift["text"]))
    if not result["why"]:
        yield from _wrapped(
            "Not told: no wheel lifted, or the test file has no [model] of the truck."
        )


def budget_lines(budget: dict[str, Any]) -> Iterator[str]:
    """An uncertainty budget as a table, greatest contribution first.

    Args:
        budget: as it stands in a result.
    """
    unit = budget["unit"]
    yield f"{'contribution':32}{'u':>10} {'':4}{'u in ' + unit:>12}{'share':>8}"
    for part in budget["contributions"]:
        yield (
            f"{part['name'][:31]:32}{part['u']:>10.4g} {part['unit']:4}{part['u_y']:>12.4g}"
            f"{100 * part['share']:>6.1f} %"
        )
    few = budget["dof"] is not None and budget["dof"] < _MANY
    dof = f"{budget['dof']:.0f}" if few else f"over {_MANY}"
    yield (
        f"u = {budget['u']:.4g} {unit}, degrees of freedom {dof}, k = {budget['k']:.2f}, "
        f"U = {budget['expanded']:.4g} {unit}"
    )


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH - 2 * len(_INDENT))


def _fitted(lines: Iterator[str]) -> Iterator[str]:
    """Lines that a terminal of 80 columns shows whole; what is too long goes on, indented."""
    for line in lines:
        own = line[: len(line) - len(line.lstrip())]
        yield from textwrap.wrap(
            line,
            _WIDTH,
            initial_indent=_INDENT,
            subsequent_indent=f"{_INDENT}{own}    ",
            break_on_hyphens=False,
        )


def _indented(lines: Iterator[str]) -> Iterator[str]:
    return (f"    {line}" for line in lines)
