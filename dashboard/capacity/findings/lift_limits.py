"""Findings about a wheel that lifted with no more than what a sweep seems to prove elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from dashboard.capacity.findings.finding import Finding, Place, Severity
from dashboard.capacity.proof.holds import Covered, Hold
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.sectors.lift_limits import LiftLimit, lift_limits

WORTH_TELLING_DEG = 1.0
"""Less is cut off by the uncertainty of the lift's own angle."""


def limited_by_lifts(sweep: Sweep) -> Iterator[Finding]:
    """Stretches of a sweep that count for nothing since a wheel lifted with no more.

    For each wheel that of its lifts which takes the most, and how many more there are.
    """
    found: dict[str, list[_Cut]] = {}
    for limit in lift_limits(sweep):
        widest = _widest(sweep, limit)
        if widest is not None:
            found.setdefault(limit.lift.wheel, []).append(widest)
    for of_wheel in found.values():
        widest = max(of_wheel, key=lambda c: c.width_deg)
        yield _finding(sweep, widest, more=len(of_wheel) - 1)


class _Cut(NamedTuple):
    """What a lift takes of what a hold seems to prove, beyond where the wheel may have lifted."""

    limit: LiftLimit
    part: Covered
    hold: Hold
    until_deg: float
    lifted_deg: float

    @property
    def width_deg(self) -> float:
        return self.part.to_deg - max(self.until_deg, self.lifted_deg)


def _finding(sweep: Sweep, cut: _Cut, *, more: int) -> Finding:
    sign, lift, to_deg = sweep.side.sign, cut.limit.lift, cut.part.to_deg
    again = f", and {more} times more" if more else ""
    return Finding(
        code="lifted_with_no_more",
        severity=Severity.INVALID,
        t_ns=lift.t_ns,
        text=f"Wheel {lift.wheel} lifted at {abs(lift.slew_deg):.1f}° with {_with(cut.limit)}"
        f"{again}; {cut.hold.moment_nm / 1000:.2f} kN·m seem to have hung as far as {to_deg:.1f}° "
        f"on the {sweep.side} with every wheel down.",
        effect=f"Beyond {cut.until_deg:.1f}° on the {sweep.side} that moment proves nothing.",
        what_to_do="See whether the radius was noted again after the load was brought in and "
        "whether its sensor moves, and sweep that stretch again with less.",
        place=Place(
            start_ns=cut.part.start_ns,
            end_ns=cut.hold.end_ns,
            from_deg=sign * max(cut.until_deg, 0.0),
            to_deg=sign * to_deg,
            side=sweep.side,
        ),
    )


def takes_something(sweep: Sweep) -> set[int]:
    """When those lifts were of which there is a finding for a sweep, ns."""
    return {limit.lift.t_ns for limit in lift_limits(sweep) if _widest(sweep, limit) is not None}


def _widest(sweep: Sweep, limit: LiftLimit) -> _Cut | None:
    """The most that a lift takes of what one of the holds seems to prove; None if hardly any."""
    lifted_deg = max(sweep.outward_deg(limit.lift.low_deg), sweep.outward_deg(limit.lift.high_deg))
    cuts = [
        _Cut(limit, part, hold, limit.until_deg(hold, part.from_deg), lifted_deg)
        for hold in sweep.holds
        if hold.moment_budget is not None
        for part in hold.covered
    ]
    widest = max(cuts, key=lambda c: c.width_deg, default=None)
    return widest if widest is not None and widest.width_deg > WORTH_TELLING_DEG else None


def _with(limit: LiftLimit) -> str:
    if limit.hold is None or limit.hold.moment_budget is None:
        return "a moment that nothing tells"
    return f"{limit.hold.moment_nm / 1000:.2f} kN·m"
