"""Findings about how sure the figures are: clocks, calibrations, and what nobody declared."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import islice

import numpy as np

from dashboard.capacity.findings.finding import Finding, Severity
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.hold_load import ASSUMED_U_LOAD_SHARE
from dashboard.capacity.proof.hold_radius import ASSUMED_U_RADIUS_M
from dashboard.capacity.proof.sweeps import Sweep
from logger.readings.calibration import FULL_TURN_DEG

HARDLY_GEARED_DEG = 1.0
"""An encoder whose turn is this near to the boom's is on the boom's own axis."""
CLOCK_POOR_S = 0.05
"""A worse clock costs more than a quarter of a degree at 3 deg/s (two standard uncertainties)."""


def clock_poor(evidence: Evidence) -> Iterator[Finding]:
    """Times of two sources that agree badly."""
    if evidence.u_clock_s <= CLOCK_POOR_S * evidence.clock_rate:
        return
    limit_dps = evidence.test.method.slew_rate_limit_dps
    yield Finding(
        code="clock_poor",
        severity=Severity.CAUTION,
        t_ns=None,
        text=f"The times of two sources agree to ± {2000 * evidence.u_clock_s:.0f} ms only.",
        effect="Each lift's angle is that much less sure: "
        f"± {2 * evidence.u_clock_s * limit_dps:.1f}° at {limit_dps:g} deg/s.",
        what_to_do="Let the devices send their uptime with each pack, ask for registers in "
        "shorter exchanges, or slew slower.",
    )


def slew_turn_assumed(evidence: Evidence) -> Iterator[Finding]:
    """An encoder that is geared up, so that nothing in its readings tells the boom's own turn."""
    slew = evidence.slew
    if slew is None or slew.t_ns.size == 0 or slew.turn_deg > FULL_TURN_DEG - HARDLY_GEARED_DEG:
        return
    began_deg, longest_ns = float(slew.slew_deg[0]), int(np.diff(slew.t_ns).max(initial=0))
    yield Finding(
        code="slew_turn_assumed",
        severity=Severity.CAUTION,
        t_ns=int(slew.t_ns[0]),
        text=f"The slew encoder's readings come again every {slew.turn_deg:.1f}°. The recording "
        f"is taken to have begun at {began_deg:.1f}°, the nearest to over the rear, and was silent "
        f"for {longest_ns * 1e-9:.1f} s at most.",
        effect=f"If the boom stood elsewhere, or turned by more than {slew.turn_deg / 2:.1f}° in a "
        f"silence, every angle is wrong by {slew.turn_deg:.1f}° or more.",
        what_to_do="Begin every recording with the boom over the rear, look at an angle that you "
        "know, and confirm it in a note.",
    )


def uncertainty_assumed(evidence: Evidence) -> Iterator[Finding]:
    """Sensors of which the rig file declares no uncertainty."""
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
            text=f"The rig file gives no uncertainty u for {' and '.join(assumed)}.",
            effect="Standard values were taken: the proved moment may be better or worse than "
            "these sensors deserve.",
            what_to_do="Calibrate the sensors and write their 'u' into the rig file.",
        )


def outside_calibration(evidence: Evidence, sweeps: Sequence[Sweep]) -> Iterator[Finding]:
    """The first hold whose load, and whose radius, lies where the sensor was not calibrated."""
    above_kg = evidence.test.load.above_cell_kg
    holds = [h for s in sweeps for h in s.holds]
    read = (
        ("load", "kg", [(h, h.load_kg - above_kg) for h in holds]),
        ("radius", "m", [(h, h.radius_m or 0.0) for h in holds if h.radius_by == "sensor"]),
    )
    for channel, unit, values in read:
        low, high = evidence.calibrated.get(channel, (-math.inf, math.inf))
        outside = ((h, value) for h, value in values if not low <= value <= high)
        for hold, value in islice(outside, 1):
            yield Finding(
                code="outside_calibration",
                severity=Severity.CAUTION,
                t_ns=hold.start_ns,
                text=f"The {channel} sensor read {value:.5g} {unit}, and it was calibrated from "
                f"{low:.5g} to {high:.5g} {unit} only.",
                effect="How sure it is there nobody knows: the proved moment may be off by more "
                "than its budget says.",
                what_to_do="Calibrate it over the range of the test and lay that over the run "
                "(slewtrace calibrate … --run).",
            )


def boom_taken_as_stiff(evidence: Evidence) -> Iterator[Finding]:
    """A boom whose deflection was to be fitted to tape readings that are not there."""
    geometry = evidence.test.crane.geometry
    asked = geometry is not None and geometry.deflection_by_tape
    if asked and evidence.radius_by == "geometry" and evidence.deflection is None:
        yield Finding(
            code="boom_taken_as_stiff",
            severity=Severity.NOTE,
            t_ns=None,
            text="Fewer than two tape readings with the load hanging were noted, so the boom's "
            "deflection could not be fitted.",
            effect="The boom counts as stiff, so the radius is taken too short: the safe side.",
            what_to_do='Note two or more while the load hangs: slewtrace note radius "3.49 m".',
        )
