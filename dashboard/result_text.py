"""A result that a person reads in a minute."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from dashboard.figures.words import SIGN_OF_BASIS, SIGN_OF_SEVERITY, clock_words, wheel_words

Result = dict[str, Any]
_WIDTH = 79
_RULES = {
    "guarded": "guarded: the expanded uncertainty is taken off each moment before it is judged",
    "simple": "simple acceptance: each moment is judged as measured, without a guard",
}


def result_text(result: Result) -> str:
    """A result in words and tables: verdict, sectors, lifts, what is least sure, findings.

    Args:
        result: a ``slewtrace.result/1`` document.
    """
    chapters = (
        ("Capacity sectors, counted from over the rear", _sectors),
        ("Sweeps", _sweeps),
        ("Proof", _proof),
        ("Findings", _findings),
    )
    lines = [f"Run {result['run_id']}, truck {result['truck']}", "", *_verdict(result)]
    for title, chapter in chapters:
        lines += ["", title, *chapter(result)]
    return "\n".join([*lines, "", *result["cautions"]])


def _verdict(result: Result) -> Iterator[str]:
    verdict = result["verdict"]
    yield verdict["standing"].upper()
    yield from _wrapped(verdict["text"], indent="")


def _sectors(result: Result) -> Iterator[str]:
    yield "  side        from     to   capacity   basis"
    for sector in result["sectors"]:
        share = f"{sector['percent']:g} %" if sector["percent"] else "no lifting"
        yield (
            f"  {sector['side']:6}{sector['from_deg']:9g}°{sector['to_deg']:6g}°"
            f"{share:>11}   {SIGN_OF_BASIS[sector['basis']]} {sector['basis']}"
        )


def _sweeps(result: Result) -> Iterator[str]:
    for sweep in result["sweeps"]:
        reached = f"reached {abs(sweep['reached_deg']):.1f}°"
        yield from _wrapped(f"{sweep['side']}: {reached}; {sweep['reason']}")
        lifts = [x for x in (sweep["first_lift"], *sweep["lifts"]) if x is not None]
        for order, lift in enumerate(lifts):
            yield f"    {_lift_words(lift, first=order == 0)}"
        if not lifts:
            yield "    no wheel lifted"
        held = ", ".join(
            f"{h['radius_m']:.2f} m" for h in sweep["holds"] if h["radius_m"] is not None
        )
        if held:
            yield f"    held at {held}"
    if not result["sweeps"]:
        yield "  none"


def _lift_words(lift: dict[str, Any], *, first: bool) -> str:
    low, high = sorted(abs(x) for x in lift["interval_deg"])
    return (
        f"{wheel_words(lift['wheel'])} lifted {'first ' if first else ''}at "
        f"{abs(lift['estimate_deg']):.1f}° (95 %: {low:.1f}° to {high:.1f}°), "
        f"{clock_words(lift['t_s'])}"
    )


def _proof(result: Result) -> Iterator[str]:
    plan = result["plan"]
    required = result["required"]
    yield f"  required   {required['moment_nm'] / 1000:.2f} kN·m  ({required['formula']})"
    yield f"  test load  {plan['test_load_kg']:g} kg"
    yield from _wrapped(f"rule       {_RULES[result['rule']]}", more=" " * 11)
    least_sure = result["least_sure"]
    if least_sure is not None:
        yield from _wrapped(f"least sure {least_sure['text']}", more=" " * 11)


def _findings(result: Result) -> Iterator[str]:
    for finding in result["findings"]:
        at = "" if finding["t_s"] is None else f" ({clock_words(finding['t_s'])})"
        sign = SIGN_OF_SEVERITY[finding["severity"]]
        yield from _wrapped(f"{sign} {finding['severity'].upper()}{at}: {finding['text']}")
        for part in (finding["effect"], finding["what_to_do"]):
            if part:
                yield from _wrapped(part, indent="    ")
    if not result["findings"]:
        yield "  none"


def _wrapped(text: str, *, indent: str = "  ", more: str = "  ") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent + more)
