"""A rule: what a run is judged by, and the shape of a function that judges it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from dashboard.capacity.findings.finding import Finding
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.sectors.sectors import Sector


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A run that is judged.

    Attributes:
        evidence: what it shows.
        sweeps: its sweeps.
        required_nm: required moment M_q, N·m.
        sectors: of both sides, or None where nobody has worked them out.
    """

    evidence: Evidence
    sweeps: tuple[Sweep, ...]
    required_nm: float
    sectors: Sequence[Sector] | None = None


Rule: TypeAlias = Callable[[Judged], Iterable[Finding]]
"""Gives the findings of one kind; never raises, and never changes what it is given."""
