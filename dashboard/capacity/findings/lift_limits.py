"""Findings about a wheel that lifted with no more than what a sweep seems to prove elsewhere."""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.capacity.findings.finding import Finding, Place, Severity
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.sectors.lift_limits import LiftLimit, lift_limits

WORTH_TELLING_DEG = 1.0
"""Less is cut off by the uncertainty of the lift's own angle."""


def limited_by_lifts(sweep: Sweep) -> Iterator[Finding]:
    """Stretches of a sweep that count for nothing since a wheel lifted with no more."""
    for limit in lift_limits(sweep):
        cut = [
            (part, hold, until_deg)
            for hold in sweep.holds
            if hold.moment_budget is not None
            for part in hold.covered
            if part.to_deg - (until_deg := limit.until_deg(hold, part.from_deg)) > WORTH_TELLING_DEG
        ]
        if not cut:
            continue
        part, hold, until_deg = max(cut, key=lambda c: c[0].to_deg - c[2])
        sign, lift = sweep.side.sign, limit.lift
        yield Finding(
            code="lifted_with_no_more",
            severity=Severity.INVALID,
            t_ns=lift.t_ns,
            text=f"Wheel {lift.wheel} lifted at {abs(lift.slew_deg):.1f}° with {_with(limit)}; "
            f"{hold.moment_nm / 1000:.2f} kN·m seem to have hung as far as {part.to_deg:.1f}° on "
            f"the {sweep.side} with every wheel down.",
            effect=f"Beyond {until_deg:.1f}° on the {sweep.side} that moment proves nothing.",
            what_to_do="See whether the radius was noted again after the load was brought in and "
            "whether its sensor moves, and sweep that stretch again with less.",
            place=Place(
                start_ns=part.start_ns,
                end_ns=hold.end_ns,
                from_deg=sign * max(until_deg, 0.0),
                to_deg=sign * part.to_deg,
                side=sweep.side,
            ),
        )


def _with(limit: LiftLimit) -> str:
    if limit.hold is None or limit.hold.moment_budget is None:
        return "a moment that nothing tells"
    return f"{limit.hold.moment_nm / 1000:.2f} kN·m"
