"""How far a running test has got: what was swept on each side with the load hanging.

For whoever watches, and for the advice on what to do next. It proves nothing: the result does,
from all readings, with their uncertainty. Whole degrees are marked as the boom passes them with
the load hanging; *swept* is how far they reach from over the rear without a gap.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger.events.sweep import FRONT_DEG, OVER_REAR_DEG, Side

GAP_DEG = 2
"""A boom that is brought in with the load on the ground comes back within this, deg; a choice."""
LOST_SIGHT_NS = 5_000_000_000
"""Two moments farther apart say nothing about what lies between them, ns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SideProgress:
    """What was seen on one side.

    Attributes:
        swept_deg: how far from over the rear the load hung without a gap, deg.
        lift_wheel: the wheel that lifted first with a load hanging; empty where none did.
        lift_deg: at which angle from over the rear, deg; None where none did or nobody knows.
    """

    swept_deg: float = 0.0
    lift_wheel: str = ""
    lift_deg: float | None = None

    @property
    def lifted(self) -> bool:
        """Whether a wheel lifted on this side."""
        return bool(self.lift_wheel)


def side_of(slew_deg: float) -> Side:
    """The side that the boom is on."""
    return Side.RIGHT if slew_deg > 0 else Side.LEFT


def within_a_turn(slew_deg: float) -> float:
    """A continuous slew angle as one from −180° to 180°, right positive."""
    return (slew_deg + FRONT_DEG) % (2 * FRONT_DEG) - FRONT_DEG


class SweepProgress:
    """Follows a test, moment by moment; slew angles may be continuous ones."""

    def __init__(self) -> None:
        self._passed = {side: bytearray(int(FRONT_DEG) + 1) for side in Side}
        self._farthest_deg = dict.fromkeys(Side, 0.0)
        self._lifts: dict[Side, tuple[str, float | None]] = {}
        self._before: tuple[int, float] | None = None

    def take(self, t_ns: int, slew_deg: float | None, *, hanging: bool) -> None:
        """Takes the next moment.

        Args:
            t_ns: when, ns on the run's clock.
            slew_deg: where the boom is, deg; None where nobody knows.
            hanging: whether the whole load hangs.
        """
        if slew_deg is None or not hanging:
            self._before = None
            return
        slew_deg = within_a_turn(slew_deg)
        before = self._before
        self._before = (t_ns, slew_deg)
        # Over the front the angle leaps from one side to the other; nothing was passed.
        leapt = before is not None and abs(slew_deg - before[1]) > FRONT_DEG
        if before is None or leapt or t_ns - before[0] > LOST_SIGHT_NS:
            before = self._before
        low_deg, high_deg = sorted((before[1], slew_deg))
        self._pass(Side.RIGHT, max(low_deg, 0.0), high_deg)
        self._pass(Side.LEFT, max(-high_deg, 0.0), -low_deg)

    def take_lift(self, wheel: str, slew_deg: float | None) -> None:
        """Takes a lift that was confirmed with a load hanging."""
        if slew_deg is not None:
            slew_deg = within_a_turn(slew_deg)
            self._lifts.setdefault(side_of(slew_deg), (wheel, abs(slew_deg)))

    def of(self, side: Side) -> SideProgress:
        """What was seen on a side so far."""
        wheel, lift_deg = self._lifts.get(side, ("", None))
        return SideProgress(swept_deg=self._swept_deg(side), lift_wheel=wheel, lift_deg=lift_deg)

    def _pass(self, side: Side, low_deg: float, high_deg: float) -> None:
        if high_deg < low_deg:
            return
        low_deg, high_deg = min(low_deg, FRONT_DEG), min(high_deg, FRONT_DEG)
        self._farthest_deg[side] = max(self._farthest_deg[side], high_deg)
        first, last = int(low_deg), int(high_deg)
        self._passed[side][first : last + 1] = b"\x01" * (last + 1 - first)

    def _swept_deg(self, side: Side) -> float:
        passed, end, at = self._passed[side], 0, 0
        gap = int(OVER_REAR_DEG)
        while at < len(passed) and at - end <= gap:
            if passed[at]:
                end, gap = at + 1, GAP_DEG
            at += 1
        return min(float(end), self._farthest_deg[side])
