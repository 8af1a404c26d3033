"""Findings: what an engineer must know before trusting a result.

``invalid``: a stretch proves nothing. ``caution``: the result stands, but look. ``note``: for
the record.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np

from dashboard.capacity.evidence import Evidence, SlewRecord
from dashboard.capacity.hold_load import ASSUMED_U_LOAD_SHARE
from dashboard.capacity.hold_radius import ASSUMED_U_RADIUS_M
from dashboard.capacity.plan import COVERAGE_FACTOR
from dashboard.capacity.stretches import grouped
from dashboard.capacity.sweeps import Sweep
from logger.events.sweep import OVER_REAR_DEG, Side
from logger.readings.rig_file import WHEEL
from logger.readings.spans import Spans

CLOCK_POOR_S = 0.05
"""A worse clock costs more than a quarter of a degree at 3 deg/s (two standard uncertainties)."""

SLEWED_DEG = 0.5
"""Less than this is drift, not slewing."""
TAPE_NOTED_WITHIN_NS = 10_000_000_000
"""A tape is held against what the sensor showed this long before and after the note, ns."""
SHORT_OF_LIMIT_DEG = 1.0
"""A sweep may end this far before the slew limit and still be complete."""


class Severity(StrEnum):
    """What a finding means for the result."""

    INVALID = "invalid"
    CAUTION = "caution"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something an engineer must know.

    Attributes:
        code: its name, such as ``load_not_hanging``.
        severity: what it means for the result.
        t_ns: the moment to look at, ns; None where there is none.
        text: one sentence.
    """

    code: str
    severity: Severity
    t_ns: int | None
    text: str


def find_findings(
    evidence: Evidence, sweeps: tuple[Sweep, ...], *, required_nm: float
) -> tuple[Finding, ...]:
    """All findings of a run, in order of time.

    Args:
        evidence: what the run shows.
        sweeps: its sweeps.
        required_nm: required moment M_q, N·m.
    """
    findings = [*_of_the_run(evidence, sweeps)]
    if evidence.slew is not None:
        for sweep in sweeps:
            findings += _load_not_hanging(evidence, evidence.slew, sweep)
            findings += _radius_changed_while_slewing(sweep)
            findings += _wheel_open_before_the_start(evidence, sweep)
            findings += _stale(evidence, sweep)
            findings += _sweep_incomplete(evidence, sweep)
            findings += _moment(sweep, required_nm=required_nm)
    return tuple(sorted(findings, key=lambda f: -(2**62) if f.t_ns is None else f.t_ns))


def _hung(evidence: Evidence, sweep: Sweep) -> Spans:
    return evidence.hanging & Spans.of([(sweep.start_ns, sweep.end_ns + 1)])


def _load_not_hanging(evidence: Evidence, slew: SlewRecord, sweep: Sweep) -> Iterator[Finding]:
    hung = _hung(evidence, sweep).pairs
    gaps = [(sweep.start_ns, hung[0][0]), *((a[1], b[0]) for a, b in pairwise(hung))]
    for start_ns, end_ns in gaps:
        if start_ns >= end_ns:
            continue
        low_deg, high_deg = slew.range_deg(start_ns, end_ns)
        if high_deg - low_deg > SLEWED_DEG:
            yield Finding(
                code="load_not_hanging",
                severity=Severity.INVALID,
                t_ns=start_ns,
                text=f"The load did not hang freely while the boom slewed from "
                f"{low_deg:.1f}° to {high_deg:.1f}°: nothing is proved there.",
            )


def _radius_changed_while_slewing(sweep: Sweep) -> Iterator[Finding]:
    moved = [h for h in sweep.holds if h.moving and h.to_deg - h.from_deg > SLEWED_DEG]
    if moved:
        yield Finding(
            code="radius_changed_while_slewing",
            severity=Severity.CAUTION,
            t_ns=moved[0].start_ns,
            text=f"The radius went from {moved[0].radius_first_m:.2f} m to "
            f"{moved[-1].radius_last_m:.2f} m while the boom slewed between "
            f"{moved[0].from_deg:.1f}° and {moved[-1].to_deg:.1f}° on the {sweep.side}: "
            "the least radius counts.",
        )


