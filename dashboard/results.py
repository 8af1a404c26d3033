"""From a sealed run to its result: reads the channels, runs the detectors, asks capacity.

Two channels are in memory at a time, and the slew angle, in which the lifts are looked up.
The detectors are those that watch a running test.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.evidence import Evidence, SlewRecord, TapeReading
from dashboard.capacity.result import make_result
from logger.events.load_phase import LoadPhaseDetector, hanging_spans
from logger.events.radius_change import RadiusChange, RadiusChangeDetector
from logger.events.silence import reports_only_changes, stale_spans, usual_stale_after_ns
from logger.events.sweep import Excursion, SweepDetector
from logger.events.watch import to_ns
from logger.events.wheel_lift import WheelLift, WheelLiftDetector, wheel_lifts
from logger.readings.bins import SLICE_NS, BinMedian, Bins
from logger.readings.block import Nanoseconds, Values
from logger.readings.rig_file import WHEEL, Channel
from logger.readings.spans import Spans
from logger.recording.run import Run

CHANNELS_AT_A_TIME = 2
HELD_BACK_S = {"serial": 0.017, "mqtt": 0.1}
"""How late a reading may arrive that tells no uptime, s: a USB adapter's latency timer holds back
16 ms by default; for a broker on a wireless network a tenth of a second (from memory)."""

STEPS_SEEN_IN_NS = 120_000_000_000


def analyse(run: Run) -> dict[str, Any]:
    """Computes the result of a run.

    Args:
        run: a sealed run.

    Returns:
        The ``slewtrace.result/1`` document.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    header = run.header
    return make_result(gather_evidence(run), run_id=header.run_id, recording_sha256=header.sha256)


