"""What the simulated sensors read: the course of a test with noise, counts, chatter, glitches.

A wheel's switch follows the tyre's contact exactly, but bounces for up to ``CHATTER_S`` after
each change and now and then blinks for a few milliseconds without a cause. Times are those at
which a sample is truly taken; what a node's clock makes of them is the node's affair.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dashboard.demo.operator import Course
from dashboard.demo.scenario import (
    CELL_STEP_KG,
    CELL_ZERO_COUNTS,
    ENCODER_COUNTS,
    ENCODER_ZERO,
    RADIUS_STEP_M,
    RADIUS_ZERO_MM,
    WHEELS,
    Rates,
)
from logger.readings.block import Block, Nanoseconds

CHATTER_S = 0.010
GLITCH_S = 0.006
GLITCHES_A_S = 1 / 240
"""Blinks of a switch without a cause, a second."""
CELL_NOISE_KG = 1.2
RADIUS_NOISE_M = 0.003
ENCODER_NOISE_COUNTS = 0.15

Numbers = NDArray[np.float64]


def read_sensors(course: Course, *, weight_kg: float, rates: Rates, seed: int) -> dict[str, Block]:
    """Samples every sensor over a whole test.

    Args:
        course: the test.
        weight_kg: what hangs below the load cell when the load is up, kg.
        rates: samples a second.
        seed: of all noise.

    Returns:
        A block of raw values for each channel of the demo's rig file.
    """
    rng = np.random.default_rng([seed, 2])
    end = float(course.t_s[-1])
    blocks: dict[str, Block] = {}

    def keep(channel: str, t: Numbers, value: Numbers) -> None:
        t_ns = np.round(t * 1e9).astype(np.int64)
        blocks[channel] = Block(channel=channel, t_ns=t_ns, value=value)

    t = _times(end, rates.slew_hz, rng)
    keep("slew", t, _encoder(np.interp(t, course.t_s, course.slew_deg), rng))
    t = _times(end, rates.load_hz, rng)
    pull_kg = np.interp(t, course.t_s, weight_kg * course.hung * course.pull)
    noise = rng.normal(0.0, CELL_NOISE_KG, t.shape)
    keep("load", t, np.round((pull_kg + noise) / CELL_STEP_KG) + CELL_ZERO_COUNTS)
    t = _times(end, rates.radius_hz, rng)
    radius = np.interp(t, course.t_s, course.radius_m) + rng.normal(0, RADIUS_NOISE_M, t.shape)
    keep("radius", t, np.round(radius / RADIUS_STEP_M) - RADIUS_ZERO_MM)
    for i, wheel in enumerate(WHEELS):
        t = _times(end, rates.wheel_hz, rng)
        changes = contact_changes_s(course.t_s, course.closure_m[:, i])
        keep(f"wheel/{wheel}", t, _switch(t, changes, rng).astype(np.float64))
    return blocks


def contact_changes_s(t_s: Numbers, closure_m: Numbers) -> Numbers:
    """The moments at which a tyre leaves the ground and comes back, in turn, s.

    Args:
        t_s: times, shape (n,), s.
        closure_m: closure at those times, shape (n,), m; the first one is on the ground.

    Returns:
        Times between the samples, in a straight line through the closures; opening first.

    Raises:
        ValueError: where the tyre is off the ground at the start.
    """
    closed = closure_m > 0
    if not closed[0]:
        raise ValueError("the simulated test begins with a wheel off the ground")
    before = np.flatnonzero(closed[1:] != closed[:-1])
    share = closure_m[before] / (closure_m[before] - closure_m[before + 1])
    return np.asarray(t_s[before] + share * (t_s[before + 1] - t_s[before]))


def _times(end_s: float, rate_hz: float, rng: np.random.Generator) -> Numbers:
    """Even sample times with a start of the sensor's own."""
    first = float(rng.uniform(0.0, 1 / rate_hz))
    return np.asarray(first + np.arange(int((end_s - first) * rate_hz)) / rate_hz)


def _encoder(slew_deg: Numbers, rng: np.random.Generator) -> Numbers:
    counts = slew_deg * (ENCODER_COUNTS / 360) + ENCODER_ZERO
    noisy = counts + rng.normal(0.0, ENCODER_NOISE_COUNTS, counts.shape)
    return np.asarray(np.round(noisy) % ENCODER_COUNTS)


def _switch(t_s: Numbers, changes_s: Numbers, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Readings of a contact switch, true where closed."""
    closed: NDArray[np.bool_] = np.searchsorted(changes_s, t_s, side="right") % 2 == 0
    for start, length in zip(changes_s, rng.uniform(0.0, CHATTER_S, changes_s.shape), strict=True):
        bouncing = slice(*np.searchsorted(t_s, [start, start + length]))
        closed[bouncing] = rng.random(closed[bouncing].shape) < 0.5
    blinks = rng.poisson(GLITCHES_A_S * float(t_s[-1]))
    for start in rng.uniform(0.0, float(t_s[-1]), blinks):
        blinking = slice(*np.searchsorted(t_s, [start, start + rng.uniform(0.0, GLITCH_S)]))
        closed[blinking] = ~closed[blinking]
    return closed


def nanoseconds(t_s: Numbers) -> Nanoseconds:
    """Seconds as whole nanoseconds."""
    return np.asarray(np.round(t_s * 1e9), dtype=np.int64)
