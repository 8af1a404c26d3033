"""What several runs of one truck say together: how well a number repeats, and whether it drifts.

Runs that are set aside have no part in it. Each statistic tells how many values it rests on, or
why it can't be told. An item is a build of the truck, a group is the kit that measured it; pairs
of two kits are of one test that both recorded.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard.repeats.agreement import agreement
from dashboard.repeats.individuals import individuals
from dashboard.repeats.measurements import Measurements, NotEnough, is_provisional
from dashboard.repeats.repeatability import repeatability
from dashboard.repeats.run_comparison_sameness import ComparedRun
from dashboard.repeats.trend import trend

NO_BUILD = "build not named"


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """A run's number in a statistic."""

    run: ComparedRun
    value: float


def statistics_of(told: Sequence[Counted], *, limit: float | None) -> dict[str, Any]:
    """The statistics of one quantity on one side.

    Args:
        told: the runs that tell it and are not set aside, in the order of time.
        limit: the practical limit of a difference, in the quantity's unit; None where none is
            given.
    """
    if not told:
        return {"n": 0, "provisional": True, "why_not": "no run tells it"}
    by_build = _measured(told, item=_build, group=lambda c: c.run.kit)
    by_test = _measured(told, item=lambda c: str(c.run.result["test"]), group=lambda c: c.run.kit)
    return {
        "n": len(told),
        "provisional": is_provisional(len(told)),
        "runs": [c.run.run_id for c in told],
        "repeatability": or_why_not(lambda: repeatability(by_build).document()),
        "individuals": or_why_not(lambda: individuals(by_build).document()),
        "agreement": or_why_not(lambda: agreement(by_test).document()),
        "trend": or_why_not(
            lambda: trend(
                [c.value for c in told], [_build(c) for c in told], limit=limit
            ).document()
        ),
    }


def directions_agreement(pairs: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Agreement of the way out and the way back, a pair for each lift that closed under load.

    Args:
        pairs: with ``run_id, side, wheel, lift_deg, closing_deg``.
    """
    items = [f"{p['run_id']} {p['side']} {n}" for n, p in enumerate(pairs, 1)]
    if not pairs:
        return {"why_not": "no lifted wheel came down while the boom slewed back under load"}
    measured = Measurements(
        items=(*items, *items),
        groups=(*("outward" for _ in items), *("return" for _ in items)),
        values=(*(p["lift_deg"] for p in pairs), *(p["closing_deg"] for p in pairs)),
    )
    return or_why_not(lambda: agreement(measured).document())


def or_why_not(statistic: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """A statistic's document, or why there is none."""
    try:
        return statistic()
    except NotEnough as exc:
        return {"why_not": exc.reason}


def _build(counted: Counted) -> str:
    return counted.run.build or NO_BUILD


def _measured(
    told: Sequence[Counted],
    *,
    item: Callable[[Counted], str],
    group: Callable[[Counted], str],
) -> Measurements:
    return Measurements(
        items=tuple(map(item, told)),
        groups=tuple(map(group, told)),
        values=tuple(c.value for c in told),
    )
