"""Runs that are left out of a comparison's statistics, with the reason, kept beside the run.

``<run>.set_aside.jsonl`` holds a line for each time that someone set the run aside or took it
back: why, who, when. The last line stands; the earlier ones stay to be read. The sealed run is
never touched, and a run that is set aside is still shown wherever runs are compared.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from dashboard.sidecar_lines import add_line, one_line, read_lines, short_name, written_utc

TAKEN_BACK = "taken back"
"""The reason of someone who gave none for taking a run back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """What someone decided about a run.

    Attributes:
        excluded: True where it was set aside, False where it was taken back.
        reason: why.
        by: who; empty where nobody said.
        written_utc: when, ISO 8601.
    """

    excluded: bool
    reason: str
    by: str
    written_utc: str


def exclusions_path(run: Path) -> Path:
    """Where the decisions about a run lie."""
    return run.with_name(f"{run.stem}.set_aside.jsonl")


def read_exclusions(run: Path) -> tuple[Exclusion, ...]:
    """All decisions about a run, from the oldest on."""
    found = map(_exclusion, read_lines(exclusions_path(run)))
    return tuple(e for e in found if e is not None)


def standing_exclusion(run: Path) -> Exclusion | None:
    """Why a run is left out now; None where it isn't."""
    decided = read_exclusions(run)
    return decided[-1] if decided and decided[-1].excluded else None


def decide(
    run: Path, *, excluded: bool, reason: str, by: str = "", now: datetime | None = None
) -> Exclusion:
    """Sets a run aside, or takes it back; kept on the disk when this returns.

    Args:
        run: the run's file.
        excluded: True to set it aside.
        reason: why.
        by: who says so.
        now: when; None for now.

    Raises:
        BadInput: where no reason is given, it is too long, or the file can't be written, or
            is full.
    """
    where = f"the reason to {'set aside' if excluded else 'take back'} {run.stem}"
    decision = Exclusion(
        excluded=excluded,
        reason=one_line(reason, where=where),
        by=short_name(by),
        written_utc=written_utc(now),
    )
    would_do = "make the run's folder writable, or compare copies of the runs"
    add_line(exclusions_path(run), asdict(decision), would_do=would_do)
    return decision


def _exclusion(told: dict[str, Any]) -> Exclusion | None:
    if not isinstance(told.get("excluded"), bool):
        return None
    return Exclusion(
        excluded=told["excluded"],
        reason=str(told.get("reason", "")),
        by=str(told.get("by", "")),
        written_utc=str(told.get("written_utc", "")),
    )