def gather_evidence(run: Run) -> Evidence:
    """What a run shows.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    rig, test = run.header.rig, run.header.test
    stale: dict[str, Spans] = {}
    # Reading and array work leave the interpreter free, so two channels go at a time.
    with ThreadPoolExecutor(max_workers=CHANNELS_AT_A_TIME) as pool:
        found_slew = pool.submit(_slew, run, stale)
        found_load = pool.submit(_load, run, stale)
        found_radius = pool.submit(_radius, run, stale)
        found_lifts = [
            pool.submit(_wheel, run, f"{WHEEL}{wheel}", stale) for wheel in test.truck.wheels
        ]
    slew, excursions = found_slew.result()
    load, hanging = found_load.result()
    radius, radius_changes = found_radius.result()
    lifts = [lift for found in found_lifts for lift in found.result()[0]]
    only_changes = tuple(found.result()[1] for found in found_lifts if found.result()[1])
    wired_load, wired_radius = rig.wired("load"), rig.wired("radius")
    return Evidence(
        test=test,
        run_ns=run.span_ns,
        slew=slew,
        excursions=excursions,
        load=load,
        u_load_kg=wired_load.u_si if wired_load else None,
        hanging=hanging,
        radius=radius,
        u_radius_m=wired_radius.u_si if wired_radius else None,
        radius_changes=radius_changes,
        tape=tuple(
            TapeReading(t_ns=n.t_ns, radius_m=n.value_m)
            for n in run.notes
            if n.kind == "radius" and n.value_m is not None
        ),
        lifts=tuple(sorted(lifts, key=lambda lift: lift.t_ns)),
        stale=dict(sorted(stale.items())),
        only_changes=only_changes,
        u_clock_s=_u_clock_s(run),
        u_time_s=_u_time_s(run),
        clock_rate=run.header.clock_rate,
    )


def _slew(run: Run, stale: dict[str, Spans]) -> tuple[SlewRecord | None, tuple[Excursion, ...]]:
    wired = run.header.rig.wired("slew")
    if wired is None or "slew" not in run.channels:
        return None, ()
    block = run.calibrated("slew")
    _note_silences(run, wired, block.t_ns, stale)
    bins = _binned(block.t_ns, block.value)
    detector = SweepDetector()
    excursions = [*detector.take(bins), *detector.finish()]
    record = SlewRecord(
        t_ns=block.t_ns,
        slew_deg=block.value,
        bins=bins,
        step_deg=_step_deg(run, wired),
        u_deg=wired.u_si or 0.0,
    )
    return record, tuple(excursions)


def _step_deg(run: Run, wired: Channel) -> float:
    """Resolution of the encoder, deg: the least difference between its readings."""
    start_ns = run.span_ns[0]
    raw = np.unique(run.raw("slew", start_ns, start_ns + STEPS_SEEN_IN_NS).value)
    steps = np.diff(raw[np.isfinite(raw)])
    counts = float(steps.min()) if steps.size else 1.0
    # A counter's step is one count, however far apart a short look finds them.
    return wired.calibration.step * min(counts, 1.0)


def _load(run: Run, stale: dict[str, Spans]) -> tuple[Bins | None, Spans]:
    wired = run.header.rig.wired("load")
    if wired is None or "load" not in run.channels:
        return None, Spans()
    block = run.calibrated("load")
    _note_silences(run, wired, block.t_ns, stale)
    load = run.header.test.load
    applied_kg = block.value + load.above_cell_kg
    detector = LoadPhaseDetector(load.mass_kg)
    bins = _binned(block.t_ns, applied_kg)
    phases = [*detector.take(bins), *detector.finish()]
    return bins, hanging_spans(phases)


def _radius(run: Run, stale: dict[str, Spans]) -> tuple[Bins | None, tuple[RadiusChange, ...]]:
    wired = run.header.rig.wired("radius")
    if wired is None or "radius" not in run.channels:
        return None, ()
    block = run.calibrated("radius")
    _note_silences(run, wired, block.t_ns, stale)
    detector = RadiusChangeDetector()
    bins = _binned(block.t_ns, block.value)
    changes = [*detector.take(bins), *detector.finish()]
    return bins, tuple(changes)


def _wheel(run: Run, channel_id: str, stale: dict[str, Spans]) -> tuple[list[WheelLift], str]:
    """Lifts of a wheel, and its position where its contact reports only changes."""
    wired = run.header.rig.wired(channel_id)
    if wired is None:
        return [], ""
    t_ns, closed = run.contact(channel_id)
    only_changes = wired.stale_after_s is None and _reports_only_changes(closed)
    if not only_changes:
        _note_silences(run, wired, t_ns, stale)
    detector = WheelLiftDetector(
        wired.wheel, on_delay_ns=to_ns(wired.on_delay_s), off_delay_ns=to_ns(wired.off_delay_s)
    )
    events = detector.feed(t_ns, closed)
    events += detector.advance(run.span_ns[1])
    lifts = wheel_lifts(events + detector.finish())
    if not only_changes:
        return lifts, ""
    # Such a contact is closed until it says that it opened.
    return [replace(lift, last_closed_ns=lift.t_ns) for lift in lifts], wired.wheel


def _reports_only_changes(closed: NDArray[np.bool_]) -> bool:
    changes = int(np.count_nonzero(closed[1:] != closed[:-1]))
    return reports_only_changes(changes, closed.size)


def _binned(t_ns: Nanoseconds, value: Values) -> Bins:
    binner = BinMedian(SLICE_NS)
    done, rest = binner.feed(t_ns, value), binner.finish()
    return Bins(
        first_ns=np.concatenate((done.first_ns, rest.first_ns)),
        last_ns=np.concatenate((done.last_ns, rest.last_ns)),
        median=np.concatenate((done.median, rest.median)),
    )


def _note_silences(run: Run, wired: Channel, t_ns: Nanoseconds, stale: dict[str, Spans]) -> None:
    declared_s = wired.stale_after_s
    limit_ns = usual_stale_after_ns(t_ns) if declared_s is None else to_ns(declared_s)
    spans = stale_spans(t_ns, stale_after_ns=limit_ns, run_ns=run.span_ns)
    if spans.pairs:
        stale[wired.id] = spans


def _u_clock_s(run: Run) -> float:
    """Standard uncertainty of a time between two sources: the two worst of them together, s."""
    return math.hypot(*sorted(_u_of_sources_s(run).values())[-2:])


def _u_time_s(run: Run) -> dict[str, float]:
    """By channel, how sure its times are; only channels of which something is known."""
    sources = _u_of_sources_s(run)
    return {c.id: sources[c.source] for c in run.header.rig.channel if c.source in sources}


def _u_of_sources_s(run: Run) -> dict[str, float]:
    """By source, how sure its times are: the worst fit of its clocks, one each boot.

    A recorded source that tells no uptime is dated by arrival: an adapter or a broker may have
    held its readings back. An imported table is taken at its word.
    """
    header = run.header
    worst: dict[str, float] = {}
    for clock, fit in header.clock_fits.items():
        source = clock.split("#")[0]
        worst[source] = max(worst.get(source, 0.0), fit.u_s)
    if header.monotonic_start_ns is not None:
        for table in header.rig.source:
            if table.id not in worst and not table.true_clock:
                worst[table.id] = HELD_BACK_S[table.kind] * header.clock_rate / math.sqrt(3)
    return worst
