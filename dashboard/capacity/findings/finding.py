"""A finding: what an engineer must know before trusting a result, and what to do about it.

``invalid``: a stretch proves nothing. ``caution``: the result stands, but look. ``note``: for
the record.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from dashboard.capacity.proof.evidence import SlewRecord
from dashboard.capacity.proof.sweeps import Sweep
from logger.events.sweep import Side

SLEWED_DEG = 0.5
"""Less than this is drift, not slewing."""
NOTHING_PROVED = "nothing_proved"


class Severity(StrEnum):
    """What a finding means for the result, the worst first."""

    INVALID = "invalid"
    CAUTION = "caution"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A stretch of a run in time and, where the boom's angle is known, in angle.

    Attributes:
        start_ns: its first moment, ns.
        end_ns: the moment after its last, ns.
        from_deg: its angle nearest to over the rear, deg, signed; or None.
        to_deg: its angle farthest from there, deg, signed; or None.
        side: the sweep's side; or None.
    """

    start_ns: int
    end_ns: int
    from_deg: float | None = None
    to_deg: float | None = None
    side: Side | None = None

    @property
    def words(self) -> str:
        """Such as ``between 41.0° and 55.2° on the right``, from over the rear."""
        if self.from_deg is None or self.to_deg is None:
            return f"for {(self.end_ns - self.start_ns) * 1e-9:.1f} s"
        on = "" if self.side is None else f" on the {self.side}"
        low, high = f"{abs(self.from_deg):.1f}°", f"{abs(self.to_deg):.1f}°"
        return f"at {low}{on}" if low == high else f"between {low} and {high}{on}"

    @property
    def width_deg(self) -> float:
        """How far the boom turned in it, deg."""
        return 0.0 if self.from_deg is None else abs((self.to_deg or 0.0) - self.from_deg)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something an engineer must know.

    Attributes:
        code: its name, such as ``load_not_hanging``.
        severity: what it means for the result.
        t_ns: the moment to look at, ns; None where there is none.
        text: what was found, one sentence.
        effect: what that does to the result, one sentence.
        what_to_do: what would mend it, one sentence.
        place: the stretch that it is about; None where it has none.
    """

    code: str
    severity: Severity
    t_ns: int | None
    text: str
    effect: str
    what_to_do: str
    place: Place | None = None

    def document(self) -> dict[str, Any]:
        """As it stands in a result: times in s, angles in deg."""
        place = self.place
        return {
            "code": self.code,
            "severity": str(self.severity),
            "t_s": _seconds(self.t_ns),
            "text": self.text,
            "effect": self.effect,
            "what_to_do": self.what_to_do,
            "start_s": None if place is None else _seconds(place.start_ns),
            "end_s": None if place is None else _seconds(place.end_ns),
            "from_deg": None if place is None else _angle(place.from_deg),
            "to_deg": None if place is None else _angle(place.to_deg),
            "side": None if place is None or place.side is None else str(place.side),
        }


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """That a run proves nothing before all, then by severity, each in order of time."""
    ranks = {severity: rank for rank, severity in enumerate(Severity)}

    def order(finding: Finding) -> tuple[bool, int, int]:
        t_ns = -(2**62) if finding.t_ns is None else finding.t_ns
        return finding.code != NOTHING_PROVED, ranks[finding.severity], t_ns

    return tuple(sorted(findings, key=order))


def place_in(sweep: Sweep, slew: SlewRecord | None, span: tuple[int, int]) -> Place:
    """The place of a stretch of time in a sweep; half-open, ns."""
    start_ns, end_ns = span
    if slew is None:
        return Place(start_ns=start_ns, end_ns=end_ns, side=sweep.side)
    sign = sweep.side.sign
    low_deg, high_deg = sorted(
        max(0.0, sign * angle) for angle in slew.range_deg(start_ns, max(start_ns, end_ns - 1))
    )
    return Place(
        start_ns=start_ns,
        end_ns=end_ns,
        from_deg=sign * low_deg,
        to_deg=sign * high_deg,
        side=sweep.side,
    )


def _seconds(t_ns: int | None) -> float | None:
    return None if t_ns is None else round(t_ns * 1e-9, 6)


def _angle(angle_deg: float | None) -> float | None:
    # A zero has no sign.
    return None if angle_deg is None else round(angle_deg, 3) + 0.0
