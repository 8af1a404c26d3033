"""Which sweep of a side counts, and why the others do not.

A test is broken off and begun again, or repeated. The latest sweep of a side that was carried
through counts: it lifted a wheel, or came nearly as far as any other of its side. Every sweep is
kept with its reason in words. Where another sweep of the side shows less than the one that
counts, the difference is told: by the rule the latest counts, but one truck gave two answers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from dashboard.capacity.proof.first_lift import LiftAngle
from dashboard.capacity.proof.holds import Hold
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.sectors.levels import JOIN_DEG, Stretch
from dashboard.capacity.sectors.sectors import covered_stretches, percent_of
from logger.events.sweep import Side

CARRIED_THROUGH = 0.9
"""Share of a side's farthest sweep that another must reach to count as a repeat of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """A sweep, and whether the sectors of its side are made of it.

    Attributes:
        sweep: the sweep.
        number: its place among all sweeps of the run, from 1.
        counts: whether it counts.
        reason: why, in words.
    """

    sweep: Sweep
    number: int
    counts: bool
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """Another sweep of a side shows less than the one that counts.

    Attributes:
        kind: ``lifted``: a wheel lifted where the sweep that counts kept all down at as great a
            moment; ``proved_less``: it proved a lesser percentage over the same angles.
        side: the side.
        other: number of the sweep that shows less, from 1.
        counting: number of the sweep that counts, from 1.
        t_ns: a moment in the other sweep to look at, ns.
        from_deg: where the difference begins, counted from over the rear, deg.
        to_deg: where it ends, deg.
        text: one sentence with the numbers.
    """

    kind: Literal["lifted", "proved_less"]
    side: Side
    other: int
    counting: int
    t_ns: int
    from_deg: float
    to_deg: float
    text: str


def counted_sweeps(sweeps: Sequence[Sweep]) -> tuple[Counted, ...]:
    """Every sweep with whether it counts, in the order given.

    Args:
        sweeps: all sweeps of a run, in order of time.
    """
    numbered = list(enumerate(sweeps, 1))
    told: dict[int, tuple[bool, str]] = {}
    for side in Side:
        told |= _told_of_side([(n, s) for n, s in numbered if s.side is side])
    return tuple(
        Counted(sweep=s, number=n, counts=told[n][0], reason=told[n][1]) for n, s in numbered
    )


def counting_sweep(counted: Sequence[Counted], side: Side) -> Sweep | None:
    """The sweep that counts on a side, or None where there is none."""
    return next((c.sweep for c in counted if c.counts and c.sweep.side is side), None)


def disagreements(
    counted: Sequence[Counted], *, required_nm: float, percent_step: float = 1.0
) -> tuple[Disagreement, ...]:
    """Where a sweep that does not count shows less than the one of its side that does.

    A lift at a greater moment than the counting sweep hung there is no contradiction, nor is a
    stretch that the other never covered.

    Args:
        counted: all sweeps of a run.
        required_nm: required moment M_q, N·m.
        percent_step: percentages are rounded down to this.
    """
    found: list[Disagreement] = []
    for latest in (c for c in counted if c.counts):
        for other in counted:
            if other.sweep.side is latest.sweep.side and not other.counts:
                differences = (
                    *_lifted(other, latest),
                    *_proved_less(other, latest, required_nm=required_nm, step=percent_step),
                )
                found += differences[:1]
    return tuple(sorted(found, key=lambda d: d.other))


def _told_of_side(of_side: list[tuple[int, Sweep]]) -> dict[int, tuple[bool, str]]:
    """Whether each sweep of one side counts, and why, by number."""
    covering = {n: s for n, s in of_side if any(covered_stretches(s))}
    farthest_deg = max((abs(s.reached_deg) for s in covering.values()), default=0.0)
    valid = [
        n
        for n, s in covering.items()
        if s.lifts or abs(s.reached_deg) >= CARRIED_THROUGH * farthest_deg
    ]
    numbers = valid or [n for n, _ in of_side]
    chosen = max(numbers, default=0)
    return {
        n: (True, _why_it_counts(alone=len(of_side) == 1, carried_through=bool(valid)))
        if n == chosen
        else (False, _why_not(s, covers=n in covering, valid=n in valid, chosen=chosen))
        for n, s in of_side
    }


def _why_it_counts(*, alone: bool, carried_through: bool) -> str:
    if not carried_through:
        return "counts as the latest of its side, though it covered no angle: it proves nothing"
    if alone:
        return "counts: the only sweep of its side"
    return "counts: the latest of its side that was carried through"


def _why_not(sweep: Sweep, *, covers: bool, valid: bool, chosen: int) -> str:
    if not covers:
        return (
            "covered no angle with the load hanging, every wheel down and every switch "
            f"speaking; sweep {chosen} counts"
        )
    if not valid:
        return f"broken off at {abs(sweep.reached_deg):.1f}° without a lift; sweep {chosen} counts"
    return f"sweep {chosen} of the same side came later and counts"


def _lifted(other: Counted, latest: Counted) -> Iterator[Disagreement]:
    """The first lift of a sweep at a place where the latest stayed down at as great a moment."""
    for lift in other.sweep.lifts:
        lifted_in = _hold_of(other.sweep, lift)
        if lifted_in is None:
            continue
        angle_deg = other.sweep.outward_deg(lift.slew_deg)
        beyond_deg = max(other.sweep.outward_deg(a) for a in (lift.low_deg, lift.high_deg))
        stayed = _stayed_down(latest.sweep, beyond_deg=beyond_deg, lifted_in=lifted_in)
        if stayed is None:
            continue
        held, until_deg = stayed
        yield Disagreement(
            kind="lifted",
            side=latest.sweep.side,
            other=other.number,
            counting=latest.number,
            t_ns=lift.t_ns,
            from_deg=angle_deg,
            to_deg=until_deg,
            text=f"In sweep {other.number} on the {latest.sweep.side} wheel {lift.wheel} lifted at "
            f"{angle_deg:.1f}° with {lifted_in.moment_nm / 1000:.2f} kN·m; in sweep "
            f"{latest.number}, which counts as the latest, every wheel stayed down to "
            f"{until_deg:.1f}° with {held.moment_nm / 1000:.2f} kN·m. Find out what changed "
            "before the sectors of that side are used.",
        )


def _hold_of(sweep: Sweep, lift: LiftAngle) -> Hold | None:
    """The hold of known moment in which a wheel lifted."""
    return next(
        (h for h in sweep.holds if h.moment_budget and h.start_ns <= lift.t_ns <= h.end_ns), None
    )


def _stayed_down(sweep: Sweep, *, beyond_deg: float, lifted_in: Hold) -> tuple[Hold, float] | None:
    """How far a sweep kept its wheels down beyond an angle, at a moment that may be as great."""
    hold_of = {h.proved_nm: h for h in sweep.holds if h.moment_budget is not None}
    for stretch in (s for part in covered_stretches(sweep) for s in part):
        hold = hold_of.get(stretch.proved_nm)
        there = stretch.from_deg <= beyond_deg < stretch.to_deg - JOIN_DEG
        if hold is not None and there and _may_be_as_great(hold, lifted_in):
            return hold, stretch.to_deg
    return None


def _may_be_as_great(hold: Hold, other: Hold) -> bool:
    """Whether a hold's moment reaches another's within both expanded uncertainties."""
    here, there = hold.moment_budget, other.moment_budget
    if here is None or there is None:
        return False
    return here.value + here.expanded >= there.value - there.expanded


def _proved_less(
    other: Counted, latest: Counted, *, required_nm: float, step: float
) -> Iterator[Disagreement]:
    """The widest stretch over which both sweeps covered and the latest proved more."""
    theirs, ours = (
        [s for part in covered_stretches(c.sweep) for s in part] for c in (other, latest)
    )
    less: list[tuple[float, float, float, float]] = []
    for low_deg, high_deg in pairwise(sorted({e for s in (*theirs, *ours) for e in s[:2]})):
        their_nm, our_nm = (_proved_nm(s, low_deg, high_deg) for s in (theirs, ours))
        if their_nm is None or our_nm is None:
            continue
        their, our = (
            percent_of(nm, required_nm=required_nm, step=step) for nm in (their_nm, our_nm)
        )
        if their < our:
            less.append((low_deg, high_deg, their, our))
    wide = [x for x in less if x[1] - x[0] >= JOIN_DEG]
    if not wide:
        return
    low_deg, high_deg, their, our = max(wide, key=lambda x: (x[3] - x[2], x[1] - x[0]))
    yield Disagreement(
        kind="proved_less",
        side=latest.sweep.side,
        other=other.number,
        counting=latest.number,
        t_ns=other.sweep.start_ns,
        from_deg=low_deg,
        to_deg=high_deg,
        text=f"Between {low_deg:.1f}° and {high_deg:.1f}° on the {latest.sweep.side} sweep "
        f"{other.number} proved {their:g} % and sweep {latest.number}, which counts as the "
        f"latest, {our:g} %.",
    )


def _proved_nm(stretches: Sequence[Stretch], low_deg: float, high_deg: float) -> float | None:
    inside = (s.proved_nm for s in stretches if s.from_deg <= low_deg and high_deg <= s.to_deg)
    return max(inside, default=None)
