"""Repeat tests of one truck put side by side: results in, the ``slewtrace.compare/1`` document out.

Each number stands beside its expanded uncertainty, leads to its run and second, and is compared
with that of a reference run. A run that is set aside stays in sight and has no part in anything
that is counted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from dashboard.repeats.measurements import is_provisional
from dashboard.repeats.run_comparison_difference import Difference, difference
from dashboard.repeats.run_comparison_judgement import e_n, shown_within, within_limit
from dashboard.repeats.run_comparison_sameness import ComparedRun, departures, in_common
from dashboard.repeats.run_comparison_sectors import sector_table
from dashboard.repeats.run_comparison_statistics import (
    Counted,
    directions_agreement,
    statistics_of,
)
from dashboard.repeats.run_comparison_values import (
    QUANTITIES,
    SIDES,
    Quantity,
    Value,
    values_of,
)

FORMAT = "slewtrace.compare/1"
SHARED_WORDS = (
    "With one kit the errors of its sensors (zero of the encoder, calibration of cell and radius "
    "sensor, what hangs above the cell) are the same in both runs and cancel in a difference, as "
    "long as the kit stayed on the truck. Where it was put on anew less cancels, at worst nothing. "
    "Between two kits nothing cancels."
)
COMPUTED_WORDS = (
    "Every result is computed from the readings by version {version} of the method, whatever "
    "version computed it before."
)
_DIGITS = {"deg": 3, "%": 3, "m": 4, "N·m": 1}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked of a comparison.

    Attributes:
        against: id of the reference run; empty for the first that counts.
        limit_deg: the practical limit of a difference between first-lift angles, deg.
        anyway: whether runs of other trucks, cranes or plans are compared all the same.
    """

    against: str = ""
    limit_deg: float | None = None
    anyway: bool = False


def compare_runs(runs: Sequence[ComparedRun], asked: Asked) -> dict[str, Any]:
    """The comparison of runs.

    Args:
        runs: two or more.
        asked: what is asked.

    Returns:
        The document, ready for JSON.

    Raises:
        ValueError: where no run has the id of the reference.
    """
    reference = reference_of(runs, asked.against)
    version = runs[0].result["method_version"]
    quantities = [
        _quantity_document(quantity, side, runs, reference, asked)
        for side in SIDES
        for quantity in QUANTITIES
    ]
    return {
        "format": FORMAT,
        "method_version": version,
        "computed": COMPUTED_WORDS.format(version=version),
        "shared": SHARED_WORDS,
        "against": reference.run_id,
        "limit_deg": asked.limit_deg,
        "n": sum(run.set_aside is None for run in runs),
        "runs": [_run_document(run) for run in runs],
        "findings": [found.document() for found in departures(runs)],
        "quantities": quantities,
        "sectors": sector_table(runs),
        "directions": _directions(runs),
        "within_limit": within_limit(quantities, asked.limit_deg),
        "cautions": list(runs[0].result["cautions"]),
    }


def reference_of(runs: Sequence[ComparedRun], against: str) -> ComparedRun:
    """The run that the others are compared with: the one named, else the first that counts.

    Raises:
        ValueError: where no run has the id.
    """
    if not against:
        return next((run for run in runs if run.set_aside is None), runs[0])
    found = next((run for run in runs if run.run_id == against), None)
    if found is None:
        raise ValueError(f"none of the runs is {against!r}")
    return found


def _run_document(run: ComparedRun) -> dict[str, Any]:
    result = run.result
    return {
        "run_id": run.run_id,
        "recording_sha256": result["recording_sha256"],
        "method_version": result["method_version"],
        "truck": result["truck"],
        "crane": result["crane"],
        "test": result["test"],
        "build": run.build,
        "kit": run.kit,
        "started_utc": run.started_utc,
        "verdict": result["verdict"]["standing"],
        "test_load_kg": result["plan"]["test_load_kg"],
        "moment_factor": result["required"]["factor"],
        "required_moment_nm": result["required"]["moment_nm"],
        "rule": result["rule"],
        "set_aside": None if run.set_aside is None else asdict(run.set_aside),
    }


