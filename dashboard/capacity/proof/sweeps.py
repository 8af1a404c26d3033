"""Sweeps as a test sees them: excursions with the load hanging, their holds and lifts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

from dashboard.capacity.proof.evidence import Evidence, SlewRecord
from dashboard.capacity.proof.first_lift import LiftAngle, lift_angle
from dashboard.capacity.proof.holds import Hold, find_holds
from logger.events.radius_change import TOLERANCE_M
from logger.events.sweep import OVER_REAR_DEG, Excursion, Side
from logger.readings.spans import Spans

SWEPT_DEG = 3.0
"""An excursion that slews less than this with the load hanging is no sweep."""
ONE_CREEP_NS = 60_000_000_000
"""Changes the same way with the load hanging, closer together than this, are one change."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RadiusStep:
    """The load was brought in or out between two holds.

    Attributes:
        t_ns: when it began, ns.
        slew_deg: slew angle then, deg, signed.
        from_m: radius before, m.
        to_m: radius after, m.
        by: what told it, ``sensor`` or ``tape``.
        set_down: whether the load was on the ground for it.
    """

    t_ns: int
    slew_deg: float
    from_m: float
    to_m: float
    by: str
    set_down: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """One slew from over the rear towards the cab with the load hanging.

    Attributes:
        side: right (angle rising) or left (falling).
        start_ns: when it left the rear, ns.
        end_ns: when the boom turned back or the load came off for good, ns.
        reached_deg: farthest angle with the load hanging, deg, signed.
        lifts: wheel lifts with the load hanging, in order of time.
        lifts_beside: those before its start and after its end for which the load hung on, over the
            rear or on this side, and which lie in no other sweep: on the way back for one.
        holds: stretches with the load hanging and the radius constant.
        radius_steps: radius changes between them.
    """

    side: Side
    start_ns: int
    end_ns: int
    reached_deg: float
    lifts: tuple[LiftAngle, ...]
    holds: tuple[Hold, ...]
    radius_steps: tuple[RadiusStep, ...]
    lifts_beside: tuple[LiftAngle, ...] = ()

    @property
    def first_lift(self) -> LiftAngle | None:
        """The first lift of any wheel, or None where all stayed down."""
        return self.lifts[0] if self.lifts else None

    def outward_deg(self, slew_deg: float) -> float:
        """An angle counted from over the rear on this sweep's side, deg."""
        return self.side.sign * slew_deg


def find_sweeps(evidence: Evidence) -> tuple[Sweep, ...]:
    """The sweeps of a run, in order of time."""
    if evidence.slew is None:
        return ()
    slew = evidence.slew
    found = (_sweep(evidence, slew, excursion) for excursion in evidence.excursions)
    return tuple(s for s in found if s is not None)


def _sweep(evidence: Evidence, slew: SlewRecord, excursion: Excursion) -> Sweep | None:
    side = excursion.side
    hung = evidence.hanging & Spans.of([(excursion.start_ns, excursion.end_ns + 1)])
    if not hung.pairs:
        return None
    swept = [sorted(side.sign * a for a in slew.range_deg(s, e - 1)) for s, e in hung]
    reached_deg = max(high for _, high in swept)
    if reached_deg - min(low for low, _ in swept) < SWEPT_DEG:
        return None
    window = (excursion.start_ns, hung.pairs[-1][1] - 1)
    holds = find_holds(evidence, side=side, window=window)
    lifts = tuple(lift_angle(evidence, slew, lift) for lift in evidence.lifts if lift.t_ns in hung)
    return Sweep(
        side=side,
        start_ns=excursion.start_ns,
        end_ns=window[1],
        reached_deg=side.sign * min(reached_deg, 180.0),
        lifts=lifts,
        holds=holds,
        radius_steps=_radius_steps(evidence, slew, holds),
        lifts_beside=_lifts_beside(evidence, slew, side, hung),
    )


def _lifts_beside(
    evidence: Evidence, slew: SlewRecord, side: Side, hung: Spans
) -> tuple[LiftAngle, ...]:
    whole = Spans.of(
        span for span in evidence.hanging if (Spans.of([span]) & hung).pairs
    ) - Spans.of((e.start_ns, e.end_ns + 1) for e in evidence.excursions)
    lifts = (lift_angle(evidence, slew, x) for x in evidence.lifts if x.t_ns in whole)
    return tuple(x for x in lifts if side.sign * x.slew_deg >= -OVER_REAR_DEG)


def _radius_steps(
    evidence: Evidence, slew: SlewRecord, holds: tuple[Hold, ...]
) -> tuple[RadiusStep, ...]:
    steady = [h for h in holds if h.radius_m is not None and not h.moving]
    steps: list[RadiusStep] = []
    for before, after in pairwise(steady):
        if abs(after.radius_first_m - before.radius_last_m) <= TOLERANCE_M:
            continue
        t_ns = _began_ns(evidence, before, after)
        step = RadiusStep(
            t_ns=t_ns,
            slew_deg=slew.at(t_ns),
            from_m=before.radius_last_m,
            to_m=after.radius_first_m,
            by=after.radius_by,
            set_down=not _hung_throughout(evidence, before, after),
        )
        if steps and _one_creep(steps[-1], step):
            steps[-1] = replace(steps[-1], to_m=step.to_m)
        else:
            steps.append(step)
    return tuple(steps)


def _began_ns(evidence: Evidence, before: Hold, after: Hold) -> int:
    """When the radius began to move between two holds; the end of the first where none saw it."""
    moves = (
        c.start_ns for c in evidence.radius_changes if before.start_ns < c.start_ns < after.start_ns
    )
    return max(before.end_ns - 1, next(moves, before.end_ns))


def _hung_throughout(evidence: Evidence, before: Hold, after: Hold) -> bool:
    return any(a <= before.start_ns and after.end_ns <= b for a, b in evidence.hanging)


def _one_creep(earlier: RadiusStep, later: RadiusStep) -> bool:
    same_way = (earlier.to_m - earlier.from_m) * (later.to_m - later.from_m) > 0
    near = later.t_ns - earlier.t_ns < ONE_CREEP_NS
    return same_way and near and not earlier.set_down and not later.set_down
