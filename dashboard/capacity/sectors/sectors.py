"""Capacity sectors: where the crane may carry how much of its rating.

Every angle on a side is either covered (swept with the load hanging, every wheel down, every
switch speaking) or it is not, and what is not covered stays untested. From over the rear to
the low angle of the first lift the covered stretches get one percentage: 100 where the least
proved moment reaches the required one, else the percentage proved. Beyond the first lift the
least moment proved there gives the one reduced percentage; or, in steps, each stretch gets the
percentage that was proved over it. Bounds are rounded so that a better sector only ever shrinks,
percentages are rounded down.

Between a lift and the place where the boom stopped, the load hung at the greater moment with a
wheel off the ground. The next hold starts there with every wheel down, so the strip belongs to
it, less what the capacity may dip in between; a strip that no such hold takes up, or a wide one,
stays untested.

What a lift says of moments as great is in :mod:`dashboard.capacity.sectors.lift_limits`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from dashboard.capacity.proof.holds import Hold
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.rounding import round_down
from dashboard.capacity.sectors.levels import (
    HALF_TURN_DEG,
    JOIN_DEG,
    Level,
    Stretch,
    greatest,
    rounded_levels,
    without_slivers,
)
from dashboard.capacity.sectors.lift_limits import lift_limits, low_deg_of
from logger.events.sweep import OVER_REAR_DEG, Side
from logger.readings.method_table import Method

FULL_PERCENT = 100.0
SET_DOWN_DEG = 1.0
"""A boom may drift this far while the load is set down, brought in and lifted again."""
OVERSHOOT_DEG = 6.0
"""A boom may run on this far after a lift: 3 s at 2 deg/s."""


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
    levels: list[Level] = []
    if sweep is not None:
        before, beyond = covered_stretches(sweep, u_end_deg=u_end_deg)
        as_one = method.sectors == "single"
        levels += _levels(before, required_nm=required_nm, method=method, as_one=True, full=True)
        levels += _levels(beyond, required_nm=required_nm, method=method, as_one=as_one)
    return tuple(
        Sector(
            side=side,
            from_deg=level.from_deg,
            to_deg=level.to_deg,
            percent=level.percent,
            basis=_basis(level),
        )
        for level in rounded_levels(levels, step_deg=method.angle_step_deg)
    )


class OverCabGap(NamedTuple):
    """The one stretch over the cab, across both sides, in which nothing may be lifted.

    Attributes:
        from_deg: where it begins on the right side, 0 to 180, deg.
        to_deg: where it ends on the left side, -180 to 0, deg; the way leads through 180.
    """

    from_deg: float
    to_deg: float

    @property
    def width_deg(self) -> float:
        """How wide it is, deg."""
        return 360.0 - self.from_deg + self.to_deg


def over_cab_gap(sectors: Iterable[Sector]) -> OverCabGap | None:
    """The untested stretch over the cab that both sides share; None where there is none.

    Args:
        sectors: of both sides.
    """
    ends = {Side.RIGHT: HALF_TURN_DEG, Side.LEFT: HALF_TURN_DEG}
    for sector in sectors:
        if sector.basis == "untested" and sector.to_deg >= HALF_TURN_DEG:
            ends[sector.side] = sector.from_deg
    if min(ends.values()) >= HALF_TURN_DEG:
        return None
    return OverCabGap(ends[Side.RIGHT], 0.0 - ends[Side.LEFT])


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
    limits = lift_limits(sweep)
    before: list[Stretch] = []
    beyond: list[Stretch] = []
    for index, (part, hold) in enumerate(parts):
        next_ns = parts[index + 1][0].start_ns if index + 1 < len(parts) else 2**62
        low_deg = part.from_deg
        high_deg = min(part.to_deg, end_deg, *(x.until_deg(hold, low_deg) for x in limits))
        for lift_index, lift in enumerate(sweep.lifts):
            if part.start_ns < lift.t_ns <= next_ns:
                high_deg = min(high_deg, _low_deg(sweep, lift_index))
        if first is None or part.start_ns < first.t_ns:
            low_deg = 0.0 if low_deg <= OVER_REAR_DEG else low_deg
            before.append(Stretch(low_deg, min(high_deg, first_low_deg), hold.proved_nm))
        else:
            begins_deg = max(first_low_deg, _strip_begins_deg(sweep, low_deg, hold.start_ns))
            beyond.append(Stretch(max(low_deg, first_low_deg), high_deg, hold.proved_nm))
            if begins_deg < low_deg:
                strip_nm = _in_strip_nm(hold, low_deg - begins_deg)
                beyond.append(Stretch(begins_deg, min(low_deg, high_deg), strip_nm))
    return greatest(before), greatest(beyond)


def _low_deg(sweep: Sweep, lift_index: int) -> float:
    """The least angle at which a lift may have happened, counted from over the rear, deg."""
    return low_deg_of(sweep, sweep.lifts[lift_index])


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


def _in_strip_nm(hold: Hold, width_deg: float) -> float:
    """What a hold proves in the strip before it, N·m: less by what capacity may dip in between.

    With a moment M at ψ a wheel's reaction is r − B·cos(ψ − ψ*) − M·s·cos(ψ − ψ*), B the boom's own
    share, so the M that lifts it is r/(s·cos) − B/s: between two angles, each w/2 from its least,
    lower by M·κ·(w/2)²/2 with κ = r/(r − B), and of several wheels the least counts, which adds no
    narrower dip. κ is taken as 3: a boom that uses up two thirds of the wheel's reserve by itself.
    """
    return hold.proved_nm * (1 - 1.5 * math.radians(width_deg / 2) ** 2)


def _is_of_one_stop(sweep: Sweep, index: int, last: int) -> bool:
    """Whether two lifts ended in the same stop of the boom (several wheels, one after another)."""
    here, there = sweep.lifts[index], sweep.lifts[last]
    return abs(here.stopped_deg - there.stopped_deg) <= JOIN_DEG


def _levels(
    stretches: tuple[Stretch, ...],
    *,
    required_nm: float,
    method: Method,
    as_one: bool,
    full: bool = False,
) -> Iterator[Level]:
    """The levels before or beyond the first lift.

    Args:
        stretches: what was covered there.
        required_nm: required moment M_q, N·m.
        method: rounding steps.
        as_one: whether the least moment counts for all.
        full: whether there may be full capacity.
    """
    told = without_slivers(stretches)
    least_nm = min((s.proved_nm for s in told), default=0.0)
    for stretch in told:
        proved_nm = least_nm if as_one else stretch.proved_nm
        percent = percent_of(proved_nm, required_nm=required_nm, step=method.percent_step)
        yield Level(
            from_deg=stretch.from_deg,
            to_deg=stretch.to_deg,
            percent=percent,
            full=full and percent >= FULL_PERCENT,
            part=0 if full or method.sectors == "steps" else 1,
        )


def percent_of(proved_nm: float, *, required_nm: float, step: float) -> float:
    """The percentage that a moment proves, rounded down to a step, at most 100.

    A moment that reaches the required one proves the full capacity, whatever the step.
    """
    percent = 100 * proved_nm / required_nm
    if round_down(percent, 1) >= FULL_PERCENT:
        return FULL_PERCENT
    return max(0.0, round_down(percent, step))


def _basis(level: Level) -> str:
    if level.percent <= 0:
        return "untested"
    return "proved" if level.full else "reduced"