def _quantity_document(
    quantity: Quantity,
    side: str,
    runs: Sequence[ComparedRun],
    reference: ComparedRun,
    asked: Asked,
) -> dict[str, Any]:
    values = {run.run_id: values_of(run.result, side)[quantity.key] for run in runs}
    limit = asked.limit_deg if quantity.key == "lift_deg" else None
    told = [
        Counted(run=run, value=number)
        for run in sorted(runs, key=lambda r: r.started_utc or "")
        if run.set_aside is None and (number := values[run.run_id].number) is not None
    ]
    compared = [
        _difference_document(run, reference, values, quantity, limit)
        for run in runs
        if run is not reference
    ]
    return {
        "key": quantity.key,
        "side": side,
        "words": quantity.words,
        "unit": quantity.unit,
        "rounded": quantity.rounded,
        "against": reference.run_id,
        "values": [_value_document(run, values[run.run_id], quantity) for run in runs],
        "differences": compared,
        "statistics": _statistics(quantity, told, limit),
    }


def _statistics(quantity: Quantity, told: Sequence[Counted], limit: float | None) -> dict[str, Any]:
    if quantity.unit and not quantity.rounded:
        return statistics_of(told, limit=limit)
    why = "is rounded to the safe side" if quantity.unit else "is a name"
    return {"n": len(told), "why_not": f"it {why}, so its scatter says nothing"}


def _value_document(run: ComparedRun, value: Value, quantity: Quantity) -> dict[str, Any]:
    return {
        "run_id": run.run_id,
        "value": _rounded(value.value, quantity),
        "expanded": _rounded(value.expanded, quantity),
        "interval": None
        if value.interval is None
        else [_rounded(end, quantity) for end in value.interval],
        "t_s": value.t_s,
        "why_not": value.why_not or None,
        "set_aside": run.set_aside is not None,
    }


def _difference_document(
    run: ComparedRun,
    reference: ComparedRun,
    values: Mapping[str, Value],
    quantity: Quantity,
    limit: float | None,
) -> dict[str, Any]:
    own, other = values[run.run_id], values[reference.run_id]
    found = difference(own, other, in_common(run, reference))
    return {
        "run_id": run.run_id,
        "difference": _rounded(found.value, quantity),
        "same": own.value == other.value if not quantity.unit else None,
        "expanded": _rounded(found.expanded, quantity),
        "interval": _interval(found, quantity),
        "expanded_apart": _rounded(found.expanded_apart, quantity),
        "cancelled": list(found.cancelled),
        "explained": found.explained,
        "within_limit": None if limit is None else shown_within(found, limit),
        "e_n": e_n(quantity, run, own, reference, other),
        "t_s": own.t_s,
        "set_aside": run.set_aside is not None,
    }


def _interval(found: Difference, quantity: Quantity) -> list[Any] | None:
    """The difference less and plus its expanded uncertainty."""
    if found.value is None or found.expanded is None:
        return None
    return [_rounded(found.value + sign * found.expanded, quantity) for sign in (-1, 1)]


def _directions(runs: Sequence[ComparedRun]) -> dict[str, Any]:
    pairs = [
        {"run_id": run.run_id, "set_aside": run.set_aside is not None, **closing}
        for run in runs
        for closing in run.closings
    ]
    counting = [p for p in pairs if not p["set_aside"]]
    return {
        "n": len(counting),
        "provisional": is_provisional(len(counting)),
        "pairs": pairs,
        "agreement": directions_agreement(counting),
    }


def _rounded(value: float | str | None, quantity: Quantity) -> float | str | None:
    if value is None or isinstance(value, str) or not math.isfinite(value):
        return value if isinstance(value, str) else None
    return round(value, _DIGITS[quantity.unit]) + 0.0
