"""Findings about the radius: whether it is known, stood still, and agrees with the tape."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from dashboard.capacity.findings.finding import SLEWED_DEG, Finding, Severity, place_in
from dashboard.capacity.proof.evidence import Evidence, SlewRecord
from dashboard.capacity.proof.hold_radius import ASSUMED_U_RADIUS_M
from dashboard.capacity.proof.stretches import grouped
from dashboard.capacity.proof.sweeps import Sweep
from dashboard.capacity.uncertainty.budget import COVERAGE_FACTOR
from dashboard.capacity.uncertainty.budgets import radius_budget
from dashboard.capacity.uncertainty.tape_measure import tape_inputs

TAPE_NOTED_WITHIN_NS = 10_000_000_000
"""A tape is held against what the sensor showed this long before and after the note, ns."""


def radius_findings(slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    """What the radius of a sweep gives reason to say."""
    moved = [h for h in sweep.holds if h.moving and h.to_deg - h.from_deg > SLEWED_DEG]
    if moved:
        place = place_in(sweep, slew, (moved[0].start_ns, moved[-1].end_ns))
        yield Finding(
            code="radius_changed_while_slewing",
            severity=Severity.CAUTION,
            t_ns=moved[0].start_ns,
            text=f"The radius went from {moved[0].radius_first_m:.2f} m to "
            f"{moved[-1].radius_last_m:.2f} m while the boom slewed {place.words}.",
            effect="The least radius of that stretch counts for all of it.",
            what_to_do="Set the load down, change the radius, measure it and slew on with the "
            "boom's angle and length untouched.",
            place=place,
        )
    for hold in sweep.holds:
        if hold.radius_m is not None or hold.to_deg - hold.from_deg <= SLEWED_DEG:
            continue
        place = place_in(sweep, slew, (hold.start_ns, hold.end_ns))
        yield Finding(
            code="radius_unknown",
            severity=Severity.INVALID,
            t_ns=hold.start_ns,
            text=f"Nothing tells the radius {place.words}.",
            effect=f"No moment is known and so no percentage {place.words}: that sector is "
            "untested.",
            what_to_do="Wire a radius sensor, or note the taped radius each time before the load "
            "is lifted again.",
            place=place,
        )


def tape_disagrees(evidence: Evidence) -> Iterator[Finding]:
    """Tape readings that the radius sensor contradicts; without a sensor there are none.

    What the sensor showed around the note is held against it, since one reads, walks and then
    notes. Both uncertainties together, twice (JCGM 100:2008, 5.1.2 and 6.3.3; from memory).
    """
    sensor_u_m = ASSUMED_U_RADIUS_M if evidence.u_radius_m is None else evidence.u_radius_m
    told_by = "boom's angle and length" if evidence.radius_by == "geometry" else "radius sensor"
    for reading in evidence.tape:
        around = (reading.t_ns - TAPE_NOTED_WITHIN_NS, reading.t_ns + TAPE_NOTED_WITHIN_NS)
        seen_m = grouped(evidence.radius, around)
        if not seen_m.size:
            continue
        tape = radius_budget(
            radius_m=reading.radius_m,
            inputs=tape_inputs(evidence.test.method, reading.radius_m),
        )
        allowed_m = COVERAGE_FACTOR * math.hypot(sensor_u_m, tape.u)
        nearest_m = float(seen_m[np.abs(seen_m - reading.radius_m).argmin()])
        off_m = reading.radius_m - nearest_m
        if abs(off_m) > allowed_m:
            share = 100 * abs(off_m) / nearest_m if nearest_m > 0 else math.inf
            yield Finding(
                code="tape_disagrees",
                severity=Severity.CAUTION,
                t_ns=reading.t_ns,
                text=f"The tape read {reading.radius_m:.3f} m and the {told_by} "
                f"{nearest_m:.3f} m: {1000 * abs(off_m):.0f} mm apart, more than the "
                f"{1000 * allowed_m:.0f} mm that both allow.",
                effect=f"The radius by the {told_by} counts: if the tape is right, every moment is "
                f"{share:.1f} % too {'small' if off_m > 0 else 'great'}.",
                what_to_do="Tape the radius again with the load hanging, and calibrate what "
                "disagrees with it.",
            )
