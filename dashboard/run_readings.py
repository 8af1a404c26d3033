"""From a recorded run to the readings that figures are drawn from."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from dashboard.figures.readings import Readings, Trace, Wheel, openings
from logger.events.load_phase import LoadPhase, LoadPhaseDetector, LoadState
from logger.events.silence import reports_only_changes, stale_spans, usual_stale_after_ns
from logger.readings.block import Nanoseconds
from logger.readings.rig_file import WHEEL
from logger.readings.spans import Spans
from logger.recording.run import Run

_FOR_EVER_NS = 1 << 62


def read_readings(run: Run) -> Readings:
    """Reads every channel that the figures show.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    test = run.header.test
    load = _trace(run, "load", plus=test.load.above_cell_kg)
    phases = _phases(load, test.load.mass_kg)
    return Readings(
        span_ns=run.span_ns,
        slew=_trace(run, "slew"),
        load=load,
        radius=_trace(run, "radius") or _tape(run),
        wheels=tuple(_wheels(run)),
        hanging=_spans_in(phases, LoadState.HANGING),
        grounded=_spans_in(phases, LoadState.GROUNDED),
        test_load_kg=test.load.mass_kg,
    )


def _trace(run: Run, channel: str, *, plus: float = 0.0) -> Trace | None:
    if channel not in run.channels:
        return None
    block = run.calibrated(channel)
    return Trace(
        t_ns=block.t_ns,
        value=block.value + plus if plus else block.value,
        stale_after_ns=_stale_after_ns(run, channel, block.t_ns),
    )


def _tape(run: Run) -> Trace | None:
    """Radii that people read from a tape: each holds until the next."""
    noted = [(n.t_ns, n.value_m) for n in run.notes if n.value_m is not None]
    if not noted:
        return None
    steps = [(t, m) for (t0, m), (t1, _) in pairwise(noted) for t in (t0, t1 - 1)]
    steps += [(noted[-1][0], noted[-1][1]), (run.span_ns[1], noted[-1][1])]
    steps.sort(key=lambda s: s[0])
    return Trace(
        t_ns=np.array([t for t, _ in steps], np.int64),
        value=np.array([m for _, m in steps], np.float64),
        stale_after_ns=_FOR_EVER_NS,
        sensed=False,
    )


def _wheels(run: Run) -> Iterator[Wheel]:
    for name in run.header.test.truck.wheels:
        channel = WHEEL + name
        t_ns, closed = run.contact(channel)
        found = openings(t_ns, closed)
        silent = reports_only_changes(2 * found.shape[0], t_ns.size)
        # A contact that speaks only when it changes is not stale for being silent.
        limit = _FOR_EVER_NS if silent else _stale_after_ns(run, channel, t_ns)
        unknown = stale_spans(t_ns, stale_after_ns=limit, run_ns=run.span_ns)
        if t_ns.size:
            unknown |= Spans.of([(run.span_ns[0], int(t_ns[0]))])
        yield Wheel(name=name, open_ns=found, unknown=unknown)


def _stale_after_ns(run: Run, channel: str, t_ns: Nanoseconds) -> int:
    wired = run.header.rig.wired(channel)
    if wired is not None and wired.stale_after_s is not None:
        return round(wired.stale_after_s * 1e9)
    return usual_stale_after_ns(t_ns)


def _phases(load: Trace | None, test_load_kg: float) -> list[LoadPhase]:
    if load is None:
        return []
    detector = LoadPhaseDetector(test_load_kg)
    return [*detector.feed(load.t_ns, load.value), *detector.finish()]


def _spans_in(phases: list[LoadPhase], state: LoadState) -> Spans:
    return Spans.of((a.t_ns, b.t_ns) for a, b in pairwise(phases) if a.state is state)
