"""From a recorded run to the readings that figures are drawn from."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
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
CHANNELS_AT_A_TIME = 2
LEAST_REACH_NS = 50_000_000
"""Readings next to a time are looked for this far at first, ns."""


def read_readings(run: Run) -> Readings:
    """Reads every channel that the figures show.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    test = run.header.test
    # Reading and array work leave the interpreter free, so channels go side by side.
    with ThreadPoolExecutor(max_workers=CHANNELS_AT_A_TIME, thread_name_prefix="channel") as pool:
        found_slew = pool.submit(_trace, run, "slew")
        found_load = pool.submit(_load, run)
        found_radius = pool.submit(_trace, run, "radius")
        found_wheels = [pool.submit(_wheel, run, name) for name in test.truck.wheels]
    load, phases = found_load.result()
    return Readings(
        span_ns=run.span_ns,
        slew=found_slew.result(),
        load=load,
        radius=found_radius.result() or _tape(run),
        wheels=tuple(found.result() for found in found_wheels),
        hanging=_spans_in(phases, LoadState.HANGING),
        grounded=_spans_in(phases, LoadState.GROUNDED),
        test_load_kg=test.load.mass_kg,
    )


def times_around(run: Run, readings: Readings, t_ns: int, *, most: int = 200) -> Nanoseconds:
    """Times of the readings next to a time, of all channels, none left out in between.

    Contacts are read from the file, since only their changes are kept in memory.

    Args:
        run: the run.
        readings: its readings.
        t_ns: the time, ns.
        most: how many on either side.

    Returns:
        Shape (k,), ns, rising; at least one on either side unless the run ends there.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    first_ns, last_ns = run.span_ns
    reach_ns = LEAST_REACH_NS
    while True:
        low_ns, high_ns = max(t_ns - reach_ns, first_ns), min(t_ns + reach_ns, last_ns)
        found = np.unique(np.concatenate([*_times_between(run, readings, low_ns, high_ns + 1)]))
        before, after = found[found < t_ns], found[found > t_ns]
        enough = (before.size or low_ns == first_ns) and (after.size or high_ns == last_ns)
        if enough:
            here = found[found == t_ns]
            return np.concatenate((before[-most:], here, after[:most]))
        reach_ns *= 8


def _times_between(
    run: Run, readings: Readings, low_ns: int, high_ns: int
) -> Iterator[Nanoseconds]:
    yield np.empty(0, np.int64)
    for _, trace in readings.traces:
        if trace.sensed:
            yield trace.t_ns[slice(*np.searchsorted(trace.t_ns, (low_ns, high_ns)))]
    for wheel in readings.wheels:
        yield run.raw(WHEEL + wheel.name, low_ns, high_ns).t_ns


def _load(run: Run) -> tuple[Trace | None, list[LoadPhase]]:
    test = run.header.test
    load = _trace(run, "load", plus=test.load.above_cell_kg)
    return load, _phases(load, test.load.mass_kg)


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


def _wheel(run: Run, name: str) -> Wheel:
    channel = WHEEL + name
    t_ns, closed = run.contact(channel)
    found = openings(t_ns, closed)
    silent = reports_only_changes(2 * found.shape[0], t_ns.size)
    # A contact that speaks only when it changes is not stale for being silent.
    limit = _FOR_EVER_NS if silent else _stale_after_ns(run, channel, t_ns)
    unknown = stale_spans(t_ns, stale_after_ns=limit, run_ns=run.span_ns)
    if t_ns.size:
        unknown |= Spans.of([(run.span_ns[0], int(t_ns[0]))])
    return Wheel(name=name, open_ns=found, unknown=unknown)


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
