"""Findings about the load: whether it hung, and how quietly."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from dashboard.capacity.findings.finding import SLEWED_DEG, Finding, Severity, place_in
from dashboard.capacity.proof.evidence import Evidence, SlewRecord
from dashboard.capacity.proof.hold_load import hold_load, load_disagreement
from dashboard.capacity.proof.stretches import inside
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.proof.whole_load import wholly_hung
from logger.events.sweep import OVER_REAR_DEG
from logger.readings.spans import Spans

MOVED_DEG = 0.2
MOVING_DPS = 0.2
"""A boom that turns slower than this stands; a choice, twice what an encoder's step feigns."""
_AFTER_NS = 500_000_000
SWUNG_DEG = 3.0
"""A load that swings farther than this to each side is no quiet one: 5 % of its weight pulls
sideways then, tan 3° (common practice, no source)."""


def hung_in(evidence: Evidence, sweep: Sweep) -> Spans:
    """When the load hung in a sweep's outward leg."""
    return evidence.hanging & Spans.of([(sweep.start_ns, sweep.end_ns + 1)])


def load_findings(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    """What the load of a sweep gives reason to say."""
    gaps = list(_gaps(evidence, sweep))
    yield from _load_not_hanging(slew, sweep, gaps)
    yield from _touched_ground(evidence, slew, sweep, gaps)
    yield from _load_swinging(slew, sweep)
    yield from _load_disagrees(evidence, slew, sweep)


def _gaps(evidence: Evidence, sweep: Sweep) -> Iterator[tuple[int, int]]:
    hung = hung_in(evidence, sweep).pairs
    for start_ns, end_ns in (
        (sweep.start_ns, hung[0][0]),
        *((a[1], b[0]) for a, b in pairwise(hung)),
        *(gap for span in hung for gap in _partly_held(evidence, span)),
    ):
        if start_ns < end_ns:
            yield start_ns, end_ns


def _partly_held(evidence: Evidence, hung: tuple[int, int]) -> Iterator[tuple[int, int]]:
    """Where something carried part of the load inside a hanging stretch."""
    whole = wholly_hung(evidence, hung, hold_load(evidence, hung)) & Spans.of([hung])
    yield from ((a[1], b[0]) for a, b in pairwise(whole))


def _load_not_hanging(
    slew: SlewRecord, sweep: Sweep, gaps: list[tuple[int, int]]
) -> Iterator[Finding]:
    for gap in gaps:
        place = place_in(sweep, slew, gap)
        # A load that is lifted over the rear stands for the whole of it.
        over_rear = gap[0] == sweep.start_ns and abs(place.to_deg or 0.0) <= OVER_REAR_DEG
        if place.width_deg > SLEWED_DEG and not over_rear:
            yield Finding(
                code="load_not_hanging",
                severity=Severity.INVALID,
                t_ns=gap[0],
                text=f"The load did not hang freely while the boom slewed {place.words}.",
                effect=f"Nothing is proved {place.words}: that sector is untested.",
                what_to_do="Slew over those angles again with the load a hand's breadth off the "
                "ground.",
                place=place,
            )


def _touched_ground(
    evidence: Evidence, slew: SlewRecord, sweep: Sweep, gaps: list[tuple[int, int]]
) -> Iterator[Finding]:
    """Dips of the load while the boom turned: short ones, and what began while it turned."""
    touched = [
        (t.t_ns, t.end_ns)
        for t in evidence.touches
        if sweep.start_ns <= t.t_ns <= sweep.end_ns and _turned(slew, t.t_ns, t.end_ns)
    ]
    dragged = [gap for gap in gaps if gap[0] > sweep.start_ns and _dragged(slew, *gap)]
    for span in Spans.of([*touched, *dragged]):
        place = place_in(sweep, slew, span)
        loads_kg = inside(evidence.load, span)
        depths_kg = [
            evidence.test.load.mass_kg - float(loads_kg.min()) if loads_kg.size else 0.0,
            *(t.off_kg for t in evidence.touches if span[0] <= t.t_ns < span[1]),
        ]
        yield Finding(
            code="touched_ground",
            severity=Severity.CAUTION,
            t_ns=span[0],
            text=f"The hook lost up to {max(depths_kg):.0f} kg for "
            f"{(span[1] - span[0]) * 1e-9:.1f} s while the boom slewed {place.words}: "
            "the load touched the ground or was held.",
            effect=(
                f"Nothing is proved {place.words}: that sector is untested."
                if (Spans.of(gaps) & Spans.of([span])).pairs
                else f"A wheel that was about to lift {place.words} was relieved just then, so "
                "its lift may show later than it came."
            ),
            what_to_do="Lift the load a little higher, keep hands and tag lines slack, and slew "
            "over those angles again.",
            place=place,
        )


def _turned(slew: SlewRecord, start_ns: int, end_ns: int) -> bool:
    """Whether the boom turned from before a short touch until after it."""
    around = (start_ns - _AFTER_NS, end_ns + _AFTER_NS)
    before, after = slew.range_deg(around[0], start_ns), slew.range_deg(end_ns, around[1])
    least_deg = MOVING_DPS * _AFTER_NS * 1e-9
    return before[1] - before[0] > least_deg and after[1] - after[0] > least_deg


def _dragged(slew: SlewRecord, start_ns: int, end_ns: int) -> bool:
    """Whether the boom went on turning as the load left the hook; set down, it had stopped."""
    low_deg, high_deg = slew.range_deg(start_ns, end_ns)
    if high_deg - low_deg <= SLEWED_DEG:
        return False
    first_ns = start_ns + _AFTER_NS
    low_deg, high_deg = slew.range_deg(first_ns, min(end_ns, first_ns + 2 * _AFTER_NS))
    return high_deg - low_deg > MOVED_DEG


def _load_swinging(slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    swung = [h for h in sweep.holds if h.load.swing_deg > SWUNG_DEG]
    if not swung:
        return
    place = place_in(sweep, slew, (swung[0].start_ns, swung[-1].end_ns))
    most = max(swung, key=lambda h: h.load.swing_deg)
    swing_deg = most.load.swing_deg
    sideways = math.tan(math.radians(swing_deg))
    yield Finding(
        code="load_swinging",
        severity=Severity.CAUTION,
        t_ns=most.start_ns,
        text=f"The load swung by ± {swing_deg:.1f}° {place.words}.",
        effect=f"Up to {100 * sideways:.1f} % of its weight pulled sideways and in and out, so a "
        "wheel may have lifted earlier or later than under a load at rest.",
        what_to_do=f"Let the load come to rest, under ± {SWUNG_DEG:g}°, and start and stop the "
        "slewing more gently.",
        place=place,
    )


def _load_disagrees(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    compared = [
        (hold, difference)
        for hold in sweep.holds
        if (difference := load_disagreement(evidence, hold)) is not None
    ]
    off = [(h, d) for h, d in compared if abs(d[0]) > d[1]]
    if not off:
        return
    hold, (difference_kg, allowed_kg) = max(off, key=lambda pair: abs(pair[1][0]))
    parts_kg = evidence.test.load.mass_kg
    more = difference_kg > 0
    yield Finding(
        code="load_disagrees",
        severity=Severity.CAUTION,
        t_ns=hold.start_ns,
        text=f"The cell read {abs(difference_kg):.1f} kg {'more' if more else 'less'} than the "
        f"{parts_kg:g} kg of the load's parts, beyond the {allowed_kg:.1f} kg that both allow.",
        effect=(
            "What the cell has too much is not credited to the proved moment."
            if more
            else f"The cell's reading counts, {100 * abs(difference_kg) / parts_kg:.1f} % below "
            "the parts."
        ),
        what_to_do="Weigh the parts or check the cell's zero, calibration and 'above_cell'.",
        place=place_in(sweep, slew, (hold.start_ns, hold.end_ns)),
    )
