"""Capacity sectors: where the crane may carry how much of its rating.

Every angle on a side is either covered (swept with the load hanging, every wheel down, every
switch speaking) or it is not, and what is not covered stays untested. From over the rear to
the low angle of the first lift the covered stretches get one percentage: 100 where the least
proved moment reaches the required one, else the percentage proved. Beyond the first lift the
least moment proved there gives the one reduced percentage. Bounds are rounded so that a better
sector only ever shrinks, percentages are rounded down.

Between a lift and the place where the boom stopped, the load hung at the greater moment with a
wheel off the ground. The next hold starts there with every wheel down, so the strip belongs to
it; a strip that no such hold takes up, or a wide one, stays untested.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from dashboard.capacity.plan import round_down, round_up
from dashboard.capacity.sweeps import Sweep
from logger.events.sweep import OVER_REAR_DEG, Side
from logger.readings.method_table import Method

HALF_TURN_DEG = 180.0
JOIN_DEG = 0.3
"""Stretches closer than this are one: noise and rounding of an angle."""
SET_DOWN_DEG = 1.0
"""A boom may drift this far while the load is set down, brought in and lifted again."""
OVERSHOOT_DEG = 6.0
"""A boom may run on this far after a lift: 3 s at 2 deg/s."""


class Stretch(NamedTuple):
    """A covered stretch of one side.

    Attributes:
        from_deg: its beginning, counted from over the rear, deg.
        to_deg: its end, deg.
        proved_nm: moment proved over it, N·m.
    """

    from_deg: float
    to_deg: float
    proved_nm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sector:
    """A stretch of slew angle with its percentage.

    Attributes:
        side: the side of the truck.
        from_deg: its beginning, counted from over the rear, 0 to 180 deg.
        to_deg: its end, deg.
        percent: of the rated capacity, 0 to 100.
        basis: ``proved``, ``reduced`` or ``untested`` (no lifting there).
    """

    side: Side
    from_deg: float
    to_deg: float
    percent: float
    basis: str


def sectors_of_side(
    side: Side, sweep: Sweep | None, *, u_end_deg: float, required_nm: float, method: Method
) -> tuple[Sector, ...]:
    """The sectors of one side, from over the rear (0°) to over the cab (180°).

    Args:
        side: the side of the truck.
        sweep: the sweep that counts on this side, or None where there is none.
        u_end_deg: expanded uncertainty of the farthest angle, deg.
        required_nm: required moment M_q, N·m.
        method: rounding steps.
    """
    if sweep is None:
        return (_untested(side, 0.0, HALF_TURN_DEG),)
    sectors: list[Sector] = []
    reached = _Reached(0.0, 0.0)
    for stretches, may_be_full in zip(
        covered_stretches(sweep, u_end_deg=u_end_deg), (True, False), strict=True
    ):
        percent = _percent(stretches, required_nm=required_nm, step=method.percent_step)
        basis = "proved" if may_be_full and percent >= 100 else "reduced"
        for from_deg, to_deg in _joined(stretches):
            low_deg = reached.next_bound_deg(from_deg, step_deg=method.angle_step_deg)
            high_deg = min(round_down(to_deg, method.angle_step_deg), HALF_TURN_DEG)
            reached = _Reached(to_deg, max(low_deg, high_deg))
            if low_deg < high_deg and percent > 0:
                sectors.append(
                    Sector(
                        side=side, from_deg=low_deg, to_deg=high_deg, percent=percent, basis=basis
                    )
                )
    return _with_gaps(side, sectors)


class _Reached(NamedTuple):
    """How far the sectors go, as measured and as rounded, deg."""

    measured_deg: float
    rounded_deg: float

    def next_bound_deg(self, from_deg: float, *, step_deg: float) -> float:
        """Where the next sector begins: at once where nothing is left out, else rounded up."""
        if from_deg <= self.measured_deg + JOIN_DEG:
            return self.rounded_deg
        return max(round_up(from_deg, step_deg), self.rounded_deg)


def covered_stretches(
    sweep: Sweep, *, u_end_deg: float = 0.0
) -> tuple[tuple[Stretch, ...], tuple[Stretch, ...]]:
    """What a sweep covered before and beyond its first lift.

    Args:
        sweep: the sweep.
        u_end_deg: taken off the farthest angle, deg.
    """
    parts = sorted(
        ((c, hold) for hold in sweep.holds for c in hold.covered),
        key=lambda part: part[0].start_ns,
    )
    first = sweep.first_lift
    first_low_deg = HALF_TURN_DEG if first is None else _low_deg(sweep, 0)
    end_deg = sweep.outward_deg(sweep.reached_deg) - u_end_deg
    before: list[Stretch] = []
    beyond: list[Stretch] = []
    for index, (part, hold) in enumerate(parts):
        next_ns = parts[index + 1][0].start_ns if index + 1 < len(parts) else 2**62
        low_deg, high_deg = part.from_deg, min(part.to_deg, end_deg)
        for lift_index, lift in enumerate(sweep.lifts):
            if part.start_ns < lift.t_ns <= next_ns:
                high_deg = min(high_deg, _low_deg(sweep, lift_index))
        if first is None or part.start_ns < first.t_ns:
            low_deg = 0.0 if low_deg <= OVER_REAR_DEG else low_deg
            before.append(Stretch(low_deg, min(high_deg, first_low_deg), hold.proved_nm))
        else:
            low_deg = min(low_deg, _strip_begins_deg(sweep, part.from_deg, hold.start_ns))
            beyond.append(Stretch(max(low_deg, first_low_deg), high_deg, hold.proved_nm))
    return _best(before), _best(beyond)


def _low_deg(sweep: Sweep, lift_index: int) -> float:
    """The least angle at which a lift may have happened, counted from over the rear, deg."""
    lift = sweep.lifts[lift_index]
    return max(0.0, min(sweep.outward_deg(lift.low_deg), sweep.outward_deg(lift.high_deg)))


def _strip_begins_deg(sweep: Sweep, from_deg: float, start_ns: int) -> float:
    """Where the strip begins that a hold takes up: at the lift just before it, if near enough.

    A wheel that comes down by itself, in the hold in which it lifted, leaves its strip untested:
    nothing less was tried there.
    """
    earlier = [i for i, lift in enumerate(sweep.lifts) if lift.t_ns < start_ns]
    if not earlier or from_deg < _low_deg(sweep, earlier[-1]):
        return from_deg
    low_deg = min(_low_deg(sweep, i) for i in earlier if _is_of_one_stop(sweep, i, earlier[-1]))
    stopped_deg = sweep.outward_deg(sweep.lifts[earlier[-1]].stopped_deg)
    taken_up = from_deg <= stopped_deg + SET_DOWN_DEG
    return low_deg if taken_up and from_deg - low_deg <= OVERSHOOT_DEG else from_deg


def _is_of_one_stop(sweep: Sweep, index: int, last: int) -> bool:
    """Whether two lifts ended in the same stop of the boom (several wheels, one after another)."""
    here, there = sweep.lifts[index], sweep.lifts[last]
    return abs(here.stopped_deg - there.stopped_deg) <= JOIN_DEG


def _best(stretches: list[Stretch]) -> tuple[Stretch, ...]:
    """Disjoint stretches with the greatest moment proved at each angle."""
    edges = sorted({e for s in stretches if s.from_deg < s.to_deg for e in s[:2]})
    best: list[Stretch] = []
    for low_deg, high_deg in pairwise(edges):
        proved = [s.proved_nm for s in stretches if s.from_deg <= low_deg and high_deg <= s.to_deg]
        if not proved:
            continue
        if best and best[-1].to_deg == low_deg and best[-1].proved_nm == max(proved):
            best[-1] = best[-1]._replace(to_deg=high_deg)
        else:
            best.append(Stretch(low_deg, high_deg, max(proved)))
    return tuple(best)


def _joined(stretches: tuple[Stretch, ...]) -> list[tuple[float, float]]:
    joined: list[tuple[float, float]] = []
    for stretch in stretches:
        if joined and stretch.from_deg <= joined[-1][1] + JOIN_DEG:
            joined[-1] = (joined[-1][0], max(joined[-1][1], stretch.to_deg))
        else:
            joined.append((stretch.from_deg, stretch.to_deg))
    return joined


def _percent(stretches: tuple[Stretch, ...], *, required_nm: float, step: float) -> float:
    """The least moment proved over the stretches, as a percentage rounded down, at most 100."""
    # A sliver narrower than an angle can be told is no place where a load could be set.
    wide = [s for s in stretches if s.to_deg - s.from_deg >= JOIN_DEG] or list(stretches)
    least_nm = min((s.proved_nm for s in wide), default=0.0)
    return min(100.0, round_down(100 * least_nm / required_nm, step))


def _untested(side: Side, from_deg: float, to_deg: float) -> Sector:
    return Sector(side=side, from_deg=from_deg, to_deg=to_deg, percent=0.0, basis="untested")


def _with_gaps(side: Side, sectors: list[Sector]) -> tuple[Sector, ...]:
    """The sectors with untested ones wherever they leave a gap up to 180°."""
    whole: list[Sector] = []
    end_deg = 0.0
    for sector in sectors:
        if sector.from_deg > end_deg:
            whole.append(_untested(side, end_deg, sector.from_deg))
        whole.append(sector)
        end_deg = sector.to_deg
    if end_deg < HALF_TURN_DEG:
        whole.append(_untested(side, end_deg, HALF_TURN_DEG))
    return tuple(whole)
