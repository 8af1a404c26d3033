"""What a run still knows of one of its sources: names, device clocks, and packs that were missing.

A run keeps readings, not frames. What a frame carried besides is found again here: the names, and
how each value stood on the wire, by the rig file; the device's uptime, by the run's clock fits
turned round; a new start of the device, since nothing is read before its uptime is zero; and each
hole in the device's count, at the widest silence before the moment when it was noticed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, TypeAlias

import numpy as np

from logger.errors import BadInput
from logger.readings.block import Nanoseconds
from logger.readings.clock_alignment import ClockFit
from logger.readings.rig_file import Channel
from logger.readings.rig_file import Source as SourceTable
from logger.recording.header import Gap
from logger.recording.run import Run
from logger.sources.pack_writing import Form

Timing: TypeAlias = Literal["uptime", "absolute", "arrival"]
"""How a pack told the time of its readings."""

NOTICED_WITHIN_NS = 10_000_000_000
"""A hole ends at most so long before it is noticed, ns of wall time."""

MADE_UPTIME_NS = 3_600_000_000_000
"""Uptime at the run's start of a device that told none and shall tell one, ns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WireName:
    """One name that a source sent.

    Attributes:
        name: as it stood on the wire.
        channel: id of a channel that has its readings.
        form: how its values stood there.
        closed_word: the text that means a closed contact, with ``form`` "word".
    """

    name: str
    channel: str
    form: Form
    closed_word: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """One start of the device.

    Attributes:
        from_ns: readings from here on are this start's, ns on the run's clock.
        boot: its mark.
        clock: its clock's line; None where it told no uptime.
    """

    from_ns: int
    boot: str
    clock: ClockFit | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """Packs that were missing.

    Attributes:
        end_ns: time of the first reading after them, ns on the run's clock.
        packs: how many.
    """

    end_ns: int
    packs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedSource:
    """One source of a run.

    Attributes:
        table: its table in the run's rig file.
        names: what it sent, in the rig file's order.
        starts: at least one, by time.
        holes: by time.
        timing: how it told the time.
    """

    table: SourceTable
    names: tuple[WireName, ...]
    starts: tuple[Start, ...]
    holes: tuple[Hole, ...]
    timing: Timing

    def start_at(self, t_ns: int) -> Start:
        """The start of the device that a reading belongs to."""
        return next((s for s in reversed(self.starts) if s.from_ns <= t_ns), self.starts[0])

    def to_device(self, run_ns: Nanoseconds) -> Nanoseconds:
        """Times on the device's clock, or the run's where it told none.

        Args:
            run_ns: times on the run's clock, shape (n,), never falling, ns.
        """
        device_ns = run_ns.copy()
        places = [0, *np.searchsorted(run_ns, [s.from_ns for s in self.starts[1:]]), run_ns.size]
        for start, (first, last) in zip(self.starts, pairwise(places), strict=True):
            if start.clock is not None:
                device_ns[first:last] = start.clock.to_device(run_ns[first:last])
        return device_ns


def recorded_source(run: Run, source_id: str, *, with_uptime: bool = False) -> RecordedSource:
    """Finds out what a run knows of a source.

    Args:
        run: the run.
        source_id: the source.
        with_uptime: whether a device that told no uptime shall tell one, from the run's clock.

    Raises:
        BadInput: where the run has no such source, or no reading of it.
    """
    table = next((s for s in run.header.rig.source if s.id == source_id), None)
    if table is None:
        known = ", ".join(s.id for s in run.header.rig.source)
        raise BadInput(
            where=str(run.path), what=f"has no source {source_id!r}", would_do=f"it has {known}"
        )
    names = _names(run, source_id)
    if not names:
        raise BadInput(
            where=str(run.path),
            what=f"has no reading of source {source_id!r}",
            would_do=f"leave it out: --without {source_id}",
        )
    starts = _starts(run, source_id)
    timing: Timing = "uptime" if starts else "absolute" if table.true_clock else "arrival"
    if not starts:
        made = ClockFit(offset_ns=-MADE_UPTIME_NS, rate=1.0, u_s=0.0, residual_s=0.0, pairs=0)
        starts = (Start(from_ns=0, boot=source_id, clock=made if with_uptime else None),)
        timing = "uptime" if with_uptime else timing
    return RecordedSource(
        table=table, names=names, starts=starts, holes=_holes(run, source_id, names), timing=timing
    )


def _names(run: Run, source_id: str) -> tuple[WireName, ...]:
    samples = run.header.samples
    fullest: dict[str, Channel] = {}
    for channel in run.header.rig.channel:
        if channel.source == source_id and samples.get(channel.id, 0):
            held = fullest.get(channel.name)
            if held is None or samples[channel.id] > samples[held.id]:
                fullest[channel.name] = channel
    return tuple(_wire_name(name, channel) for name, channel in fullest.items())


def _wire_name(name: str, channel: Channel) -> WireName:
    closed = channel.closed_when
    if isinstance(closed, str):
        return WireName(name=name, channel=channel.id, form="word", closed_word=closed)
    form: Form = "truth" if isinstance(closed, bool) else "number"
    return WireName(name=name, channel=channel.id, form=form)


def _starts(run: Run, source_id: str) -> tuple[Start, ...]:
    """Each clock of the source begins where its device's uptime was zero."""
    found = [
        Start(from_ns=fit.offset_ns, boot=clock.split("#", 1)[1] or source_id, clock=fit)
        for clock, fit in run.header.clock_fits.items()
        if "#" in clock and clock.split("#", 1)[0] == source_id
    ]
    return tuple(sorted(found, key=lambda s: s.from_ns))


def _holes(run: Run, source_id: str, names: Sequence[WireName]) -> tuple[Hole, ...]:
    missing = _missing([g for g in run.gaps if g.source == source_id])
    if not missing:
        return ()
    reach_ns = round(NOTICED_WITHIN_NS * max(run.header.clock_rate, 1.0))
    began_ns = min(int(next(run.raw_pieces(n.channel)).t_ns[0]) for n in names)
    holes = []
    for noticed_ns, packs in missing:
        from_ns = max(noticed_ns - reach_ns, began_ns)
        held = [run.raw(n.channel, from_ns, noticed_ns + 1).t_ns for n in names]
        t_ns = np.unique(np.concatenate(held))
        silence_ns = np.diff(t_ns, prepend=from_ns)
        end_ns = int(t_ns[int(silence_ns.argmax())]) if t_ns.size else noticed_ns
        holes.append(Hole(end_ns=end_ns, packs=packs))
    return tuple(sorted(holes, key=lambda h: h.end_ns))


def _missing(gaps: Sequence[Gap]) -> list[tuple[int, int]]:
    """When how many packs were found missing that did not come later after all."""
    missing: list[list[int]] = []
    for gap in sorted(gaps, key=lambda g: g.t_ns):
        if gap.kind == "missing_packs" and gap.missing:
            missing.append([gap.t_ns, gap.missing])
        late = (gap.missing or 0) if gap.kind == "late_packs" else 0
        for earlier in reversed(missing):
            taken = min(late, earlier[1])
            earlier[1] -= taken
            late -= taken
    return [(t_ns, packs) for t_ns, packs in missing if packs > 0]
