"""Holds: stretches of a sweep with the load hanging and the radius constant.

A hold's moment is its middle load times its least radius. The load is one and the same weight
all along, so the median over many swings is the best figure; a radius can shrink under way, so
the least of its
five-second medians is the one that was proved everywhere. A stretch in which the radius moved
while the load hung is a hold too, with the least radius that any slice of it shows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from dashboard.capacity.evidence import Evidence
from dashboard.capacity.plan import COVERAGE_FACTOR, moment_nm, u_moment_nm
from logger.events.sweep import Side
from logger.readings.bins import Bins
from logger.readings.block import Values
from logger.readings.spans import Spans

GROUP_NS = 5_000_000_000
"""Longer than the swing of a load on 5 m of rope, 2π√(L/g) = 4.5 s."""
LEAST_GROUPS = 3
COVERED_DEG = 0.3
"""Narrower parts are noise of a standing boom."""
ASSUMED_U_LOAD_SHARE = 0.001
"""Of the load, where neither the cell nor the parts declare an uncertainty: 0.1 %."""
ASSUMED_U_RADIUS_M = 0.003
"""Where the radius sensor declares none: a tape step of 10 mm, rectangular."""


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
    load_kg, u_load_kg = _load(evidence, span)
    if load_kg is None:
        return None
    radii_m, by = _radii(evidence, span, moving=moving)
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
        u_radius_m=_u_radius_m(evidence, radii_m, by),
    )


def _covered(evidence: Evidence, side: Side, start_ns: int, end_ns: int) -> Covered:
    if evidence.slew is None:
        return Covered(0.0, 0.0, start_ns)
    range_deg = evidence.slew.range_deg(start_ns, end_ns - 1)
    low_deg, high_deg = sorted(max(0.0, side.sign * angle) for angle in range_deg)
    return Covered(low_deg, high_deg, start_ns)


def _load(evidence: Evidence, span: tuple[int, int]) -> tuple[float | None, float]:
    """Applied load and its standard uncertainty, kg, over the whole time that it hung."""
    span = _hung_at(evidence, span)
    inside = _inside(evidence.load, span)
    if inside.size == 0:
        return None, 0.0
    middle_kg = float(np.median(inside))
    declared_kg = evidence.u_load_kg
    if declared_kg is None:
        declared_kg = max(evidence.test.load.u_kg, ASSUMED_U_LOAD_SHARE * middle_kg)
    return middle_kg, math.hypot(declared_kg, _scatter_kg(inside, grouped(evidence.load, span)))


def _hung_at(evidence: Evidence, span: tuple[int, int]) -> tuple[int, int]:
    """The hanging stretch that a piece of it belongs to."""
    return next((h for h in evidence.hanging if h[0] <= span[0] < h[1]), span)


def _radii(evidence: Evidence, span: tuple[int, int], *, moving: bool) -> tuple[Values, str]:
    """Radii of a stretch, oldest first, m, and what told them."""
    inside = _inside(evidence.radius, span)
    if inside.size:
        return (inside if moving else grouped(evidence.radius, span)), "sensor"
    return _tape(evidence, span)


def _tape(evidence: Evidence, span: tuple[int, int]) -> tuple[Values, str]:
    """The tape reading of a stretch: one noted in it, or on the ground just before it."""
    hung_ns = _hung_at(evidence, span)
    before_ns = max((h[1] for h in evidence.hanging if h[1] <= hung_ns[0]), default=-(2**62))
    noted = [r.radius_m for r in evidence.tape if before_ns <= r.t_ns < hung_ns[1]]
    return (np.array([min(noted)]), "tape") if noted else (np.empty(0), "")


def _u_radius_m(evidence: Evidence, radii_m: Values, by: str) -> float:
    if by == "tape":
        return evidence.test.method.tape_step_m / math.sqrt(12)
    declared_m = ASSUMED_U_RADIUS_M if evidence.u_radius_m is None else evidence.u_radius_m
    # A trend is no scatter: the least radius is taken, so only what is left around it counts.
    if radii_m.size < 3:
        return declared_m
    rest = radii_m - np.polynomial.Polynomial.fit(
        np.arange(radii_m.size, dtype=np.float64), radii_m, 1
    )(np.arange(radii_m.size, dtype=np.float64))
    return math.hypot(declared_m, float(rest.std(ddof=1)) / math.sqrt(radii_m.size))


def _inside(bins: Bins | None, span: tuple[int, int]) -> Values:
    """Medians of the slices that lie wholly in a stretch."""
    if bins is None:
        return np.empty(0)
    first = np.searchsorted(bins.first_ns, span[0])
    last = np.searchsorted(bins.last_ns, span[1], side="left")
    return bins.median[first:last]


def grouped(bins: Bins | None, span: tuple[int, int]) -> Values:
    """Medians of the slices of each five seconds of a stretch; a short rest joins the last."""
    if bins is None:
        return np.empty(0)
    count = max(1, (span[1] - span[0]) // GROUP_NS)
    edges = [span[0] + (span[1] - span[0]) * i // count for i in range(count + 1)]
    groups = [_inside(bins, (a, b)) for a, b in pairwise(edges)]
    medians = [float(np.median(g)) for g in groups if g.size]
    return np.array(medians) if medians else _inside(bins, span)


def _scatter_kg(slices_kg: Values, groups_kg: Values) -> float:
    """Standard uncertainty of the load's median, kg.

    From the medians of its groups, by the median absolute deviation (× 1.4826 for a normal
    distribution) and the efficiency of a median (√(π/2)), so that taking up and setting down
    the load do not count as noise. A hold of a swing or two has no groups to speak of: there the
    swing itself, as its slices show it, is the uncertainty.
    """
    if groups_kg.size < LEAST_GROUPS:
        low_kg, high_kg = np.quantile(slices_kg, (0.1, 0.9))
        return float(high_kg - low_kg) / 2
    deviation_kg = 1.4826 * float(np.median(np.abs(groups_kg - np.median(groups_kg))))
    return deviation_kg * math.sqrt(math.pi / 2 / groups_kg.size)
