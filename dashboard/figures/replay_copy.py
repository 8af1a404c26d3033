"""A compact copy of a run that a browser replays by itself.

Slew, load and radius on the overview's even grid, each in 16 bits between its least and its
greatest value (a step is 1/65,534 of that range: 0.005° of a whole turn), and the wheels'
openings as they were, to the nanosecond. That is some 120 kB for a run of an hour.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.envelope import encode, stretches
from dashboard.figures.moments import Moment, Result
from dashboard.figures.overview import Overview
from dashboard.figures.readings import Readings
from dashboard.figures.units import Measure, Units
from dashboard.figures.words import wheel_words
from logger.readings.block import Nanoseconds
from logger.readings.spans import Spans

MOST_OPENINGS = 4_000
UNKNOWN = -32_768
"""Stands for a value that nobody knows."""
_MARGIN_OF_RING = 1.05
_USUAL_RING_M = 4.0


def replay_copy(overview: Overview, units: Units) -> dict[str, Any]:
    """The copy, as JSON.

    Args:
        overview: the run at first sight.
        units: what numbers are written in.
    """
    start_ns, end_ns = overview.span_ns
    return {
        "start_s": start_ns / 1e9,
        "end_s": end_ns / 1e9,
        "step_s": overview.step_ns / 1e9,
        "grid": {name: _in_steps(values) for name, values in overview.grid.items()},
        "hanging": _encoded(overview.hanging),
        "grounded": _encoded(overview.grounded),
        "wheels": [
            {
                "name": wheel_words(w.name),
                "open": _encoded(
                    stretches(w.open_ns, start_ns=start_ns, end_ns=end_ns + 2, most=MOST_OPENINGS)
                ),
                "unknown": _encoded(w.unknown.pairs),
            }
            for w in overview.wheels
        ],
        "units": {
            "mass": _measure(units.mass),
            "length": _measure(units.length),
            "moment": _measure(units.moment),
        },
    }


def reading_at(readings: Readings, t_ns: int) -> dict[str, Any]:
    """The last readings at a time (ns), from the recording itself and not from the grid."""
    return {
        "slew_deg": readings.slew_at(t_ns),
        "load_kg": readings.load_at(t_ns),
        "radius_m": readings.radius_at(t_ns),
    }


def ring_of(overview: Overview, result: Result | None) -> float:
    """Radius of the plan's ring, m: a little beyond the farthest that the load went."""
    line = overview.lines.get("radius")
    farthest = line.extent[1] if line is not None and line.extent is not None else 0.0
    planned = ((result or {}).get("plan") or {}).get("test_radius_m") or 0.0
    return _MARGIN_OF_RING * (farthest or planned or _USUAL_RING_M)


def _in_steps(values: NDArray[np.float32]) -> dict[str, Any]:
    known = np.isfinite(values)
    low, high = (
        (float(values[known].min()), float(values[known].max())) if known.any() else (0.0, 0.0)
    )
    step = (high - low) / 65_534 or 1.0
    steps = np.full(values.shape, UNKNOWN, np.int16)
    steps[known] = np.rint((values[known] - low) / step - 32_767).astype(np.int16)
    return encode(steps) | {"low": low, "step": step}


def _measure(measure: Measure) -> dict[str, Any]:
    return {"unit": measure.unit, "si": measure.si_in_one, "digits": measure.digits}


def moment_marks(moments: Sequence[Moment]) -> list[dict[str, Any]]:
    """Moments as a page steps through them."""
    return [{"t_s": m.t_s, "kind": m.kind} for m in moments]


def _encoded(pairs: Nanoseconds | Sequence[tuple[int, int]] | Spans) -> dict[str, str]:
    spans = np.asarray(list(pairs), np.int64).reshape(-1, 2)
    return encode((spans / 1e9).ravel())
