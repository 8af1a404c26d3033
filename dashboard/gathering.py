"""From a sealed run to the evidence in it: reads the channels, runs the detectors.

Two channels are in memory at a time, and the slew angle, in which the lifts are looked up.
The detectors are those that watch a running test.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.proof.boom_radius import channels_needed, with_geometry_radius
from dashboard.capacity.proof.evidence import Evidence, LostReadings, SlewRecord, TapeReading
from dashboard.capacity.proof.quasi_static import QUICK_NS
from dashboard.capacity.proof.slew_turn import excursions_of, of_the_right_turn
from logger.events.load_phase import LoadPhaseDetector, hanging_spans
from logger.events.radius_change import RadiusChange, RadiusChangeDetector
from logger.events.silence import reports_only_changes, stale_spans, usual_stale_after_ns
from logger.events.touch import Touch, TouchDetector
from logger.events.watch import to_ns
from logger.events.wheel_lift import WheelLift, WheelLiftDetector, wheel_lifts
from logger.readings.bins import SLICE_NS, BinMedian, Bins
from logger.readings.block import Block, Nanoseconds, Values
from logger.readings.polled_clock import source_of_clock
from logger.readings.rig_file import WHEEL, Channel, RigFile
from logger.readings.source_keys import SOURCE_KINDS
from logger.readings.spans import Spans
from logger.recording.run import Run

CHANNELS_AT_A_TIME = 2
LOSSES = ("missing_packs", "late_packs", "lost", "overflow", "bad_frames", "suspended", "storage")
"""Kinds of gaps in which readings went missing."""

QUIET = ("pitch", "roll", "wind", "hook_height", "boom_angle", "boom_length")
"""Channels of which slices are all that anyone needs."""
_NAMED = ("slew", "load", "radius", *QUIET)
SAME_READING = 1e-9
"""Relative difference of readings that are one: rounding of numbers."""

STEPS_SEEN_IN_NS = 120_000_000_000


def gather_evidence(run: Run) -> Evidence:
    """What a run shows.

    Raises:
        RunUnreadable: where the samples are damaged.
    """
    rig, test = run.header.rig, run.header.test
    stale: dict[str, Spans] = {}
    step: dict[str, float] = {}
    needed = channels_needed(test, sensor="radius" in run.channels)
    # Reading and array work leave the interpreter free, so two channels go at a time.
    with ThreadPoolExecutor(max_workers=CHANNELS_AT_A_TIME) as pool:
        found_slew = pool.submit(_slew, run, stale)
        found_load = pool.submit(_load, run, stale, step)
        found_radius = pool.submit(_radius, run, stale, step)
        found_lifts = [
            pool.submit(_wheel, run, f"{WHEEL}{wheel}", stale) for wheel in test.truck.wheels
        ]
        found_contacts = {
            wired.wheel: pool.submit(_open_spans, run, wired)
            for wired in rig.wheels
            if wired.wheel not in test.truck.wheels
        }
        found_quiet = {
            c: pool.submit(_quiet, run, c, stale if c in needed else {}, step)
            for c in (*QUIET, *_others(rig))
        }
    load, load_quick, hanging, touches = found_load.result()
    slew = of_the_right_turn(found_slew.result(), hanging)
    radius, radius_changes = found_radius.result()
    lifts = [lift for found in found_lifts for lift in found.result()[0]]
    only_changes = tuple(found.result()[1] for found in found_lifts if found.result()[1])
    wired_load, wired_radius = rig.wired("load"), rig.wired("radius")
    quiet = {channel: found.result() for channel, found in found_quiet.items()}
    evidence = Evidence(
        test=test,
        run_ns=run.span_ns,
        slew=slew,
        excursions=excursions_of(slew),
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
        touches=touches,
        u_declared={c.id: c.u_si for c in rig.channel if c.u_si is not None},
        step=dict(sorted(step.items())),
        load_quick=load_quick,
        pitch=quiet["pitch"],
        roll=quiet["roll"],
        wind=quiet["wind"],
        hook_height=quiet["hook_height"],
        boom_angle=quiet["boom_angle"],
        boom_length=quiet["boom_length"],
        others={c: bins for c in _others(rig) if (bins := quiet[c]) is not None},
        contacts={name: found.result() for name, found in found_contacts.items()},
        lost=_lost(run),
        travel_m={c.wheel: c.travel_m for c in rig.wheels if c.travel_m > 0},
        calibrated=_calibrated(rig),
    )
    return with_geometry_radius(evidence)


def _others(rig: RigFile) -> tuple[str, ...]:
    """Channels that the evidence has no name for: kinds of sensors that a rule may ask about."""
    return tuple(c.id for c in rig.channel if not c.is_wheel and c.id not in _NAMED)


def _calibrated(rig: RigFile) -> dict[str, tuple[float, float]]:
    ranges = {c.id: c.calibrated.range_si(c.kind) for c in rig.channel if c.calibrated}
    return {channel: span for channel, span in ranges.items() if span is not None}


def _slew(run: Run, stale: dict[str, Spans]) -> SlewRecord | None:
    wired = run.header.rig.wired("slew")
    if wired is None or "slew" not in run.channels:
        return None
    block = run.calibrated("slew")
    # A reading that is no number is none: the channel was silent then.
    known = np.isfinite(block.value)
    t_ns, slew_deg = block.t_ns, block.value
    if not known.all():
        t_ns, slew_deg = t_ns[known], slew_deg[known]
    _note_silences(run, wired, t_ns, stale)
    return SlewRecord(
        t_ns=t_ns,
        slew_deg=slew_deg,
        bins=_binned(t_ns, slew_deg),
        step_deg=_step_deg(run, wired),
        u_deg=wired.u_si or 0.0,
        falls_with_counts=wired.calibration.falling,
        turn_deg=wired.calibration.turn_deg,
    )


def _step_deg(run: Run, wired: Channel) -> float:
    """Resolution of the encoder, deg: the least difference between its readings."""
    start_ns = run.span_ns[0]
    raw = np.unique(run.raw("slew", start_ns, start_ns + STEPS_SEEN_IN_NS).value)
    steps = np.diff(raw[np.isfinite(raw)])
    counts = float(steps.min()) if steps.size else 1.0
    # A counter's step is one count, however far apart a short look finds them.
    return wired.calibration.step * min(counts, 1.0)


def _load(
    run: Run, stale: dict[str, Spans], step: dict[str, float]
) -> tuple[Bins | None, Bins | None, Spans, tuple[Touch, ...]]:
    wired = run.header.rig.wired("load")
    if wired is None or "load" not in run.channels:
        return None, None, Spans(), ()
    block = run.calibrated("load")
    _note_silences(run, wired, block.t_ns, stale)
    step["load"] = _resolution(block)
    load = run.header.test.load
    applied_kg = block.value + load.above_cell_kg
    detector = LoadPhaseDetector(load.mass_kg)
    bins = _binned(block.t_ns, applied_kg)
    phases = [*detector.take(bins), *detector.finish()]
    touching = TouchDetector(load.mass_kg)
    touches = [*touching.feed(block.t_ns, applied_kg), *touching.finish()]
    quick = _binned(block.t_ns, applied_kg, QUICK_NS)
    return bins, quick, hanging_spans(phases), tuple(touches)


def _radius(
    run: Run, stale: dict[str, Spans], step: dict[str, float]
) -> tuple[Bins | None, tuple[RadiusChange, ...]]:
    wired = run.header.rig.wired("radius")
    if wired is None or "radius" not in run.channels:
        return None, ()
    block = run.calibrated("radius")
    _note_silences(run, wired, block.t_ns, stale)
    step["radius"] = _resolution(block)
    detector = RadiusChangeDetector()
    bins = _binned(block.t_ns, block.value)
    changes = [*detector.take(bins), *detector.finish()]
    return bins, tuple(changes)


def _quiet(
    run: Run, channel_id: str, stale: dict[str, Spans], step: dict[str, float]
) -> Bins | None:
    """Medians over slices; None where the channel is not wired or never spoke."""
    wired = run.header.rig.wired(channel_id)
    if wired is None or channel_id not in run.channels:
        return None
    block = run.calibrated(channel_id)
    _note_silences(run, wired, block.t_ns, stale)
    step[channel_id] = _resolution(block)
    return _binned(block.t_ns, block.value)


def _open_spans(run: Run, wired: Channel) -> Spans:
    """When a contact was open, as its lifts tell."""
    lifts = _lifts(run, wired, *run.contact(wired.id))
    last_ns = run.span_ns[1] + 1
    return Spans.of((x.t_ns, last_ns if x.end_ns is None else x.end_ns) for x in lifts)


def _lost(run: Run) -> tuple[LostReadings, ...]:
    """What the recorder noted as missing; silences are found again from the readings."""
    return tuple(
        LostReadings(
            t_ns=g.t_ns,
            source=g.source,
            kind=g.kind,
            missing=g.missing,
            duration_ns=g.duration_ns,
        )
        for g in sorted(run.gaps, key=lambda g: g.t_ns)
        if g.kind in LOSSES
    )


def _wheel(run: Run, channel_id: str, stale: dict[str, Spans]) -> tuple[list[WheelLift], str]:
    """Lifts of a wheel, and its position where its contact reports only changes."""
    wired = run.header.rig.wired(channel_id)
    if wired is None:
        return [], ""
    t_ns, closed = run.contact(channel_id)
    only_changes = wired.stale_after_s is None and _reports_only_changes(closed)
    if not only_changes:
        _note_silences(run, wired, t_ns, stale)
    lifts = _lifts(run, wired, t_ns, closed)
    if not only_changes:
        return lifts, ""
    # Such a contact is closed until it says that it opened.
    return [replace(lift, last_closed_ns=lift.t_ns) for lift in lifts], wired.wheel


def _lifts(
    run: Run, wired: Channel, t_ns: Nanoseconds, closed: NDArray[np.bool_]
) -> list[WheelLift]:
    detector = WheelLiftDetector(
        wired.wheel, on_delay_ns=to_ns(wired.on_delay_s), off_delay_ns=to_ns(wired.off_delay_s)
    )
    events = detector.feed(t_ns, closed)
    events += detector.advance(run.span_ns[1])
    return wheel_lifts(events + detector.finish())


def _reports_only_changes(closed: NDArray[np.bool_]) -> bool:
    changes = int(np.count_nonzero(closed[1:] != closed[:-1]))
    return reports_only_changes(changes, closed.size)


def _resolution(block: Block) -> float:
    """Least difference between readings, SI; 0 where they never differ."""
    until = int(np.searchsorted(block.t_ns, block.t_ns[0] + STEPS_SEEN_IN_NS))
    values = np.unique(block.value[:until])
    steps = np.diff(values[np.isfinite(values)])
    # Two sums of the same numbers may differ in their last digits.
    steps = steps[steps > SAME_READING * float(np.abs(values).max(initial=0.0))]
    return float(steps.min()) if steps.size else 0.0


def _binned(t_ns: Nanoseconds, value: Values, width_ns: int = SLICE_NS) -> Bins:
    binner = BinMedian(width_ns)
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
        source = source_of_clock(clock)
        worst[source] = max(worst.get(source, 0.0), fit.u_s)
    if header.monotonic_start_ns is not None:
        for table in header.rig.source:
            if table.id not in worst and not table.true_clock:
                worst[table.id] = (
                    SOURCE_KINDS[table.kind].held_back_s * header.clock_rate / math.sqrt(3)
                )
    return worst
