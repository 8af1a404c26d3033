"""The verdict of a result, before everything else: what was proved, or that nothing was."""

from __future__ import annotations

from collections.abc import Iterator

from dash import html
from dash.development.base_component import Component

from dashboard.capacity.findings.finding import NOTHING_PROVED
from dashboard.capacity.sectors.verdict import Standing
from dashboard.figures.units import Units
from dashboard.figures.words import SEVERITIES, SIGN_OF_SEVERITY
from dashboard.pages.attributes import aria
from dashboard.shelf.analyses import Result

FINDINGS_ID = "findings"
_SIGN = {
    Standing.FULL: "■",
    Standing.PART: "◪",
    Standing.REDUCED: "◪",
    Standing.NOTHING: "✖",
}
_KIND = {
    Standing.FULL: "proved",
    Standing.PART: "reduced",
    Standing.REDUCED: "reduced",
    Standing.NOTHING: "nothing",
}


def verdict_card(result: Result, units: Units) -> Component:
    """The verdict; where the run proves nothing also why, and what to do.

    Args:
        result: a ``slewtrace.result/1`` document.
        units: what it is read in.
    """
    verdict = result["verdict"]
    standing = Standing(verdict["standing"])
    return html.Section(
        [
            html.H2(
                [
                    html.Span(_SIGN[standing], className="sign", **aria(hidden="true")),
                    f"{str(standing).capitalize()}",
                ],
                id="verdict-standing",
            ),
            html.P(verdict["text"], className="says"),
            *(_why_nothing(result, units) if standing is Standing.NOTHING else ()),
            *_found(result),
            html.P([html.Strong("▲ Caution "), " ".join(result["cautions"])], className="small"),
        ],
        className=f"card verdict {_KIND[standing]}",
        id="verdict",
        **aria(labelledby="verdict-standing"),
    )


def _why_nothing(result: Result, units: Units) -> Iterator[Component]:
    for finding in result["findings"]:
        if finding["code"] == NOTHING_PROVED:
            for part in ("text", "what_to_do"):
                yield html.P(html.Bdi(units.sentence(finding[part])), className="name")


def _found(result: Result) -> Iterator[Component]:
    """How many findings of each kind there are, with the way to them."""
    severities = [f["severity"] for f in result["findings"]]
    counts = [
        f"{SIGN_OF_SEVERITY[s]} {severities.count(s)} {s}" for s in SEVERITIES if s in severities
    ]
    if counts:
        yield html.P(
            html.A(f"Findings: {', '.join(counts)}", href=f"#{FINDINGS_ID}", className="to-moment")
        )
