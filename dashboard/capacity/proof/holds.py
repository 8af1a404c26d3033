"""Holds: stretches of a sweep with the load hanging and the radius constant.

A hold's moment is its load, one and the same weight all along, times its least radius. A stretch
in which the radius moved while the load hung is a hold too, with the least radius that any slice
of it shows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.hold_load import HoldLoad, hold_load
from dashboard.capacity.proof.hold_radius import HoldRadius, hold_radius
from dashboard.capacity.proof.whole_load import wholly_hung
from dashboard.capacity.uncertainty.budget import Budget
from dashboard.capacity.uncertainty.budgets import Rule, decided, moment_budget
from logger.events.sweep import Side
from logger.readings.spans import Spans

COVERED_DEG = 0.3
"""Narrower parts are noise of a standing boom."""


class Covered(NamedTuple):
    """Angles swept in one go with the load hanging, every wheel down and every switch speaking.

    Attributes:
        from_deg: least angle, counted from over the rear on the sweep's side, deg.
        to_deg: greatest angle, deg.
        start_ns: when it began, ns.
    """

    from_deg: float
    to_deg: float
    start_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """A stretch of a sweep with the load hanging.

    Attributes:
        start_ns: its first moment, ns.
        end_ns: the moment after its last, ns.
        from_deg: least angle it covered on its side with every wheel closed, deg ≥ 0.
        to_deg: greatest such angle, deg.
        covered: each part covered in one go, in order of time.
        moving: whether the radius moved during it.
        load: what hung, and how sure that is.
        radius: how far out, and how sure that is.
        moment_budget: the moment as measured with its uncertainty, N·m; None where nothing tells
            the radius.
        rule: whether the expanded uncertainty is taken off before the moment is judged.
    """

    start_ns: int
    end_ns: int
    from_deg: float
    to_deg: float
    covered: tuple[Covered, ...]
    moving: bool
    load: HoldLoad
    radius: HoldRadius
    moment_budget: Budget | None
    rule: Rule = "guarded"

    @property
    def load_kg(self) -> float:
        """Applied load, kg."""
        return self.load.load_kg

    @property
    def u_load_kg(self) -> float:
        """Its standard uncertainty, kg."""
        return self.load.u_kg

    @property
    def radius_m(self) -> float | None:
        """Least radius, m, or None where nothing tells it."""
        return self.radius.radius_m

    @property
    def radius_first_m(self) -> float:
        """Radius at the beginning, m."""
        return self.radius.first_m

    @property
    def radius_last_m(self) -> float:
        """Radius at the end, m."""
        return self.radius.last_m

    @property
    def radius_by(self) -> str:
        """What told the radius: ``sensor``, ``geometry`` or ``tape``; empty where nothing does."""
        return self.radius.by

    @property
    def u_radius_m(self) -> float:
        """Standard uncertainty of the radius, m."""
        return self.radius.u_m

    @property
    def moment_nm(self) -> float:
        """Moment as measured, N·m; 0 where the radius is not known."""
        return 0.0 if self.moment_budget is None else self.moment_budget.value

    @property
    def u_moment_nm(self) -> float:
        """Its standard uncertainty, N·m."""
        return 0.0 if self.moment_budget is None else self.moment_budget.u

    @property
    def proved_nm(self) -> float:
        """Proved moment, N·m, never below 0.

        As measured, less its expanded uncertainty under the guarded rule, and less what the cell
        shows beyond what the weighed parts allow.
        """
        if self.moment_budget is None or self.load_kg <= 0:
            return 0.0
        allowed = 1 - self.load.beyond_parts_kg / self.load_kg
        return max(0.0, decided(self.moment_budget, self.rule) * allowed)


def find_holds(evidence: Evidence, *, side: Side, window: tuple[int, int]) -> tuple[Hold, ...]:
    """The holds of a sweep.

    Args:
        evidence: what the run shows.
        side: the sweep's side.
        window: first and last time of the sweep's outward leg, ns.
    """
    unproved = evidence.open_spans() | evidence.stale_spans()
    holds = []
    for hung in evidence.hanging & Spans.of([(window[0], window[1] + 1)]):
        load = hold_load(evidence, hung)
        if load is None:
            continue
        whole = wholly_hung(evidence, hung, load) - unproved
        for start_ns, end_ns, moving in _pieces(evidence, hung):
            span = (start_ns, end_ns)
            clear = whole & Spans.of([span])
            holds.append(_measure(evidence, load, side=side, span=span, clear=clear, moving=moving))
    return tuple(holds)


def _pieces(evidence: Evidence, hung: tuple[int, int]) -> list[tuple[int, int, bool]]:
    """A hanging stretch cut where the radius began and ceased to move."""
    pieces, here_ns = [], hung[0]
    for change in evidence.radius_changes:
        start_ns, end_ns = max(change.start_ns, hung[0]), min(change.end_ns, hung[1])
        if start_ns < end_ns:
            pieces += [(here_ns, start_ns, False), (start_ns, end_ns, True)]
            here_ns = end_ns
    pieces.append((here_ns, hung[1], False))
    return [p for p in pieces if p[0] < p[1]]


def _measure(
    evidence: Evidence,
    load: HoldLoad,
    *,
    side: Side,
    span: tuple[int, int],
    clear: Spans,
    moving: bool,
) -> Hold:
    """Radius and covered angles of one piece of a hanging stretch."""
    radius = hold_radius(evidence, span, moving=moving)
    covered = tuple(_covered(evidence, side, *part) for part in clear)
    # While the load is set down a lifted wheel touches again before the hook is empty: a part
    # of no width, which covers nothing.
    told = [c for c in covered if c.to_deg - c.from_deg >= COVERED_DEG] or covered[:1]
    return Hold(
        start_ns=span[0],
        end_ns=span[1],
        from_deg=min((c.from_deg for c in told), default=0.0),
        to_deg=max((c.to_deg for c in told), default=0.0),
        covered=covered,
        moving=moving,
        load=load,
        radius=radius,
        moment_budget=_moment_budget(load, radius),
        rule=evidence.test.method.rule,
    )


def _moment_budget(load: HoldLoad, radius: HoldRadius) -> Budget | None:
    if radius.radius_m is None:
        return None
    return moment_budget(
        load_kg=load.load_kg,
        load_inputs=load.inputs,
        radius_m=radius.radius_m,
        radius_inputs=radius.inputs,
    )


def _covered(evidence: Evidence, side: Side, start_ns: int, end_ns: int) -> Covered:
    if evidence.slew is None:
        return Covered(0.0, 0.0, start_ns)
    range_deg = evidence.slew.range_deg(start_ns, end_ns - 1)
    low_deg, high_deg = sorted(max(0.0, side.sign * angle) for angle in range_deg)
    return Covered(low_deg, high_deg, start_ns)
