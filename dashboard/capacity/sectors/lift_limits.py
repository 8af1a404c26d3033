"""How far a hold proves its moment, in view of the lifts of its sweep.

Where a wheel lifted, no moment as great proves anything from there on, though the boom went over
that angle with every wheel down: the truck gave two answers, and the lesser holds. A moment that
can't be told from the one that lifted proves nothing beyond it either: the radius was not noted
anew, or its sensor stands still.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from dashboard.capacity.proof.first_lift import LiftAngle
from dashboard.capacity.proof.holds import Hold
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.sectors.levels import HALF_TURN_DEG


class LiftLimit(NamedTuple):
    """Where a wheel lifted, which limits what the holds of its sweep prove.

    Attributes:
        lift: the lift.
        low_deg: the least angle at which it may have happened, counted from over the rear, deg.
        hold: the hold in which it lifted, or beside which; None where no hold is known there.
    """

    lift: LiftAngle
    low_deg: float
    hold: Hold | None

    def until_deg(self, hold: Hold, from_deg: float) -> float:
        """How far a hold proves its moment in a part of it that begins at an angle, deg.

        Moments differ where they do so by more than both expanded uncertainties together. Some of
        either is of both, so their difference is known better than that.
        """
        here, there = hold.moment_budget, None if self.hold is None else self.hold.moment_budget
        if here is None or there is None:
            return max(self.low_deg, from_deg)
        more_nm, u_nm = here.value - there.value, math.hypot(here.expanded, there.expanded)
        if more_nm < -u_nm:
            return HALF_TURN_DEG
        if from_deg <= self.low_deg:
            return self.low_deg
        return HALF_TURN_DEG if more_nm > u_nm else from_deg


def lift_limits(sweep: Sweep) -> tuple[LiftLimit, ...]:
    """Where wheels lifted in a sweep, or beside it while the same load hung on."""
    limits = [
        LiftLimit(
            lift,
            low_deg_of(sweep, lift),
            next((h for h in sweep.holds if h.start_ns <= lift.t_ns <= h.end_ns), None),
        )
        for lift in sweep.lifts
    ]
    for lift in sweep.lifts_beside if sweep.holds else ():
        hold = sweep.holds[0 if lift.t_ns < sweep.start_ns else -1]
        limits.append(LiftLimit(lift, low_deg_of(sweep, lift), hold))
    return tuple(limits)


def low_deg_of(sweep: Sweep, lift: LiftAngle) -> float:
    """The least angle at which a lift may have happened, counted from over the rear, deg."""
    return max(0.0, min(sweep.outward_deg(lift.low_deg), sweep.outward_deg(lift.high_deg)))
