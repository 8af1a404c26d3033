"""A compact copy of a run that a browser replays by itself.

Slew, load and radius on one even grid (the last reading at each point, NaN where it is stale),
and the wheels' openings as they were, to the nanosecond. At 20,000 points a run of 15 min has a
point each 45 ms, about a frame of a film, in a quarter of a megabyte.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from dashboard.figures.envelope import encode, stretches
from dashboard.figures.moments import Moment, Result
from dashboard.figures.plan_view import LoadPlace, PlanState, WheelState
from dashboard.figures.readings import Readings, Trace
from logger.readings.block import Nanoseconds
from logger.readings.spans import Spans

POINTS_OF_GRID = 20_000
FINEST_STEP_NS = 10_000_000
MOST_OPENINGS = 20_000
_MARGIN_OF_RING = 1.05
_USUAL_RING_M = 4.0


def replay_copy(
    readings: Readings, moments: Sequence[Moment], result: Result | None
) -> dict[str, Any]:
    """The copy, as JSON.

    Args:
        readings: the run.
        moments: what was found, by time.
        result: the run's result, for the required moment; None where there is none.
    """
    start_ns, end_ns = readings.span_ns
    step_ns = max(FINEST_STEP_NS, -(-(end_ns - start_ns) // POINTS_OF_GRID))
    grid_ns = np.arange(start_ns, end_ns + step_ns, step_ns, dtype=np.int64)
    return {
        "start_s": start_ns / 1e9,
        "end_s": end_ns / 1e9,
        "step_s": step_ns / 1e9,
        "slew_deg": _on(grid_ns, readings.slew),
        "load_kg": _on(grid_ns, readings.load),
        "radius_m": _on(grid_ns, readings.radius),
        "hanging": _encoded(readings.hanging.pairs),
        "grounded": _encoded(readings.grounded.pairs),
        "wheels": [
            {
                "open": _encoded(
                    stretches(w.open_ns, start_ns=start_ns, end_ns=end_ns + 2, most=MOST_OPENINGS)
                ),
                "unknown": _encoded(w.unknown.pairs),
            }
            for w in readings.wheels
        ],
        "moments": [{"t_s": m.t_s, "kind": m.kind} for m in moments],
        "required_moment_nm": ((result or {}).get("plan") or {}).get("required_moment_nm"),
    }


def plan_state_at(readings: Readings, t_ns: int) -> PlanState:
    """What the plan shows at a time, ns."""
    wheels: list[WheelState] = [w.state_at(t_ns) for w in readings.wheels]
    return PlanState(
        slew_deg=readings.slew_at(t_ns),
        radius_m=readings.radius_at(t_ns),
        load=load_place(readings, t_ns),
        wheels=tuple(wheels),
    )


def reading_at(readings: Readings, t_ns: int) -> dict[str, Any]:
    """The last readings at a time (ns), from the recording itself and not from the grid."""
    return {
        "slew_deg": readings.slew_at(t_ns),
        "load_kg": readings.load_at(t_ns),
        "radius_m": readings.radius_at(t_ns),
    }


def load_place(readings: Readings, t_ns: int) -> LoadPlace:
    """Where the load is at a time, ns."""
    if t_ns in readings.hanging:
        return "hanging"
    return "ground" if t_ns in readings.grounded else "unknown"


def ring_of(readings: Readings, result: Result | None) -> float:
    """Radius of the plan's ring, m: a little beyond the farthest that the load went."""
    farthest = 0.0
    if readings.radius is not None and np.isfinite(readings.radius.value).any():
        farthest = float(np.nanmax(readings.radius.value))
    planned = ((result or {}).get("plan") or {}).get("test_radius_m") or 0.0
    return _MARGIN_OF_RING * (max(farthest, planned) or _USUAL_RING_M)


def _on(grid_ns: Nanoseconds, trace: Trace | None) -> dict[str, str] | None:
    return None if trace is None else encode(trace.at(grid_ns).astype(np.float32))


def _encoded(pairs: Nanoseconds | Sequence[tuple[int, int]] | Spans) -> dict[str, str]:
    spans = np.asarray(list(pairs), np.int64).reshape(-1, 2)
    return encode((spans / 1e9).ravel())
