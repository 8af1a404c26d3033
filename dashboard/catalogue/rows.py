"""A run's row and its sectors' rows, out of its result.

The result keeps every number with its budget; the rows keep what is asked across a fleet. They
hold the same values, turned so that angles count from over the rear on their side.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dashboard.catalogue.columns import SIDES

Row = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What the recording tells of a run and its result does not.

    Attributes:
        path: the file, from the fleet's folder on, with slashes.
        corrections_sha256: of the layers that lie on the run, hex; empty without any.
        build: the truck's build; empty where the test file names none.
        kit: id of the rig that measured.
        started_utc: the run's start, ISO 8601 ending in Z; None where nobody knows.
        duration_s: from the first sample to the last, s.
        samples: how many.
    """

    path: str
    corrections_sha256: str
    build: str
    kit: str
    started_utc: str | None
    duration_s: float
    samples: int


def run_row(result: Mapping[str, Any], recorded: Recorded) -> Row:
    """A run's row.

    Args:
        result: its ``slewtrace.result/1`` document.
        recorded: what the recording tells.

    Returns:
        A value for each column of ``columns.RUNS``.
    """
    severities = Counter(finding["severity"] for finding in result["findings"])
    row = _in_common(result, recorded) | {
        "path": recorded.path,
        "corrections_sha256": recorded.corrections_sha256,
        "crane": result["crane"],
        "test": result["test"],
        "duration_s": recorded.duration_s,
        "samples": recorded.samples,
        "test_load_kg": result["plan"]["test_load_kg"],
        "required_moment_nm": result["required"]["moment_nm"],
        "guarded_radius_m": result["plan"]["guarded_radius_m"],
        "verdict": result["verdict"]["standing"],
        "invalid": severities["invalid"],
        "cautions": severities["caution"],
        "notes": severities["note"],
    }
    for side in SIDES:
        row |= {f"{side}_{name}": value for name, value in _side(result, side).items()}
    return row


def sector_rows(result: Mapping[str, Any], recorded: Recorded) -> list[Row]:
    """A row for each sector, as the result lists them.

    Args:
        result: the run's ``slewtrace.result/1`` document.
        recorded: what the recording tells.

    Returns:
        For each sector a value for each column of ``columns.SECTORS``.
    """
    return [
        _in_common(result, recorded)
        | {name: sector[name] for name in ("side", "from_deg", "to_deg", "percent", "basis")}
        | {"proved_moment_nm": sector["least_proved_nm"]}
        for sector in result["sectors"]
    ]


def sortable_utc(stated: str | None) -> str | None:
    """A header's start with exactly six decimals, so that texts sort as their times do."""
    if stated is None:
        return None
    second, _, decimals = stated.removesuffix("Z").partition(".")
    return f"{second}.{decimals[:6]:0<6}Z"


def _in_common(result: Mapping[str, Any], recorded: Recorded) -> Row:
    return {
        "run_id": result["run_id"],
        "sha256": result["recording_sha256"],
        "method_version": result["method_version"],
        "truck": result["truck"],
        "build": recorded.build,
        "kit": recorded.kit,
        "started_utc": sortable_utc(recorded.started_utc),
    }


def _side(result: Mapping[str, Any], side: str) -> Row:
    """The columns that a run has for one side."""
    sweep = next((s for s in result["sweeps"] if s["side"] == side and s["counts"]), None)
    tested = [s for s in result["sectors"] if s["side"] == side and s["basis"] != "untested"]
    return _swept(sweep, side) | {
        "full_to_deg": _full_to_deg(tested),
        "least_percent": min((s["percent"] for s in tested), default=None),
        "proved_moment_nm": min(
            (s["least_proved_nm"] for s in tested if s["least_proved_nm"] is not None),
            default=None,
        ),
    }


def _full_to_deg(tested: list[Row]) -> float | None:
    full = [s["to_deg"] for s in tested if s["from_deg"] == 0 and s["percent"] >= 100]
    return max(full, default=0.0) if tested else None


def _swept(sweep: Mapping[str, Any] | None, side: str) -> Row:
    """What the counting sweep shows: how far it came, its first lift, its last radius."""
    if sweep is None:
        return dict.fromkeys(("reached_deg", "reduced_radius_m", *_lift(None, side)))
    holds = sweep["holds"]
    return {
        "reached_deg": _from_rear(sweep["reached_deg"], side),
        "reduced_radius_m": holds[-1]["radius_m"] if len(holds) > 1 else None,
    } | _lift(sweep["first_lift"], side)


def _lift(lift: Mapping[str, Any] | None, side: str) -> Row:
    names = ("lift_wheel", "lift_deg", "lift_low_deg", "lift_high_deg", "lift_u_deg", "lift_t_s")
    if lift is None:
        return dict.fromkeys(names)
    low_deg, high_deg = sorted(_from_rear(end, side) for end in lift["interval_deg"])
    estimate_deg = _from_rear(lift["estimate_deg"], side)
    told = (lift["wheel"], estimate_deg, low_deg, high_deg, lift["u_slew_deg"], lift["t_s"])
    return dict(zip(names, told, strict=True))


def _from_rear(slew_deg: float, side: str) -> float:
    """A slew angle counted from over the rear on its side; -0.0 never appears."""
    return (slew_deg if side == "right" else -slew_deg) + 0.0
