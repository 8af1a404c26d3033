"""Findings, the worst kind first: what was found, what that does, what to do about it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard.figures.units import Units
from dashboard.figures.words import SEVERITIES, SIGN_OF_SEVERITY, clock_words
from dashboard.pages.moment_link import moment_link
from dashboard.pages.verdict import FINDINGS_ID
from dashboard.shelf.analyses import Result
from logger.recording.run import Run

_MEANS = {
    "invalid": "a stretch that proves nothing",
    "caution": "the result stands, but look",
    "note": "for the record",
}


def findings_card(run: Run, result: Result, units: Units) -> Component:
    """All findings of a result.

    Args:
        run: the run, which each finding leads into.
        result: its ``slewtrace.result/1`` document.
        units: what it is read in.
    """
    body = list(_groups(run, result["findings"], units)) or [
        html.P("None: nothing in this run asks for a second look.", className="muted")
    ]
    return html.Section([html.H2("Findings"), *body], className="card", id=FINDINGS_ID)


def _groups(run: Run, findings: list[dict[str, Any]], units: Units) -> Iterator[Component]:
    for severity in SEVERITIES:
        of_it = [f for f in findings if f["severity"] == severity]
        if of_it:
            sign = SIGN_OF_SEVERITY[severity]
            yield html.H3(
                [
                    html.Span(f"{sign} {severity}", className=f"severity {severity}"),
                    html.Span(f"  {_MEANS[severity]}", className="muted small"),
                ]
            )
            yield html.Ul([_finding(run, f, units) for f in of_it], className="findings")


def _finding(run: Run, finding: dict[str, Any], units: Units) -> Component:
    t_s = finding["t_s"] if finding["t_s"] is not None else finding["start_s"]
    place = _place(finding)
    text, effect, to_do = (
        units.sentence(finding[part] or "") for part in ("text", "effect", "what_to_do")
    )
    words = [
        html.P(html.Bdi(text), className="strong"),
        html.P(html.Bdi(effect)) if effect else None,
        html.P(["To do: ", html.Bdi(to_do)]) if to_do else None,
        html.P(place, className="muted small") if place else None,
    ]
    link = None if t_s is None else moment_link(run, t_s, about=finding["text"][:80])
    return html.Li([html.Div([w for w in words if w], className="what"), link])


def _place(finding: dict[str, Any]) -> str:
    """The stretch in angle and time, where the finding has one."""
    parts = []
    if finding["from_deg"] is not None and finding["to_deg"] is not None:
        low, high = (f"{abs(finding[end]):.1f}°" for end in ("from_deg", "to_deg"))
        side = f" {finding['side']}" if finding["side"] else ""
        parts.append(f"{low}{side}" if low == high else f"{low} to {high}{side}")
    elif finding["side"]:
        parts.append(f"{finding['side']} side")
    if finding["start_s"] is not None:
        start, end = clock_words(finding["start_s"]), clock_words(finding["end_s"])
        parts.append(start if start == end else f"{start} to {end}")
    return ", ".join(parts)
