"""Where two runs are laid one over the other: by their start, or by the same event in both."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard.figures.words import clock_words

Result = dict[str, Any]

WORDS_OF_WAY: Mapping[str, str] = {
    "start": "start of the run",
    "lift-right": "first lift, right",
    "lift-left": "first lift, left",
    "sweep-right": "begin of the right sweep",
    "sweep-left": "begin of the left sweep",
}


def event_s(result: Result | None, way: str, *, start_s: float) -> float | None:
    """When the event that runs are aligned by happened in one of them, s.

    Where a side was swept several times the last sweep counts, in both runs.

    Args:
        result: the run's result; None where there is none.
        way: one of :data:`WORDS_OF_WAY`.
        start_s: the run's first reading, s.

    Returns:
        The time; None where the run has no such event.
    """
    what, _, side = way.partition("-")
    if what == "start":
        return start_s
    sweeps = [s for s in (result or {}).get("sweeps", ()) if s.get("side") == side]
    if what == "sweep":
        return float(sweeps[-1]["start_s"]) if sweeps else None
    lifts = [s["first_lift"]["t_s"] for s in sweeps if s.get("first_lift")]
    return float(lifts[-1]) if what == "lift" and lifts else None


def alignment_words(way: str, here_s: float, there_s: float) -> str:
    """How another run lies over this one, in a sentence."""
    return (
        f"Aligned by {WORDS_OF_WAY.get(way, way)}: "
        f"{clock_words(there_s)} of it lies at {clock_words(here_s)} of this run."
    )
