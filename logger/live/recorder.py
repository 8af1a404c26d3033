"""The recorder: what arrives is named, dated, watched, and handed to the keeper.

One thread does it, and it never waits for the disk or for a listener. An open contact is shown
to the detectors at once, with all that came before it. While every contact is closed, what has
arrived is shown to them some tens of times a second, in larger blocks: that costs far less, and
nothing urgent can be in it. Fourteen times a second all that was taken goes to the keeper,
who makes it durable and then tells its senders.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection

import numpy as np

from logger.events.alarm import AlarmBook
from logger.events.watch import RunWatch
from logger.live.announcing import OnEvent
from logger.live.keeper import Batch, Keeper
from logger.live.naming import PackClock, PackNaming
from logger.live.rates import Rates
from logger.live.reporting import Reporter
from logger.live.snapshot import Snapshot
from logger.readings.block import Block, Nanoseconds, Values
from logger.readings.continuity import ContinuityTracker
from logger.readings.pack import Pack
from logger.readings.polled_clock import LiveAlignment, alignment_of
from logger.readings.rig_file import WHEEL, Channel, RigFile
from logger.readings.test_file import TestFile
from logger.recording.header import Gap, Note
from logger.recording.journal import RUN_CLOCK, ClockedBlock
from logger.sources.arrival import Arrival, SourceNote

READING_ON_ITS_WAY_NS = 50_000_000
"""How old a contact's silence must be, beyond its own limit, before it is believed, ns of wall."""

LOOK_AT_REST_NS = 40_000_000
"""While no contact is open the detectors look this often, ns of wall."""

GATHERED_NAMES = 256
"""Larger packs are sorted one by one."""

_RATE_OVER_NS = 1_000_000_000


