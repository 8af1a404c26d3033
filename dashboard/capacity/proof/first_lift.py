"""The angle at which a wheel lifted, between which angles it certainly lay, and how sure that is.

Two answers to two questions. *Safe bounds*, which the sectors are made from: the slew at the last
closed and at the first open reading, widened by a whole step of the encoder and by twice the
standard uncertainty of zero, noise, and clock × slew rate, and by what the switch's travel may
have hidden. They are wide on purpose. *Estimate* with its budget and its 95 % interval: where the
wheel most likely left, each part distributed as it truly is
(:mod:`~dashboard.capacity.proof.slew_angle` for those of the slew reading), so that the interval
is no wider than it must be.

The contact opened somewhere between its last closed and its first open reading, anywhere as
likely as elsewhere: rectangular in time, and at a steady slew rate in angle too. The rate is that
of the second before, since a boom is stopped for a lift. A contact with travel opens when its
tyre has already risen: by how much nobody knows but that it is at most the travel, so the lift
came earlier by 0 to travel / lift rate, rectangular. Without a ``[model]`` in the test file (or
without a radius) no lift rate is known and the travel can't be taken into account; the lift then
says so (``travel_unknown``), and its low angle may be too far out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dashboard.capacity.proof.evidence import Evidence, SlewRecord
from dashboard.capacity.proof.slew_angle import AngleRead, read_angle
from dashboard.capacity.proof.switch_travel import travel_deg
from dashboard.capacity.uncertainty.budget import COVERAGE_FACTOR, Budget, Input, combine
from dashboard.capacity.uncertainty.interval import interval
from logger.events.wheel_lift import WheelLift

SHORT_NS = 500_000_000
"""Over a shorter stretch a boom's rate is taken as steady, ns."""
RATE_OVER_NS = 1_000_000_000


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
        estimate_deg: where it most likely lifted, deg, signed.
        budget: the uncertainty of the estimate, deg.
        interval_deg: holds the true angle with a probability of 95 %, deg, least first.
        travel_unknown: whether the rig gives the contact a travel that could not be turned into
            an angle.
    """

    wheel: str
    t_ns: int
    end_ns: int | None
    slew_deg: float
    low_deg: float
    high_deg: float
    stopped_deg: float
    estimate_deg: float
    budget: Budget
    interval_deg: tuple[float, float]
    travel_unknown: bool = False


def lift_angle(evidence: Evidence, slew: SlewRecord, lift: WheelLift) -> LiftAngle:
    """The angle of a lift, with its safe bounds, its budget and its interval."""
    closed_ns = lift.t_ns if lift.last_closed_ns is None else lift.last_closed_ns
    opened_deg, closed_deg = slew.smoothed_at(lift.t_ns), slew.smoothed_at(closed_ns)
    u_deg = math.hypot(slew.u_at(lift.t_ns), slew.rate_dps(lift.t_ns) * evidence.u_clock_s)
    margin_deg = slew.step_deg + COVERAGE_FACTOR * u_deg
    late_deg = travel_deg(evidence, wheel=lift.wheel, t_ns=lift.t_ns, slew_deg=opened_deg)
    # Signed so that taking it off leads back towards over the rear.
    hidden_deg = math.copysign(late_deg or 0.0, opened_deg)
    budget = _budget(evidence, slew, span_ns=(closed_ns, lift.t_ns), hidden_deg=hidden_deg)
    return LiftAngle(
        wheel=lift.wheel,
        t_ns=lift.t_ns,
        end_ns=lift.end_ns,
        slew_deg=opened_deg,
        low_deg=min(opened_deg, closed_deg) - margin_deg - max(0.0, hidden_deg),
        high_deg=max(opened_deg, closed_deg) + margin_deg - min(0.0, hidden_deg),
        stopped_deg=_stopped_deg(evidence, slew, lift.t_ns, opened_deg),
        estimate_deg=budget.value,
        budget=budget,
        interval_deg=interval(budget),
        travel_unknown=late_deg is None,
    )


def _budget(
    evidence: Evidence, slew: SlewRecord, *, span_ns: tuple[int, int], hidden_deg: float
) -> Budget:
    """Where the wheel left the ground, given its contact's last closed and first open reading."""
    read, moved_deg = _between(slew, *span_ns)
    inputs = [
        *read.inputs,
        Input(
            name="between two contact readings",
            u=moved_deg / math.sqrt(12),
            unit="deg",
            shape="rectangular",
            source="last closed and first open reading",
        ),
        Input(
            name="slew zero and scale", u=slew.u_deg, unit="deg", source="rig file, u of the slew"
        ),
        Input(
            name="clocks of slew and contact",
            value=evidence.u_clock_s,
            u=_rate_dps(slew, span_ns[0]) * evidence.u_clock_s,
            unit="deg",
            source="clock fits × slew rate",
        ),
        Input(
            name="switch travel",
            u=abs(hidden_deg) / math.sqrt(12),
            unit="deg",
            shape="rectangular",
            source="rig file, travel, and the truck model's lift rate",
        ),
    ]
    return combine(
        name="slew angle of the lift",
        unit="deg",
        value=read.angle_deg - hidden_deg / 2,
        parts=[(i, 1.0) for i in inputs if i.u > 0],
    )


def _between(slew: SlewRecord, closed_ns: int, opened_ns: int) -> tuple[AngleRead, float]:
    """The angle in the middle between two readings of a contact, and how far the boom moved."""
    gap_ns = opened_ns - closed_ns
    if gap_ns <= SHORT_NS:
        read = read_angle(slew, (closed_ns + opened_ns) // 2)
        return read, _rate_dps(slew, closed_ns) * gap_ns * 1e-9
    first, last = read_angle(slew, closed_ns), read_angle(slew, opened_ns)
    middle = AngleRead(angle_deg=(first.angle_deg + last.angle_deg) / 2, inputs=last.inputs)
    return middle, abs(last.angle_deg - first.angle_deg)


def _rate_dps(slew: SlewRecord, until_ns: int) -> float:
    """How fast the boom turned up to a time, deg/s, as a size."""
    moved_deg = slew.at(until_ns) - slew.at(until_ns - RATE_OVER_NS)
    return abs(moved_deg) / (RATE_OVER_NS * 1e-9)


def _stopped_deg(evidence: Evidence, slew: SlewRecord, t_ns: int, opened_deg: float) -> float:
    hung = next((h for h in evidence.hanging if h[0] <= t_ns < h[1]), None)
    if hung is None:
        return opened_deg
    return max(slew.range_deg(t_ns, hung[1] - 1), key=lambda deg: deg * opened_deg)
