"""The angle at which a wheel lifted, and between which angles it certainly lay.

The angle is the slew at the contact's first open reading. The lift itself came after the last
closed reading, so the interval runs from there to the first open reading, widened by the
encoder's step and by twice the standard uncertainty of zero, noise, and clock × slew rate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dashboard.capacity.evidence import Evidence, SlewRecord
from dashboard.capacity.plan import COVERAGE_FACTOR
from logger.events.wheel_lift import WheelLift


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftAngle:
    """Where a wheel lifted.

    Attributes:
        wheel: position of the wheel.
        t_ns: first open reading, ns.
        end_ns: first closed reading after it, ns, or None.
        slew_deg: slew angle at the first open reading, deg, signed.
        low_deg: numerically least angle at which it may have lifted, deg.
        high_deg: numerically greatest such angle, deg.
        stopped_deg: where the boom stood when the load came off the hook or the run ended,
            deg, signed: the farthest angle swept with this wheel off the ground.
    """

    wheel: str
    t_ns: int
    end_ns: int | None
    slew_deg: float
    low_deg: float
    high_deg: float
    stopped_deg: float


def lift_angle(evidence: Evidence, slew: SlewRecord, lift: WheelLift) -> LiftAngle:
    """The angle of a lift, with its interval."""
    closed_ns = lift.t_ns if lift.last_closed_ns is None else lift.last_closed_ns
    opened_deg, closed_deg = slew.smoothed_at(lift.t_ns), slew.smoothed_at(closed_ns)
    u_deg = math.hypot(slew.u_at(lift.t_ns), slew.rate_dps(lift.t_ns) * evidence.u_clock_s)
    margin_deg = slew.step_deg + COVERAGE_FACTOR * u_deg
    return LiftAngle(
        wheel=lift.wheel,
        t_ns=lift.t_ns,
        end_ns=lift.end_ns,
        slew_deg=opened_deg,
        low_deg=min(opened_deg, closed_deg) - margin_deg,
        high_deg=max(opened_deg, closed_deg) + margin_deg,
        stopped_deg=_stopped_deg(evidence, slew, lift.t_ns, opened_deg),
    )


def _stopped_deg(evidence: Evidence, slew: SlewRecord, t_ns: int, opened_deg: float) -> float:
    hung = next((h for h in evidence.hanging if h[0] <= t_ns < h[1]), None)
    if hung is None:
        return opened_deg
    return max(slew.range_deg(t_ns, hung[1] - 1), key=lambda deg: deg * opened_deg)
