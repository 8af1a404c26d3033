"""The sectors of a result as figures and pages show them: bounds, percentage, basis, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dashboard.figures.words import plain_number

Result = dict[str, Any]

_HALF_TURN_DEG = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sector:
    """One sector, as the result gives it, angles from over the rear on its side, deg."""

    side: str
    from_deg: float
    to_deg: float
    percent: float
    basis: str

    @property
    def sign(self) -> int:
        """Sign of its slew angles."""
        return 1 if self.side == "right" else -1

    @property
    def width_deg(self) -> float:
        """How wide it is, deg."""
        return self.to_deg - self.from_deg

    @property
    def is_over_the_cab(self) -> bool:
        """Whether it is the stretch without lifting that reaches to over the cab."""
        return self.basis == "untested" and self.to_deg >= _HALF_TURN_DEG

    @property
    def words(self) -> str:
        """Percentage and basis."""
        if self.basis == "untested":
            return "no lifting"
        return f"{plain_number(self.percent)} %"


def sectors_of(result: Result) -> tuple[Sector, ...]:
    """The sectors of a result, those without width left out."""
    return tuple(
        Sector(
            side=s["side"],
            from_deg=float(s["from_deg"]),
            to_deg=float(s["to_deg"]),
            percent=float(s["percent"]),
            basis=s["basis"],
        )
        for s in result.get("sectors", ())
        if s["to_deg"] > s["from_deg"]
    )


def sectors_summary(result: Result) -> str:
    """The sectors in sentences, for those who don't see them."""
    sectors = sectors_of(result)
    if not sectors:
        return "No sectors: nothing was swept, so there is no lifting anywhere."
    return " ".join(_side_words(side, sectors) for side in ("right", "left"))


def _side_words(side: str, sectors: Sequence[Sector]) -> str:
    parts = [
        f"{plain_number(s.from_deg)}° to {plain_number(s.to_deg)}°: "
        + ("no lifting (untested)" if s.basis == "untested" else f"{s.words} ({s.basis})")
        for s in sectors
        if s.side == side
    ]
    return f"{side.capitalize()} side: {'; '.join(parts) or 'not swept'}."