def _wheel_open_before_the_start(evidence: Evidence, sweep: Sweep) -> Iterator[Finding]:
    for begins_ns, _ in _hung(evidence, sweep):
        for lift in evidence.lifts:
            if lift.t_ns < begins_ns and (lift.end_ns is None or lift.end_ns > begins_ns):
                yield Finding(
                    code="wheel_open_before_the_start",
                    severity=Severity.INVALID,
                    t_ns=lift.t_ns,
                    text=f"Wheel {lift.wheel} was off the ground when the load began to hang on "
                    f"the {sweep.side} sweep: nothing is proved until it comes down.",
                )


def _stale(evidence: Evidence, sweep: Sweep) -> Iterator[Finding]:
    hung = _hung(evidence, sweep)
    for channel, spans in evidence.stale.items():
        silent = spans & hung
        if silent.pairs:
            seconds = silent.total_ns * 1e-9
            what = "switch" if channel.startswith(WHEEL) else "sensor"
            yield Finding(
                code=f"{what}_stale",
                severity=Severity.INVALID,
                t_ns=silent.pairs[0][0],
                text=f"{channel} sent nothing fresh for {seconds:.1f} s of the {sweep.side} "
                "sweep: nothing is proved there.",
            )


def _sweep_incomplete(evidence: Evidence, sweep: Sweep) -> Iterator[Finding]:
    truck = evidence.test.truck
    right = sweep.side is Side.RIGHT
    limit_deg = truck.slew_limit_right_deg if right else truck.slew_limit_left_deg
    reached_deg = sweep.outward_deg(sweep.reached_deg)
    if reached_deg < limit_deg - SHORT_OF_LIMIT_DEG:
        yield Finding(
            code="sweep_incomplete",
            severity=Severity.CAUTION,
            t_ns=sweep.end_ns,
            text=f"The {sweep.side} sweep ended at {reached_deg:.1f}° of {limit_deg:.1f}°: "
            "beyond it nothing is tested.",
        )
    begun_deg = min((h.from_deg for h in sweep.holds), default=0.0)
    if begun_deg > OVER_REAR_DEG:
        yield Finding(
            code="sweep_incomplete",
            severity=Severity.CAUTION,
            t_ns=sweep.start_ns,
            text=f"The {sweep.side} sweep began at {begun_deg:.1f}° and not over the rear: "
            "before it nothing is tested.",
        )


def _moment(sweep: Sweep, *, required_nm: float) -> Iterator[Finding]:
    until_ns = sweep.end_ns if sweep.first_lift is None else sweep.first_lift.t_ns
    swept = [h for h in sweep.holds if h.to_deg - h.from_deg > SLEWED_DEG]
    for hold in swept:
        if hold.radius_m is None:
            yield Finding(
                code="radius_unknown",
                severity=Severity.INVALID,
                t_ns=hold.start_ns,
                text=f"Nothing tells the radius between {hold.from_deg:.1f}° and "
                f"{hold.to_deg:.1f}° on the {sweep.side}: no percentage can be given there.",
            )
    short = [
        h
        for h in swept
        if h.radius_m is not None and h.start_ns < until_ns and h.proved_nm < required_nm
    ]
    if short:
        least = min(short, key=lambda h: h.proved_nm)
        yield Finding(
            code="moment_short",
            severity=Severity.CAUTION,
            t_ns=least.start_ns,
            text=f"The {sweep.side} sweep proved {least.proved_nm / 1000:.2f} kN·m "
            f"({least.moment_nm / 1000:.2f} measured, less {COVERAGE_FACTOR:g} × "
            f"{least.u_moment_nm / 1000:.2f}), short of the required "
            f"{required_nm / 1000:.2f} kN·m.",
        )


def _of_the_run(evidence: Evidence, sweeps: tuple[Sweep, ...]) -> Iterator[Finding]:
    for side in Side:
        if not any(s.side is side for s in sweeps):
            yield Finding(
                code="sweep_incomplete",
                severity=Severity.CAUTION,
                t_ns=None,
                text=f"The run holds no {side} sweep with the load hanging: that side is untested.",
            )
    yield from _clock_poor(evidence)
    yield from _assumed(evidence)
    yield from _tape_disagrees(evidence)
    yield from _other_lifts(evidence, sweeps)
    if evidence.only_changes:
        yield Finding(
            code="switch_reports_only_changes",
            severity=Severity.CAUTION,
            t_ns=None,
            text=f"Nothing tells whether {', '.join(evidence.only_changes)} still spoke: the "
            "switch reports only changes. Let it repeat its state, and set stale_after.",
        )


