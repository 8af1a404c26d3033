"""What a difference between two runs means: within a practical limit, or between two kits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dashboard.repeats import equivalence
from dashboard.repeats.kits import KitValue, en_number
from dashboard.repeats.run_comparison_difference import Difference
from dashboard.repeats.run_comparison_sameness import ComparedRun
from dashboard.repeats.run_comparison_statistics import or_why_not
from dashboard.repeats.run_comparison_values import Quantity, Value

_BY_BUDGETS = "uncertainty budgets of both runs, nothing cancelled"


def e_n(
    quantity: Quantity, run: ComparedRun, own: Value, reference: ComparedRun, other: Value
) -> dict[str, Any]:
    """E_n of the first lifts; what an operator sets anew in each test is no measurand of both."""
    if quantity.key != "lift_deg":
        return {"why_not": "E_n is told of first lifts only: the rest is set anew in each test"}
    if own.number is None or other.number is None or not own.expanded or not other.expanded:
        return {"why_not": "not both runs tell it with an uncertainty"}
    first = KitValue(kit=run.kit, value=own.number, expanded_u=own.expanded)
    second = KitValue(kit=reference.kit, value=other.number, expanded_u=other.expanded)
    return or_why_not(lambda: en_number(first, second).document())


def shown_within(found: Difference, limit: float) -> dict[str, Any]:
    """Whether two runs are shown to differ by less than a limit, whatever they have in common."""
    if found.value is None or found.u_apart is None:
        return {"why_not": "not both runs tell it"}
    judged = equivalence.judged(
        equivalence.Difference(
            value=found.value,
            standard_error=found.u_apart,
            dof=found.dof_apart,
            n=(1, 1),
            method=_BY_BUDGETS,
        ),
        limit,
    )
    return {
        "source": equivalence.SOURCE.format(method=_BY_BUDGETS),
        "limit": limit,
        "interval_of_tests": judged.interval_of_tests.document(),
        "p": judged.p,
        "answer": judged.answer,
    }


def within_limit(quantities: Sequence[dict[str, Any]], limit_deg: float | None) -> bool | None:
    """Whether every run that counts is shown to agree with the reference within the limit.

    On a side where neither lifted a wheel there is nothing to disagree about; where only one did,
    they don't agree.
    """
    if limit_deg is None:
        return None
    return all(
        _agrees(q, d)
        for q in quantities
        if q["key"] == "lift_deg"
        for d in q["differences"]
        if not d["set_aside"]
    )


def _agrees(quantity: dict[str, Any], compared: dict[str, Any]) -> bool:
    pair = (compared["run_id"], quantity["against"])
    lifted = [v["value"] is not None for v in quantity["values"] if v["run_id"] in pair]
    if not any(lifted):
        return True
    return all(lifted) and compared["within_limit"]["answer"] == "within"
