"""Findings about how sure the figures are: clocks, and uncertainties that nobody declared."""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.capacity.findings.finding import Finding, Severity
from dashboard.capacity.proof.evidence import Evidence
from dashboard.capacity.proof.hold_load import ASSUMED_U_LOAD_SHARE
from dashboard.capacity.proof.hold_radius import ASSUMED_U_RADIUS_M

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
        what_to_do="Let the devices send their uptime with each pack, or slew slower.",
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
