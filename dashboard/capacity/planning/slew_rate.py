"""How fast to slew, for the angle of a lift to be known as finely as wanted.

Two things set the pace. A contact that is read f times a second and whose clock is known to u
leaves an angle uncertain by rate × (1/f + u). And a slew that begins at once leaves the load
behind: a pendulum whose pivot is suddenly carried along at ω R swings ± ω R T / 2π along the arc,
so that the load hangs at another slew angle than the boom by up to ω T / 2π.
"""

from __future__ import annotations

import math

CLOCK_U_S = 0.005
"""Uncertainty of a contact's time against the slew's that a plan reckons with, s (our own)."""

USUAL_CONTACT_RATES_HZ = (10.0, 50.0, 200.0)


def rate_by_contacts_dps(
    resolution_deg: float, *, contact_rate_hz: float, clock_u_s: float = CLOCK_U_S
) -> float:
    """The fastest slew at which contacts tell an angle to a resolution, deg/s."""
    return resolution_deg / (1 / contact_rate_hz + clock_u_s)


def rate_by_swing_dps(resolution_deg: float, *, period_s: float) -> float:
    """The fastest slew whose abrupt start swings the load by a resolution at most, deg/s."""
    return resolution_deg * math.tau / period_s
