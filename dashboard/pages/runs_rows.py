"""A run in a line of the list: what was tested, what came out, how good it is.

A line holds plain text and numbers to sort by; grid and cards only lay it out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from typing import Any
from urllib.parse import urlencode

from dashboard.access.visit import may_change
from dashboard.capacity.sectors.verdict import Standing
from dashboard.figures.units import Units
from dashboard.figures.words import (
    SEVERITIES,
    SIGN_OF_SEVERITY,
    duration_words,
    plain_number,
    wheel_words,
)
from dashboard.shelf.analyses import Result, failure_words
from logger.recording.run import Run

Row = dict[str, Any]
WAITING, WORKING, DONE, FAILED = "waiting", "working", "done", "failed"
_LONGEST_NAME = 200
SIGN_OF_STANDING = {
    Standing.FULL: "■",
    Standing.PART: "◪",
    Standing.REDUCED: "◪",
    Standing.NOTHING: "✖",
}
_KIND_OF_STANDING = {
    Standing.FULL: "proved",
    Standing.PART: "reduced",
    Standing.REDUCED: "reduced",
    Standing.NOTHING: "nothing",
}
STANDINGS = tuple(str(s) for s in Standing)


def address(path: str, run: Run, *, t_s: float | None = None) -> str:
    """The address of a page about a run.

    Args:
        path: the page.
        run: the run.
        t_s: a moment in it, s.
    """
    asked: dict[str, Any] = {"run": run.header.run_id}
    if t_s is not None:
        asked["t"] = f"{t_s:.4f}".rstrip("0").rstrip(".")
    return f"{path}?{urlencode(asked)}"


def row_of(run: Run, future: Future[Result] | None, units: Units) -> Row:
    """A run's line.

    Args:
        run: the run.
        future: its result; None where nobody has asked for it yet.
        units: what is read in; downloads are made in the same.
    """
    header = run.header
    start = header.started_utc
    row: Row = {
        "id": header.run_id,
        "truck": _short(header.test.truck.id),
        "test": header.test.test.id,
        "start": start.replace("T", " ")[:16] if start else "not known",
        "length": duration_words((run.span_ns[1] - run.span_ns[0]) / 1e9),
        "href": address("/sectors", run),
        "replay": address("/replay", run),
        "export": _export(run, units) if may_change() else "",
        "sheet": f"{address('/sheet', run)}&units={units.name}",
    }
    return row | _found(future)


def _export(run: Run, units: Units) -> str:
    return f"{address('/export', run)}&format=xlsx&every=0.1+s&units={units.name}"


def _found(future: Future[Result] | None) -> Row:
    if future is None or not future.done():
        state = WAITING if future is None else WORKING
        words = "not analysed yet" if future is None else "analysing …"
        return {"state": state, "verdict": words, "right": "", "left": "", "findings": ""} | _last()
    if failure := failure_words(future):
        told = {"verdict": "not analysed", "verdict_sign": "✖", "verdict_kind": "nothing"}
        failed: Row = {
            "findings": _short(failure),
            "findings_kind": "invalid",
            "findings_rank": 9e9,
        }
        return {"state": FAILED, "right": "", "left": ""} | _last() | told | failed
    result = future.result()
    standing = Standing(result["verdict"]["standing"])
    return {
        "state": DONE,
        "verdict": str(standing),
        "verdict_sign": SIGN_OF_STANDING[standing],
        "verdict_kind": _KIND_OF_STANDING[standing],
        "verdict_rank": len(STANDINGS) - STANDINGS.index(str(standing)),
        **_side(result, "right"),
        **_side(result, "left"),
        **_findings(result["findings"]),
    }


def _last() -> Row:
    """What sorts behind all that is known."""
    return {"verdict_rank": -1, "right_rank": -1, "left_rank": -1, "findings_rank": -1}


def _side(result: Result, side: str) -> Row:
    """Percentages of a side, its first lift, and a number that ranks it: degrees times percent."""
    sectors = [s for s in result["sectors"] if s["side"] == side and s["basis"] != "untested"]
    if not sectors:
        return {side: "□ no lifting", f"{side}_more": "untested", f"{side}_rank": 0}
    words = [f"{plain_number(s['percent'])} % to {plain_number(s['to_deg'])}°" for s in sectors]
    lifts = [s["first_lift"] for s in result["sweeps"] if s["side"] == side and s["first_lift"]]
    lifted = "no wheel lifted"
    if lifts:
        at = f"{abs(lifts[0]['estimate_deg']):.1f}°"
        lifted = f"▲ {wheel_words(lifts[0]['wheel'])} lifted at {at}"
    return {
        side: ", ".join(words),
        f"{side}_more": lifted,
        f"{side}_rank": sum(s["percent"] * (s["to_deg"] - s["from_deg"]) for s in sectors),
    }


def _findings(findings: Sequence[Mapping[str, Any]]) -> Row:
    """The worst findings, how many lesser ones there are, and a number that ranks them."""
    counts = {s: sum(f["severity"] == s for f in findings) for s in SEVERITIES}
    rank = 0
    for severity in SEVERITIES:
        rank = rank * 1000 + counts[severity]
    worst = next((s for s in SEVERITIES if counts[s]), None)
    if worst is None:
        return {"findings": "no findings", "findings_rank": 0}
    more = len(findings) - counts[worst]
    plural = "s" if counts[worst] > 1 and worst != "invalid" else ""
    return {
        "findings": f"{SIGN_OF_SEVERITY[worst]} {counts[worst]} {worst}{plural}",
        "findings_more": f"and {more} lesser" if more else "",
        "findings_kind": worst,
        "findings_rank": rank,
    }


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST_NAME else text[: _LONGEST_NAME - 1] + "…"
