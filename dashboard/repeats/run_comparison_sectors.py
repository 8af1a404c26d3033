"""Sectors of several runs in one table: every stretch between two bounds that any run has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from dashboard.repeats.run_comparison_sameness import ComparedRun
from dashboard.repeats.run_comparison_values import SIDES, counting_sweep


def sector_table(runs: Sequence[ComparedRun]) -> list[dict[str, Any]]:
    """The percentage that each run gives for each stretch.

    Args:
        runs: all that are shown; those set aside have no part in ``least`` and ``same``.

    Returns:
        A row a stretch: ``side, from_deg, to_deg, percents, least_percent, same``; each of
        ``percents`` has ``run_id, percent, basis, t_s``, the last one the second of that run in
        which the stretch was first swept, or None.
    """
    return [
        _row(runs, side, from_deg, to_deg)
        for side in SIDES
        for from_deg, to_deg in pairwise(_bounds(runs, side))
    ]


def _bounds(runs: Sequence[ComparedRun], side: str) -> list[float]:
    return sorted(
        {
            bound
            for run in runs
            for sector in run.result["sectors"]
            if sector["side"] == side
            for bound in (sector["from_deg"], sector["to_deg"])
        }
    )


def _row(runs: Sequence[ComparedRun], side: str, from_deg: float, to_deg: float) -> dict[str, Any]:
    told = [_percent(run, side, from_deg, to_deg) for run in runs]
    counting = [t["percent"] for run, t in zip(runs, told, strict=True) if run.set_aside is None]
    return {
        "side": side,
        "from_deg": from_deg,
        "to_deg": to_deg,
        "percents": told,
        "least_percent": min(counting) if counting else None,
        "same": len(set(counting)) <= 1,
        "n": len(counting),
    }


def _percent(run: ComparedRun, side: str, from_deg: float, to_deg: float) -> dict[str, Any]:
    for sector in run.result["sectors"]:
        if sector["side"] == side and sector["from_deg"] <= from_deg and to_deg <= sector["to_deg"]:
            return {
                "run_id": run.run_id,
                "percent": sector["percent"],
                "basis": sector["basis"],
                "t_s": None
                if sector["basis"] == "untested"
                else _swept_s(run.result, side, from_deg, to_deg),
            }
    return {"run_id": run.run_id, "percent": 0, "basis": "untested", "t_s": None}


def _swept_s(result: Mapping[str, Any], side: str, from_deg: float, to_deg: float) -> float | None:
    """When a hold first came into a stretch, by straight line through the hold."""
    sweep = counting_sweep(result, side)
    for hold in () if sweep is None else sweep["holds"]:
        low, high = (abs(float(hold[end])) for end in ("from_deg", "to_deg"))
        if low < to_deg and from_deg < high:
            share = max(0.0, from_deg - low) / (high - low)
            start_s, end_s = float(hold["start_s"]), float(hold["end_s"])
            return round(start_s + share * (end_s - start_s), 3)
    return None
