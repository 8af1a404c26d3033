"""Holds: stretches of a sweep with the load hanging and the radius constant.

A hold's moment is its middle load times its least radius. The load is one and the same weight
all along, so the median over many swings is the best figure; a radius can shrink under way, so
the least of its five-second medians is the one that was proved everywhere. A stretch in which the
radius moved while the load hung is a hold too, with the least radius that any slice of it shows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from dashboard.capacity.evidence import Evidence
from dashboard.capacity.hold_load import hold_load
from dashboard.capacity.hold_radius import hold_radii, u_hold_radius_m
from dashboard.capacity.plan import COVERAGE_FACTOR, moment_nm, u_moment_nm
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
        radius_m: least radius, m, or None where nothing tells the radius.
        radius_first_m: radius at its beginning, m.
        radius_last_m: radius at its end, m.
        radius_by: ``sensor`` or ``tape``; empty where nothing tells it.
        load_kg: applied load, median over the hold, kg.
        u_load_kg: standard uncertainty of it, kg.
        u_radius_m: standard uncertainty of the radius, m.
    """

    start_ns: int
    end_ns: int
    from_deg: float
    to_deg: float
    covered: tuple[Covered, ...]
    moving: bool
    radius_m: float | None
    radius_first_m: float
    radius_last_m: float
    radius_by: str
    load_kg: float
    u_load_kg: float
    u_radius_m: float

    @property
    def moment_nm(self) -> float:
        """Moment as measured, N·m; 0 where the radius is not known."""
        return moment_nm(load_kg=self.load_kg, radius_m=self.radius_m or 0.0)

    @property
    def u_moment_nm(self) -> float:
        """Its standard uncertainty, N·m."""
        return u_moment_nm(
            load_kg=self.load_kg,
            radius_m=self.radius_m or 0.0,
            u_load_kg=self.u_load_kg,
            u_radius_m=self.u_radius_m,
        )

    @property
    def proved_nm(self) -> float:
        """Proved moment: as measured, less its expanded uncertainty, N·m; never below 0."""
        if self.radius_m is None:
            return 0.0
        return max(0.0, self.moment_nm - COVERAGE_FACTOR * self.u_moment_nm)


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
        for start_ns, end_ns, moving in _pieces(evidence, hung):
            clear = Spans.of([(start_ns, end_ns)]) - unproved
            hold = _measure(
                evidence, side=side, span=(start_ns, end_ns), clear=clear, moving=moving
            )
            if hold is not None:
                holds.append(hold)
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
    evidence: Evidence, *, side: Side, span: tuple[int, int], clear: Spans, moving: bool
) -> Hold | None:
    """Load, radius and covered angles of one piece; None where the cell says nothing in it."""
    load_kg, u_load_kg = hold_load(evidence, span)
    if load_kg is None:
        return None
    radii_m, by = hold_radii(evidence, span, moving=moving)
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
        radius_m=float(radii_m.min()) if radii_m.size else None,
        radius_first_m=float(radii_m[0]) if radii_m.size else 0.0,
        radius_last_m=float(radii_m[-1]) if radii_m.size else 0.0,
        radius_by=by,
        load_kg=load_kg,
        u_load_kg=u_load_kg,
        u_radius_m=u_hold_radius_m(evidence, radii_m, by),
    )


def _covered(evidence: Evidence, side: Side, start_ns: int, end_ns: int) -> Covered:
    if evidence.slew is None:
        return Covered(0.0, 0.0, start_ns)
    range_deg = evidence.slew.range_deg(start_ns, end_ns - 1)
    low_deg, high_deg = sorted(max(0.0, side.sign * angle) for angle in range_deg)
    return Covered(low_deg, high_deg, start_ns)
