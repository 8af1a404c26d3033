"""What the simulated truck's sensors do on their wires: levels of pins and conversions.

The demo's readings are turned back into what gives them. An encoder's lines step from one reading's
count to the next between the two; a bridge amplifier converts when the cell was read; a contact's
pin changes where the reading changes. A board's timers run at the moments when the demo read.
"""

import struct

import numpy as np

from dashboard.demo.scenario import WHEELS

ZERO_COUNT = 1000
"""The demo's encoder over the rear."""
RADIUS_AT_ZERO_MM = 3920
"""Offset of the radius in the firmware's rig file."""
RADIUS_OFFSET_MM = 250
COUNTS_PER_TURN = 4096
CELL_FACTOR, CELL_SHIFT = 40, -150_000
"""From the demo's counts to those of the firmware's rig file; half of them are negative."""
TIMER, CONVERSION = 128, 200
CONTACT_HZ = 20

_LINES = ((0, 0), (1, 0), (1, 1), (0, 1))


def bridge_counts(raw):
    """Conversions that weigh what the demo's counts weigh."""
    return CELL_FACTOR * raw.astype(int) + CELL_SHIFT


def mast_signals(simulation):
    """Signals of the board of ``config_mast``: (time, ns; kind; value), in order of time."""
    blocks = simulation.blocks
    slew = np.unwrap(blocks["slew"].value - ZERO_COUNT, period=COUNTS_PER_TURN).astype(int)
    radius = (blocks["radius"].value + RADIUS_OFFSET_MM - RADIUS_AT_ZERO_MM).astype(int)
    signals = [(0, pin, 0) for pin in (2, 3, 4, 5)]  # the power comes on
    signals += [(0, pin, level) for pin in (8, 9) for level in (0, 1)]  # zero is pressed
    signals += _steps(blocks["slew"].t_ns, slew, pins=(2, 3))
    signals += _steps(blocks["radius"].t_ns, radius, pins=(4, 5))
    signals += [(t, TIMER, 0) for t in blocks["slew"].t_ns.tolist()]
    signals += [(t, TIMER + 1, 0) for t in blocks["radius"].t_ns.tolist()]
    cell = blocks["load"]
    signals += [
        (t, CONVERSION, v)
        for t, v in zip(cell.t_ns.tolist(), bridge_counts(cell.value).tolist(), strict=True)
    ]
    return sorted(signals, key=lambda signal: signal[0])


def wheel_signals(simulation):
    """Signals of the board of ``config_wheels``; a closed contact pulls its pin to 0."""
    signals, last_ns = [], 0
    for pin, wheel in zip((10, 11, 12, 13), WHEELS, strict=True):
        block = simulation.blocks[f"wheel/{wheel}"]
        last_ns = int(block.t_ns[-1])
        signals += [
            (t, pin, int(not closed)) for t, closed in changes(block.t_ns, block.value > 0.5)
        ]
    signals += [(t, TIMER, 0) for t in range(10**6, last_ns, 10**9 // CONTACT_HZ)]
    return sorted(signals, key=lambda signal: signal[0])


def changes(t_ns, state):
    """The first state, from time 0, and each change: (time, ns; state)."""
    at = np.flatnonzero(state[1:] != state[:-1]) + 1
    return [(0, bool(state[0])), *((int(t_ns[i]), bool(state[i])) for i in at)]


def write_signals(path, signals, *, drift_ppm):
    """Writes signals for the bench, at times of a board whose clock runs a little fast or slow."""
    with path.open("wb") as file:
        for t_ns, kind, value in signals:
            t_us = round(t_ns * (1 + drift_ppm * 1e-6) / 1000)
            file.write(struct.pack("<QBi", t_us, kind, value))


def _steps(t_ns, counts, *, pins):
    """Edges between readings that lead from count to count, from 0 before the first one."""
    signals = []
    at, since_ns = 0, 0
    for t, count in zip(t_ns.tolist(), counts.tolist(), strict=True):
        steps = abs(count - at)
        for i in range(steps):
            before = _LINES[at % 4]
            at += 1 if count > at else -1
            after = _LINES[at % 4]
            line = 0 if before[0] != after[0] else 1
            moment = since_ns + (t - since_ns) * (i + 1) // (steps + 1)
            signals.append((moment, pins[line], after[line]))
        since_ns = t
    return signals
