"""Sighted angles against an encoder that starts again at zero.

A reading of 12 counts may mean 12, 4108 or −4084. Which of them follows from the encoder's
nominal scale, a turn of the boom divided by the counts in it: from the first point on, each
reading is taken in the turn that fits the sighted angle best. The direction is tried both ways,
and the one that fits wins; where both fit, as with two angles half a turn apart, another
sighting is asked for rather than a sign guessed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.readings.block import Values
from logger.readings.calibration import FULL_TURN_DEG

_CLEARLY = 4.0
"""How many times the better direction's misfit (rms) the other's must be."""

_LEAST_MISFIT_DEG = 1.0
"""Sightings by eye are no better than this, so the other direction must miss by more."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnwrappedSightings:
    """Readings made continuous.

    Attributes:
        reading: shape (n,), counts, the first as it was read.
        nominal_deg: deg for one count, with its sign, as the gearing has it.
        misfit_deg: rms of sighted less nominal angle about their mean, deg.
    """

    reading: Values
    nominal_deg: float
    misfit_deg: float


def unwrap_sightings(
    sighted_deg: Values,
    reading: Values,
    *,
    wraps_at: float,
    nominal_deg: float,
    either_way: bool,
) -> UnwrappedSightings:
    """Readings in the turn that they were sighted in.

    Args:
        sighted_deg: sighted slew angles, shape (n,), deg.
        reading: raw readings, shape (n,), counts.
        wraps_at: counts after which the sensor starts again.
        nominal_deg: deg for one count; its sign counts only where ``either_way`` is False.
        either_way: whether the direction is to be found.

    Raises:
        ValueError: where readings lie outside 0 to ``wraps_at``, or the direction can't be told.
    """
    if not (np.all(reading >= 0) and np.all(reading <= wraps_at)):
        raise ValueError(f"a sensor that starts again at {wraps_at:g} reads 0 to {wraps_at:g}")
    if not either_way:
        return _one_way(sighted_deg, reading, wraps_at, nominal_deg)
    ways = [_one_way(sighted_deg, reading, wraps_at, s * abs(nominal_deg)) for s in (1.0, -1.0)]
    better, worse = sorted(ways, key=lambda w: w.misfit_deg)
    if worse.misfit_deg < max(_CLEARLY * better.misfit_deg, _LEAST_MISFIT_DEG):
        raise ValueError(
            "these angles don't tell which way the sensor counts; sight one more, a quarter turn "
            "from another"
        )
    return better


def _one_way(
    sighted_deg: Values, reading: Values, wraps_at: float, nominal_deg: float
) -> UnwrappedSightings:
    expected = reading[0] + (sighted_deg - sighted_deg[0]) / nominal_deg
    whole = reading + wraps_at * np.rint((expected - reading) / wraps_at)
    off = sighted_deg - nominal_deg * whole
    return UnwrappedSightings(reading=whole, nominal_deg=nominal_deg, misfit_deg=float(np.std(off)))


def nominal_scale(*, wraps_at: float, turns: float) -> float:
    """Deg for one count of a sensor that makes this many turns in one turn of the boom."""
    return FULL_TURN_DEG / (wraps_at * turns)
