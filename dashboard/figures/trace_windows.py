"""What is drawn of a run between two times: traces in few points, contacts as exact spans.

The same arrays, in the same order, make the figure of the whole run and are put into it after a
zoom. Contacts are bars from the first open reading to the first closed one, each with a tick of
fixed width, so that an opening of a single reading is seen at every zoom.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.envelope import POINTS, envelope, stretches
from dashboard.figures.overview import Overview
from dashboard.figures.readings import Name, Readings, Wheel
from dashboard.figures.units import Units
from logger.readings.block import Nanoseconds

Numbers = NDArray[np.float64] | NDArray[np.float32]
Drawn = tuple[Numbers, Numbers]
"""Times (s) and values, as they are drawn."""

COLUMNS_OF_CONTACTS = 1_000
NOTHING: Drawn = (np.empty(0), np.empty(0, np.float32))


def window_of(
    readings: Readings,
    start_s: float,
    end_s: float,
    units: Units,
    *,
    names: Sequence[Name] | None = None,
    shift_s: float = 0.0,
    points: int = POINTS,
) -> list[Drawn]:
    """Times (s) and values of each trace that depends on the zoom, in the figure's order.

    Args:
        readings: the run.
        start_s: left edge of what is seen, s.
        end_s: right edge, s.
        units: what values are drawn in.
        names: the figure's traces, where it is another run's; else the run's own.
        shift_s: added to the run's times, s: for a run that is laid over another.
        points: the most points of a trace.
    """
    start_ns, end_ns = round((start_s - shift_s) * 1e9), round((end_s - shift_s) * 1e9)
    traces = dict(readings.traces)
    lines = [
        _scaled(
            *envelope(traces[name], start_ns=start_ns, end_ns=end_ns, points=points), name, units
        )
        if name in traces
        else NOTHING
        for name in (traces if names is None else names)
    ]
    drawn = [*lines, *_contacts(readings.wheels, start_ns, end_ns)]
    return [(x + shift_s, y) for x, y in drawn] if shift_s else drawn


def whole_of(overview: Overview, units: Units) -> list[Drawn]:
    """The same for a whole run, from what is known at first sight."""
    lines = [_scaled(line.t_s, line.value, name, units) for name, line in overview.lines.items()]
    return [*lines, *_contacts(overview.wheels, *overview.span_ns)]


def in_unit(name: Name, units: Units) -> float:
    """SI units in one unit that a trace is drawn in."""
    measures = {"load": units.mass.si_in_one, "radius": units.length.si_in_one}
    return measures.get(name, 1.0)


def bars(spans: Iterable[tuple[int, Nanoseconds]]) -> Drawn:
    """Spans (lane, shape (n, 2) in ns) as lines with breaks between them: x in s, y."""
    held = [(lane, s) for lane, s in spans if s.size]
    if not held:
        return NOTHING
    x = [np.insert(s / 1e9, 2, np.nan, axis=1).ravel() for _, s in held]
    y = [np.full(3 * s.shape[0], lane, np.float32) for lane, s in held]
    return np.concatenate(x), np.concatenate(y)


def _scaled(
    t_s: NDArray[np.float64], value: NDArray[np.float32], name: Name, units: Units
) -> Drawn:
    factor = in_unit(name, units)
    return t_s, value if factor == 1.0 else (value / np.float32(factor))


def _contacts(wheels: Sequence[Wheel], start_ns: int, end_ns: int) -> list[Drawn]:
    """Bars where contacts are open, and a tick at the beginning of each."""
    spans = [
        (lane, stretches(w.open_ns, start_ns=start_ns, end_ns=end_ns, most=COLUMNS_OF_CONTACTS))
        for lane, w in enumerate(wheels)
    ]
    x, y = bars(spans)
    return [(x, y), (x[::3], y[::3])]