def _other_lifts(evidence: Evidence, sweeps: tuple[Sweep, ...]) -> Iterator[Finding]:
    """Lifts that belong to no sweep."""
    last_ns = evidence.run_ns[1] + 1
    for wheel in dict.fromkeys(lift.wheel for lift in evidence.lifts):
        of_wheel = [x for x in evidence.lifts if x.wheel == wheel]
        empty = [
            x
            for x in of_wheel
            if not (evidence.hanging & Spans.of([(x.t_ns, x.end_ns or last_ns)])).pairs
        ]
        if empty:
            times = "once" if len(empty) == 1 else f"{len(empty)} times"
            yield Finding(
                code="lift_without_load",
                severity=Severity.NOTE,
                t_ns=empty[0].t_ns,
                text=f"Wheel {wheel} lifted {times} with no load hanging: no test result.",
            )
        outside = [
            x
            for x in of_wheel
            if x.t_ns in evidence.hanging
            and not any(s.start_ns <= x.t_ns <= s.end_ns for s in sweeps)
        ]
        if outside:
            yield Finding(
                code="lift_outside_a_sweep",
                severity=Severity.CAUTION,
                t_ns=outside[0].t_ns,
                text=f"Wheel {wheel} lifted with the load hanging outside of any sweep: look at "
                "it before trusting the sectors.",
            )


def _tape_disagrees(evidence: Evidence) -> Iterator[Finding]:
    """Tape readings that the radius sensor contradicts; without a sensor there are none.

    What the sensor showed around the note is held against it, since one reads, walks and then
    notes. Both uncertainties together, twice (JCGM 100:2008, 5.1.2 and 6.3.3; from memory).
    """
    sensor_u_m = ASSUMED_U_RADIUS_M if evidence.u_radius_m is None else evidence.u_radius_m
    tape_u_m = evidence.test.method.tape_step_m / math.sqrt(12)
    allowed_m = COVERAGE_FACTOR * math.hypot(sensor_u_m, tape_u_m)
    for reading in evidence.tape:
        around = (reading.t_ns - TAPE_NOTED_WITHIN_NS, reading.t_ns + TAPE_NOTED_WITHIN_NS)
        seen_m = grouped(evidence.radius, around)
        if not seen_m.size:
            continue
        nearest_m = float(seen_m[np.abs(seen_m - reading.radius_m).argmin()])
        off_m = reading.radius_m - nearest_m
        if abs(off_m) > allowed_m:
            yield Finding(
                code="tape_disagrees",
                severity=Severity.CAUTION,
                t_ns=reading.t_ns,
                text=f"The tape read {reading.radius_m:.3f} m and the radius sensor "
                f"{nearest_m:.3f} m: {1000 * abs(off_m):.0f} mm apart, more than the "
                f"{1000 * allowed_m:.0f} mm that both allow. The sensor's radius counts: check it.",
            )


def _clock_poor(evidence: Evidence) -> Iterator[Finding]:
    if evidence.u_clock_s > CLOCK_POOR_S * evidence.clock_rate:
        yield Finding(
            code="clock_poor",
            severity=Severity.CAUTION,
            t_ns=None,
            text=f"The times of two sources agree to ± {2000 * evidence.u_clock_s:.0f} ms only: "
            "each lift's angle is that much less sure. Let the devices send their uptime.",
        )


def _assumed(evidence: Evidence) -> Iterator[Finding]:
    assumed = []
    if evidence.load is not None and evidence.u_load_kg is None:
        assumed.append(
            f"the load (the parts' or {100 * ASSUMED_U_LOAD_SHARE:g} %, whichever is more)"
        )
    if evidence.radius is not None and evidence.u_radius_m is None:
        assumed.append(f"the radius ({1000 * ASSUMED_U_RADIUS_M:g} mm)")
    if assumed:
        yield Finding(
            code="uncertainty_assumed",
            severity=Severity.NOTE,
            t_ns=None,
            text=f"The rig file gives no uncertainty u for {' and '.join(assumed)}: "
            "standard values were taken.",
        )
