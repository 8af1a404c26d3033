"""Listening: all sources of the rig opened as for a recording, and what comes is tallied.

A source that can't be opened does not keep the others shut: its reason is kept beside them. A
thread of its own takes what arrives, so that a person may think as long as they like over an
answer and nothing overflows; what it keeps is bounded.

Readings keep the clock they came on and are mapped to the run's only when asked for, with the
fit over all that is known by then, as a sealed run does it.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import takewhile
from typing import Self

import numpy as np

from logger.errors import SourceUnavailable
from logger.live.naming import PackNaming
from logger.readings.block import Nanoseconds, Values
from logger.readings.continuity import ContinuityTracker
from logger.readings.pack import ClockPair
from logger.readings.polled_clock import fit_of_clock
from logger.readings.rig_file import RigFile
from logger.recording.journal import RUN_CLOCK
from logger.sources.arrival import Arrival, Clock, Source, SourceNote
from logger.sources.opening import stop_sources

QUEUE_ITEMS = 100_000
KEPT_READINGS = 200_000
"""Readings kept of each channel; the oldest go first."""
KEPT_PAIRS = 4_000
"""Clock pairs kept of each device; the oldest go first."""
_NAMES_KEPT = 1_000
_TURN_S = 0.1
_STOP_WITHIN_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """Readings of one channel.

    Attributes:
        t_ns: shape (n,), ns on the check's clock, never falling.
        raw: shape (n,), as the sensor sent them.
    """

    t_ns: Nanoseconds
    raw: Values

    def __len__(self) -> int:
        return int(self.t_ns.size)

    @classmethod
    def nothing(cls) -> Heard:
        """No readings."""
        return cls(t_ns=np.empty(0, dtype=np.int64), raw=np.empty(0))


@dataclass(slots=True, kw_only=True)
class SourceTally:
    """What came from one source so far; counts unless said otherwise.

    Attributes:
        id: the source's.
        failure: why it could not be opened, or None.
        packs: frames decoded, repeated and retained ones left out.
        readings: in them.
        first_ns: arrival of the first of them, ns, or None.
        last_ns: arrival of the latest.
        bad_frames: frames that could not be decoded.
        bad_text: the cause of the latest of these.
        missing: packs missing by the device's own count.
        repeated: packs that came twice.
        restarts: new starts of the device.
        retained: messages that the broker kept from earlier.
        lost: times the port or broker went away.
        lost_text: the cause of the latest.
        is_away: whether it has not come back.
        overflow: readings dropped for want of room.
        missed_polls: questions that were not asked, since the one before took too long.
        missed_text: why, of the latest of these.
        tells_up: packs that tell the device's uptime.
        answers: of these, the ones that answer our question for it.
        utc_off_s: by how much a device whose absolute times are believed is behind this
            computer's clock, s: the least seen; None where none is believed.
        names: the names that came.
        unknown: of these, the ones that the rig file leaves out.
        pairs: uptime against arrival, by clock.
    """

    id: str
    failure: SourceUnavailable | None = None
    packs: int = 0
    readings: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    bad_frames: int = 0
    bad_text: str = ""
    missing: int = 0
    repeated: int = 0
    restarts: int = 0
    retained: int = 0
    lost: int = 0
    lost_text: str = ""
    is_away: bool = False
    overflow: int = 0
    missed_polls: int = 0
    missed_text: str = ""
    tells_up: int = 0
    answers: int = 0
    utc_off_s: float | None = None
    names: set[str] = field(default_factory=set)
    unknown: set[str] = field(default_factory=set)
    pairs: dict[str, deque[ClockPair]] = field(default_factory=dict)

    @property
    def is_open(self) -> bool:
        """Whether it could be opened."""
        return self.failure is None

    def copy(self) -> SourceTally:
        """As it stands now; later counts don't change it."""
        return replace(
            self,
            names=set(self.names),
            unknown=set(self.unknown),
            pairs={clock: deque(pairs) for clock, pairs in self.pairs.items()},
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Chunk:
    """Readings of one pack, on the clock they came on."""

    clock: str
    arrival_ns: int
    t_ns: Nanoseconds
    raw: Values


class Listener:
    """Opens the sources, takes what comes, and gives it out by channel.

    Used as a context manager: whatever happens, every source is stopped at its end.

    Args:
        rig: what is wired to what.
        sources: its sources, none of them started.
        clock: the check's clock, near 0 now.
        utc_start_ns: UTC at that clock's 0, ns since 1970.
    """

    def __init__(
        self, rig: RigFile, sources: tuple[Source, ...], *, clock: Clock, utc_start_ns: int
    ) -> None:
        self.clock = clock
        self._sources = sources
        self._items: queue.Queue[Arrival | SourceNote] = queue.Queue(maxsize=QUEUE_ITEMS)
        self._naming = {s.id: PackNaming(rig, s.id, utc_start_ns=utc_start_ns) for s in rig.source}
        self._continuity = {s.id: ContinuityTracker() for s in rig.source}
        self._tallies = {s.id: SourceTally(id=s.id) for s in rig.source}
        self._source_of = {c.id: c.source for c in rig.channel}
        self._tapes: dict[str, deque[_Chunk]] = {c.id: deque() for c in rig.channel}
        self._kept = dict.fromkeys(self._tapes, 0)
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="check", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        stop_sources(self._sources)
        self._closing.set()
        self._thread.join(_STOP_WITHIN_S)

    def open(self) -> None:
        """Starts every source that can be started; keeps the reason of the others."""
        for source in self._sources:
            try:
                source.start(self._items.put_nowait, self.clock)
            except SourceUnavailable as exc:
                self._tallies[source.id].failure = exc

    def tallies(self) -> dict[str, SourceTally]:
        """What came from each source so far."""
        with self._lock:
            return {source: tally.copy() for source, tally in self._tallies.items()}

    def heard(self, channel_id: str, *, since_ns: int = 0) -> Heard:
        """What came of a channel, on the check's clock.

        Args:
            channel_id: the channel's id in the rig file.
            since_ns: what arrived before this is left out, ns on the check's clock.
        """
        with self._lock:
            newest_first = takewhile(
                lambda c: c.arrival_ns >= since_ns, reversed(self._tapes[channel_id])
            )
            chunks = list(newest_first)[::-1]
            known = self._tallies[self._source_of[channel_id]].pairs
            pairs = {clock: list(known.get(clock, ())) for clock in {c.clock for c in chunks}}
        if not chunks:
            return Heard.nothing()
        t_ns = np.concatenate([c.t_ns for c in chunks])
        sizes = [c.t_ns.size for c in chunks]
        for clock in filter(pairs.get, pairs):
            on_it = np.repeat([c.clock == clock for c in chunks], sizes)
            t_ns[on_it] = fit_of_clock(clock, pairs[clock]).to_run(t_ns[on_it])
        raw = np.concatenate([c.raw for c in chunks])
        order = np.argsort(t_ns, kind="stable")
        return Heard(t_ns=t_ns[order], raw=raw[order])

    def _run(self) -> None:
        while not self._closing.is_set():
            with suppress(queue.Empty):
                item = self._items.get(timeout=_TURN_S)
                with self._lock:
                    self._take(item)

    def _take(self, item: Arrival | SourceNote) -> None:
        tally = self._tallies[item.source]
        if isinstance(item, SourceNote):
            _count_note(tally, item)
            return
        if item.acknowledge is not None:
            item.acknowledge()
        if item.retained:
            tally.retained += 1
            return
        continuity = self._continuity[item.source].check(item.pack.boot, item.pack.seq)
        tally.missing += continuity.missing - continuity.late
        tally.restarts += continuity.restarted
        if continuity.verdict == "duplicate":
            tally.repeated += 1
            return
        tally.packs += 1
        tally.readings += len(item.pack.names)
        tally.first_ns = item.arrival_ns if tally.first_ns is None else tally.first_ns
        tally.last_ns = item.arrival_ns
        if len(tally.names) < _NAMES_KEPT:
            tally.names.update(item.pack.names)
        self._take_readings(item, tally)

    def _take_readings(self, item: Arrival, tally: SourceTally) -> None:
        naming = self._naming[item.source]
        clock = naming.clock_of(
            item.pack,
            arrival_ns=item.arrival_ns,
            wire_ns=item.wire_ns,
            asked_ns=item.asked_ns,
        )
        if clock.pair is not None and clock.id != RUN_CLOCK:
            tally.tells_up += item.pack.up_ns is not None
            tally.answers += item.pack.up_ns is not None and item.asked_ns is not None
            tally.pairs.setdefault(clock.id, deque(maxlen=KEPT_PAIRS)).append(clock.pair)
        t_ns = naming.times_ns(item.pack, arrival_ns=item.arrival_ns, wire_ns=item.wire_ns)
        if item.pack.absolute and clock.id == RUN_CLOCK and t_ns.size:
            off_s = (item.arrival_ns - item.wire_ns - int(t_ns.max())) * 1e-9
            tally.utc_off_s = off_s if tally.utc_off_s is None else min(off_s, tally.utc_off_s)
        for channel, times_ns, raw in naming.by_channel(item.pack, t_ns):
            chunk = _Chunk(clock=clock.id, arrival_ns=item.arrival_ns, t_ns=times_ns, raw=raw)
            self._keep(channel.id, chunk)
        if len(tally.unknown) < _NAMES_KEPT:
            tally.unknown = set(naming.unknown)

    def _keep(self, channel_id: str, chunk: _Chunk) -> None:
        tape = self._tapes[channel_id]
        tape.append(chunk)
        self._kept[channel_id] += chunk.raw.size
        while self._kept[channel_id] > KEPT_READINGS and len(tape) > 1:
            self._kept[channel_id] -= tape.popleft().raw.size


def _count_note(tally: SourceTally, note: SourceNote) -> None:
    match note.kind:
        case "bad_frame":
            tally.bad_frames += note.count
            tally.bad_text = note.text
        case "lost":
            tally.lost += 1
            tally.lost_text = note.text
            tally.is_away = True
        case "back":
            tally.is_away = False
        case "overflow":
            tally.overflow += note.count
        case "missed_polls":
            tally.missed_polls += note.count
            tally.missed_text = note.text
        case _:
            pass
