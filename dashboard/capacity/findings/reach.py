"""Findings about how far a sweep went, and whether it proved the moment."""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.capacity.findings.finding import SLEWED_DEG, Finding, Place, Severity, place_in
from dashboard.capacity.proof.evidence import Evidence, SlewRecord
from dashboard.capacity.proof.holds import Hold
from dashboard.capacity.proof.sweeps import Sweep
from logger.events.sweep import OVER_REAR_DEG, Side

SHORT_OF_LIMIT_DEG = 1.0
"""A sweep may end this far before the slew limit and still be complete."""
OVER_REQUIRED = 1.10
"""More than a tenth above what is asked only wears the truck, and tips it sooner; a choice."""


def reach_findings(
    evidence: Evidence, slew: SlewRecord, sweep: Sweep, *, required_nm: float
) -> Iterator[Finding]:
    """What the reach and the moment of a sweep give reason to say."""
    yield from _sweep_incomplete(evidence, sweep)
    yield from _moment_short(slew, sweep, required_nm=required_nm)
    yield from _moment_over(slew, sweep, required_nm=required_nm)


def missing_sweeps(sweeps: tuple[Sweep, ...]) -> Iterator[Finding]:
    """Sides that nobody swept."""
    for side in Side:
        if not any(s.side is side for s in sweeps):
            yield Finding(
                code="sweep_incomplete",
                severity=Severity.CAUTION,
                t_ns=None,
                text=f"The run holds no {side} sweep with the load hanging.",
                effect=f"The whole {side} side is untested: no lifting there.",
                what_to_do=f"Slew with the load hanging from over the rear to the {side}, as near "
                "the cab as the boom may come.",
            )


def _sweep_incomplete(evidence: Evidence, sweep: Sweep) -> Iterator[Finding]:
    truck = evidence.test.truck
    right = sweep.side is Side.RIGHT
    limit_deg = truck.slew_limit_right_deg if right else truck.slew_limit_left_deg
    reached_deg = sweep.outward_deg(sweep.reached_deg)
    if reached_deg < limit_deg - SHORT_OF_LIMIT_DEG:
        yield _incomplete(
            sweep,
            t_ns=sweep.end_ns,
            missed=(reached_deg, limit_deg),
            text=f"The {sweep.side} sweep ended at {reached_deg:.1f}° of {limit_deg:.1f}°.",
            effect=f"Beyond {reached_deg:.1f}° on the {sweep.side} this sweep tests nothing.",
            what_to_do=f"Slew on to {limit_deg:g}°, or set the truck's slew limit to where the "
            "boom is kept from going farther.",
        )
    begun_deg = min((h.from_deg for h in sweep.holds), default=0.0)
    if begun_deg > OVER_REAR_DEG:
        yield _incomplete(
            sweep,
            t_ns=sweep.start_ns,
            missed=(0.0, begun_deg),
            text=f"The {sweep.side} sweep began at {begun_deg:.1f}° and not over the rear.",
            effect=f"Before {begun_deg:.1f}° on the {sweep.side} this sweep tests nothing.",
            what_to_do="Lift the load over the rear and slew from there.",
        )


def _incomplete(
    sweep: Sweep, *, t_ns: int, missed: tuple[float, float], text: str, effect: str, what_to_do: str
) -> Finding:
    sign = sweep.side.sign
    return Finding(
        code="sweep_incomplete",
        severity=Severity.CAUTION,
        t_ns=t_ns,
        text=text,
        effect=effect,
        what_to_do=what_to_do,
        place=Place(
            start_ns=sweep.start_ns,
            end_ns=sweep.end_ns + 1,
            from_deg=sign * missed[0],
            to_deg=sign * missed[1],
            side=sweep.side,
        ),
    )


def _swept(sweep: Sweep) -> list[Hold]:
    return [h for h in sweep.holds if h.radius_m is not None and h.to_deg - h.from_deg > SLEWED_DEG]


def _moment_short(slew: SlewRecord, sweep: Sweep, *, required_nm: float) -> Iterator[Finding]:
    """Before the first lift only: beyond it the moment is meant to be less."""
    until_ns = sweep.end_ns if sweep.first_lift is None else sweep.first_lift.t_ns
    short = [h for h in _swept(sweep) if h.start_ns < until_ns and h.proved_nm < required_nm]
    if not short:
        return
    least = min(short, key=lambda h: h.proved_nm)
    place = place_in(sweep, slew, (least.start_ns, min(least.end_ns, until_ns + 1)))
    yield Finding(
        code="moment_short",
        severity=Severity.CAUTION,
        t_ns=least.start_ns,
        text=f"The {sweep.side} sweep proved {_knm(least.proved_nm)} kN·m "
        f"({_measured(least)}), short of the required {_knm(required_nm)} kN·m.",
        effect=f"At most {100 * least.proved_nm / required_nm:.1f} % is proved {place.words}, "
        "rounded down.",
        what_to_do="Take the guarded radius of the plan, or more load, and sweep again.",
        place=place,
    )


def _moment_over(slew: SlewRecord, sweep: Sweep, *, required_nm: float) -> Iterator[Finding]:
    over = [h for h in _swept(sweep) if h.moment_nm > OVER_REQUIRED * required_nm]
    if not over:
        return
    most = max(over, key=lambda h: h.moment_nm)
    place = place_in(sweep, slew, (most.start_ns, most.end_ns))
    more = 100 * (most.moment_nm / required_nm - 1)
    yield Finding(
        code="moment_over",
        severity=Severity.CAUTION,
        t_ns=most.start_ns,
        text=f"The {sweep.side} sweep hung {_knm(most.moment_nm)} kN·m {place.words}, "
        f"{more:.0f} % more than the required {_knm(required_nm)} kN·m.",
        effect="The truck and the crane were loaded beyond what the test asks, and a wheel may "
        "have lifted that would have stayed down.",
        what_to_do="Check load and radius, look for damage, and test at the planned radius.",
        place=place,
    )


def _measured(hold: Hold) -> str:
    """What the proved moment is made of, kN·m."""
    budget = hold.moment_budget
    if budget is None or hold.rule == "simple":
        return f"{_knm(hold.moment_nm)} measured"
    beyond = hold.moment_nm - budget.expanded - hold.proved_nm
    more = f" and {_knm(beyond)} that the cell has beyond the parts" if beyond > 1.0 else ""
    return f"{_knm(hold.moment_nm)} measured, less {budget.k:.2f} × {_knm(budget.u)}{more}"


def _knm(moment_nm: float) -> str:
    return f"{moment_nm / 1000:.2f}"