class Recorder:
    """Takes what the sources hand over.

    Args:
        rig: what is wired to what.
        test: what is tested.
        keeper: who makes it durable.
        tell: told each event as it happens.
        utc_start_ns: UTC at the run's start, ns since 1970.
        clock_rate: run seconds in a second of wall time.
    """

    def __init__(
        self,
        *,
        rig: RigFile,
        test: TestFile,
        keeper: Keeper,
        tell: OnEvent,
        utc_start_ns: int,
        clock_rate: float,
    ) -> None:
        self.watch = RunWatch(rig, test)
        self._keeper = keeper
        self.reporter = Reporter(
            watch=self.watch,
            book=AlarmBook.of(rig, test),
            tell=tell,
            u_of=self._u_of,
        )
        self._clock_rate = clock_rate
        self._delay_ns = round(READING_ON_ITS_WAY_NS * clock_rate)
        self._naming = {s.id: PackNaming(rig, s.id, utc_start_ns=utc_start_ns) for s in rig.source}
        self._continuity = {s.id: ContinuityTracker() for s in rig.source}
        self._alignments: dict[str, LiveAlignment] = {}
        self._source_of = {c.id: c.source for c in rig.channel}
        self._aligned_by: dict[str, LiveAlignment] = {}
        self._held_up_ns: dict[str, int] = {}
        self._waiting: dict[tuple[str, str], list[tuple[Nanoseconds, Values]]] = defaultdict(list)
        self._unjudged: dict[str, list[tuple[Nanoseconds, Values]]] = defaultdict(list)
        self._gathered: dict[tuple[str, str, bool, tuple[str, ...]], tuple[list[Pack], list[int]]]
        self._gathered = defaultdict(lambda: ([], []))
        self._watched = frozenset(c.source for c in rig.wheels)
        self._at_rest_ns = round(LOOK_AT_REST_NS * clock_rate)
        self._judged_ns = 0
        self._urgent = False
        self._late: Counter[str] = Counter()
        self._batch = Batch()
        self._rates = Rates(round(_RATE_OVER_NS * clock_rate))
        self.latest_arrival_ns = 0
        """When the item taken last arrived, ns on the run's clock."""

    def take(self, item: Arrival | SourceNote) -> None:
        """Takes one pack, or one note of a source."""
        self.latest_arrival_ns = max(self.latest_arrival_ns, item.arrival_ns)
        if isinstance(item, SourceNote):
            self.reporter.source_note(item)
            return
        if item.acknowledge is not None:
            self._batch.acknowledgements.append(item.acknowledge)
        if item.retained:
            return
        continuity = self._continuity[item.source].check(item.pack.boot, item.pack.seq)
        if continuity.missing:
            self.reporter.gap(
                Gap(
                    t_ns=item.arrival_ns,
                    source=item.source,
                    missing=continuity.missing,
                    kind="missing_packs",
                )
            )
        if continuity.restarted:
            self._tell_restart(item, "it counts anew")
        if continuity.late:
            self._late[item.source] += 1
        if continuity.verdict == "new":
            self._take_readings(item)

    def judge(self, now_ns: int) -> None:
        """Shows the detectors what was taken since, and lets time pass: silence is news too.

        Args:
            now_ns: up to when everything that arrived was taken, ns on the run's clock.
        """
        self._sort_gathered(of=self._watched)
        at_rest = not (self._urgent or self.watch.an_opening_lasts)
        if at_rest and now_ns - self._judged_ns < self._at_rest_ns:
            return
        self._judged_ns, self._urgent = now_ns, False
        self._sort_gathered(of=self._naming.keys())
        # Contacts last, so that an opening finds the slew angle and the load of its moment.
        for channel in sorted(self._unjudged, key=lambda c: c.startswith(WHEEL)):
            t_ns, value = _joined(self._unjudged[channel])
            # A clock that is ahead must not hide a silence: nothing is later than its arrival.
            t_ns = np.minimum(t_ns, max(now_ns, self.latest_arrival_ns))
            if t_ns.size > 1 and bool((t_ns[1:] < t_ns[:-1]).any()):
                order = np.argsort(t_ns, kind="stable")
                t_ns, value = t_ns[order], value[order]
            self._rates.count(channel, t_ns.size)
            block = self._never_falling(channel, t_ns, value)
            self.reporter.report(self.watch.feed(block))
        self._unjudged.clear()
        self.reporter.report(self.watch.advance(now_ns, delay_ns=self._delay_ns))

    def hand_over(self, now_ns: int) -> None:
        """Hands all that was taken to the keeper, and picks up what the keeper noticed.

        Raises:
            StorageFailed: where the keeper has ended before its time.
        """
        for source, count in self._late.items():
            self.reporter.late_packs(source, count, now_ns=now_ns)
        self._late.clear()
        self.reporter.notices(self._keeper.notices(), now_ns=now_ns)
        self.reporter.disk_waits(self._keeper.waiting_s, now_ns=now_ns)
        self._sort_gathered(of=self._naming.keys())
        self._tell_what_is_no_number(now_ns)
        batch = self._batch
        self.reporter.move_rows_to(batch)
        batch.blocks = [
            ClockedBlock(channel=channel, clock=clock, t_ns=t_ns, value=value)
            for (channel, clock), parts in self._waiting.items()
            for t_ns, value in (_joined(parts),)
        ]
        self._waiting.clear()
        if not self._keeper.offer(batch):
            self._drop_readings(batch, now_ns=now_ns)
            self._keeper.offer(batch)
        self._batch = Batch()

    def add_wall_pair(self, t_ns: int, utc_ns: int) -> None:
        """Takes a moment on the run's clock and in UTC."""
        self._batch.wall_pairs.append((t_ns, utc_ns))

    def take_note(self, note: Note) -> None:
        """Takes what a person noted at this recorder."""
        self.reporter.note(note)

    def finish(self, now_ns: int) -> None:
        """Ends the watch and hands the last readings over.

        Raises:
            StorageFailed: where the keeper has ended before its time.
        """
        self._urgent = True
        self.judge(now_ns)
        self.reporter.report(self.watch.finish())
        self.hand_over(now_ns)

    def snapshot(self, now_ns: int) -> Snapshot:
        """The state now, for a panel."""
        return Snapshot(
            t_ns=now_ns,
            latest=dict(self.watch.latest),
            stale=self.watch.stale_channels,
            load_state=self.watch.load_state,
            alarms=self.reporter.book.standing(),
            rates_hz=self._rates.of(now_ns, clock_rate=self._clock_rate),
            missing_packs=dict(self.reporter.missing_packs),
            other_gaps=self.reporter.other_gaps,
            clock_u_s={source: self._clock_u_s(source) for source in self._naming},
            kept_samples=self._keeper.kept_samples,
            waiting_s=self._keeper.waiting_s,
            room_left_s=self._keeper.room_left_s,
            latest_ns=dict(self.watch.latest_ns),
            load_hangs=self.watch.load_hangs,
        )

    @property
    def unknown_names(self) -> dict[str, set[str]]:
        """By source, names that came and that the rig file does not mention."""
        return {source: naming.unknown for source, naming in self._naming.items() if naming.unknown}

    def _take_readings(self, item: Arrival) -> None:
        naming, pack = self._naming[item.source], item.pack
        clock = naming.clock_of(
            pack, arrival_ns=item.arrival_ns, wire_ns=item.wire_ns, asked_ns=item.asked_ns
        )
        if clock.set_back:
            self._tell_restart(item, "its uptime was set back, its boot is the same")
        self._align(clock, item)
        if not pack.names:
            return
        if pack.texts or len(pack.names) > GATHERED_NAMES:
            t_ns = naming.times_ns(pack, arrival_ns=item.arrival_ns, wire_ns=item.wire_ns)
            self._sort(clock.id, naming.by_channel(pack, t_ns))
            return
        base_ns, anchored = naming.base_of(pack, arrival_ns=item.arrival_ns, wire_ns=item.wire_ns)
        packs, bases_ns = self._gathered[item.source, clock.id, anchored, pack.names]
        packs.append(pack)
        bases_ns.append(base_ns)

    def _tell_restart(self, item: Arrival, text: str) -> None:
        gap = Gap(t_ns=item.arrival_ns, source=item.source, kind="restarted", text=text)
        self.reporter.gap(gap)

    def _tell_what_is_no_number(self, now_ns: int) -> None:
        for source, naming in self._naming.items():
            for channel, count in naming.not_numbers.items():
                text = (
                    f"{channel}: {naming.latest_text!r} is no number; write decimals with a point"
                )
                self.reporter.gap(
                    Gap(t_ns=now_ns, source=source, missing=count, kind="bad_frames", text=text)
                )
            naming.not_numbers.clear()

    def _sort_gathered(self, *, of: Collection[str]) -> None:
        """Sorts by channel what came in small packs of sources, many at a time."""
        for key in [k for k in self._gathered if k[0] in of]:
            source, clock, anchored, _ = key
            packs, bases_ns = self._gathered.pop(key)
            naming = self._naming[source]
            self._sort(clock, naming.by_channel_of_all(packs, bases_ns, anchored=anchored))

    def _sort(self, clock: str, by_channel: list[tuple[Channel, Nanoseconds, Values]]) -> None:
        alignment = self._alignments.get(clock)
        for channel, times, value in by_channel:
            self._waiting[channel.id, clock].append((times, value))
            live_ns = times if alignment is None else alignment.to_run(times)
            self._unjudged[channel.id].append((live_ns, value))
            if channel.is_wheel and not self._urgent:
                self._urgent = bool((value != channel.closed_value).any())

    def _align(self, clock: PackClock, item: Arrival) -> None:
        if clock.pair is None or clock.id == RUN_CLOCK:
            return
        pairs = self._batch.pairs.get(clock.id)
        if pairs is None:
            pairs = self._batch.pairs[clock.id] = []
        pairs.append(clock.pair)
        alignment = self._alignments.get(clock.id)
        if alignment is None:
            alignment = alignment_of(clock.id, clock_rate=self._clock_rate)
            self._alignments[clock.id] = alignment
        self._aligned_by[item.source] = alignment
        alignment.add(clock.pair)

    def _never_falling(self, channel: str, t_ns: Nanoseconds, value: Values) -> Block:
        """Readings for the watch: what comes late, or steps back, is held up to the latest."""
        floor_ns = self._held_up_ns.get(channel, int(t_ns[0]))
        held = np.maximum.accumulate(np.maximum(t_ns, floor_ns))
        self._held_up_ns[channel] = int(held[-1])
        return Block(channel=channel, t_ns=held, value=value)

    def _drop_readings(self, batch: Batch, *, now_ns: int) -> None:
        """Owns up to readings for which the keeper had no room."""
        dropped: Counter[str] = Counter()
        for block in batch.blocks:
            dropped[self._source_of[block.channel]] += len(block)
        batch.blocks = []
        for source, count in dropped.items():
            text = "the disk was behind and the memory for what waits full"
            self.reporter.gap(
                Gap(t_ns=now_ns, source=source, missing=count, kind="overflow", text=text)
            )
        self.reporter.move_rows_to(batch)

    def _u_of(self, channel: str) -> float | None:
        return self._clock_u_s(self._source_of.get(channel, ""))

    def _clock_u_s(self, source: str) -> float | None:
        alignment = self._aligned_by.get(source)
        return None if alignment is None else alignment.u_ns * 1e-9


def _joined(parts: list[tuple[Nanoseconds, Values]]) -> tuple[Nanoseconds, Values]:
    """Parts in their order as one: times and values, shape (n,) each."""
    if len(parts) == 1:
        return parts[0]
    return np.concatenate([t for t, _ in parts]), np.concatenate([v for _, v in parts])
