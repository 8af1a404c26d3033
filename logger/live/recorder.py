"""The recorder: what arrives is kept, watched, and acknowledged once it is safe.

One thread does all of it, in this order: readings are judged by the detectors as soon as the
queue is empty, so an alarm never waits for the disk, and a flood is judged in larger blocks
rather than later; they are written with the next commit, at most a tenth of a second on; only
then is the sender told that it may forget them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from typing import Any, TypeAlias

import numpy as np

from logger.events.radius_change import RadiusChange
from logger.events.watch import Observation, RunWatch, Stale
from logger.events.wheel_lift import ContactEvent, ContactState
from logger.live.naming import PackClock, PackNaming
from logger.readings.block import Block, Nanoseconds, Values
from logger.readings.clock_alignment import CausalAlignment
from logger.readings.continuity import ContinuityTracker
from logger.readings.rig_file import WHEEL, RigFile
from logger.readings.test_file import TestFile
from logger.recording.header import Gap
from logger.recording.journal import RUN_CLOCK, ClockedBlock, Journal
from logger.sources.arrival import Acknowledge, Arrival, SourceNote

Event: TypeAlias = dict[str, Any]
OnEvent: TypeAlias = Callable[[Event], None]

READING_ON_ITS_WAY_NS = 50_000_000
"""How old a contact's silence must be, beyond its own limit, before it is believed, ns of wall."""


class Recorder:
    """Takes what the sources hand over into a journal.

    Args:
        rig: what is wired to what.
        test: what is tested.
        journal: where it is kept.
        on_event: told each event as it happens.
        utc_start_ns: UTC at the run's start, ns since 1970.
        clock_rate: run seconds in a second of wall time.
    """

    def __init__(
        self,
        *,
        rig: RigFile,
        test: TestFile,
        journal: Journal,
        on_event: OnEvent,
        utc_start_ns: int,
        clock_rate: float,
    ) -> None:
        self.watch = RunWatch(rig, test)
        self._journal = journal
        self._tell = on_event
        self._delay_ns = round(READING_ON_ITS_WAY_NS * clock_rate)
        self._naming = {s.id: PackNaming(rig, s.id, utc_start_ns=utc_start_ns) for s in rig.source}
        self._continuity = {s.id: ContinuityTracker() for s in rig.source}
        self._alignments: dict[str, CausalAlignment] = {}
        self._held_up_ns: dict[str, int] = {}
        self._waiting: dict[tuple[str, str], list[tuple[Nanoseconds, Values]]] = defaultdict(list)
        self._unjudged: dict[str, list[tuple[Nanoseconds, Values]]] = defaultdict(list)
        self._to_acknowledge: list[Acknowledge] = []
        self._stale_since_ns: dict[str, int] = {}
        self.latest_arrival_ns = 0
        """When the item taken last arrived, ns on the run's clock."""

    def take(self, item: Arrival | SourceNote) -> None:
        """Takes one pack, or one note of a source."""
        self.latest_arrival_ns = max(self.latest_arrival_ns, item.arrival_ns)
        if isinstance(item, SourceNote):
            self._take_note(item)
            return
        if item.acknowledge is not None:
            self._to_acknowledge.append(item.acknowledge)
        if item.retained:
            return
        continuity = self._continuity[item.source].check(item.pack.boot, item.pack.seq)
        if continuity.missing:
            self._gap(
                Gap(
                    t_ns=item.arrival_ns,
                    source=item.source,
                    missing=continuity.missing,
                    kind="missing_packs",
                )
            )
        if continuity.verdict == "new":
            self._take_readings(item)

    def judge(self, now_ns: int) -> None:
        """Shows the detectors what was taken since, and lets time pass: silence is news too.

        Args:
            now_ns: up to when everything that arrived was taken, ns on the run's clock.
        """
        # Contacts last, so that an opening finds the slew angle and the load of its moment.
        for channel in sorted(self._unjudged, key=lambda c: c.startswith(WHEEL)):
            parts = self._unjudged[channel]
            t_ns = np.concatenate([t for t, _ in parts])
            value = np.concatenate([v for _, v in parts])
            self._report(self.watch.feed(self._never_falling(channel, t_ns, value)))
        self._unjudged.clear()
        self._report(self.watch.advance(now_ns, delay_ns=self._delay_ns))

    def commit(self) -> None:
        """Makes everything taken so far durable, then acknowledges it.

        Raises:
            StorageFailed: where the disk refuses; nothing since the last commit is claimed.
        """
        for (channel, clock), parts in self._waiting.items():
            block = ClockedBlock(
                channel=channel,
                clock=clock,
                t_ns=np.concatenate([t for t, _ in parts]),
                value=np.concatenate([v for _, v in parts]),
            )
            self._journal.append([block])
        self._waiting.clear()
        self._journal.commit()
        acknowledgements, self._to_acknowledge = self._to_acknowledge, []
        for acknowledge in acknowledgements:
            acknowledge()

    def finish(self, now_ns: int) -> None:
        """Ends the watch and makes the last readings durable.

        Raises:
            StorageFailed: where the disk refuses.
        """
        self.judge(now_ns)
        self._report(self.watch.finish())
        self.commit()

    @property
    def unknown_names(self) -> dict[str, set[str]]:
        """By source, names that came and that the rig file does not mention."""
        return {source: naming.unknown for source, naming in self._naming.items() if naming.unknown}

    def _take_readings(self, item: Arrival) -> None:
        naming = self._naming[item.source]
        clock = naming.clock_of(item.pack, arrival_ns=item.arrival_ns, wire_ns=item.wire_ns)
        if clock.pair is not None:
            self._journal.add_pairs(clock.id, [clock.pair])
        alignment = self._alignment(clock)
        t_ns = naming.times_ns(item.pack, arrival_ns=item.arrival_ns, wire_ns=item.wire_ns)
        for channel, times, value in naming.by_channel(item.pack, t_ns):
            self._waiting[channel.id, clock.id].append((times, value))
            live_ns = times if alignment is None else alignment.to_run(times)
            self._unjudged[channel.id].append((live_ns, value))

    def _alignment(self, clock: PackClock) -> CausalAlignment | None:
        if clock.pair is None or clock.id == RUN_CLOCK:
            return None
        alignment = self._alignments.setdefault(clock.id, CausalAlignment())
        alignment.add(clock.pair)
        return alignment

    def _never_falling(self, channel: str, t_ns: Nanoseconds, value: Values) -> Block:
        """Readings for the watch: what comes late, or steps back, is held up to the latest."""
        floor_ns = self._held_up_ns.get(channel, int(t_ns[0]))
        held = np.maximum.accumulate(np.maximum(t_ns, floor_ns))
        self._held_up_ns[channel] = int(held[-1])
        return Block(channel=channel, t_ns=held, value=value)

    def _take_note(self, note: SourceNote) -> None:
        if note.kind == "back":
            self._tell({"event": "back", "source": note.source, "t_s": note.arrival_ns * 1e-9})
            return
        kind = "bad_frames" if note.kind == "bad_frame" else note.kind
        missing = None if note.kind == "lost" else note.count
        self._gap(
            Gap(
                t_ns=note.arrival_ns,
                source=note.source,
                missing=missing,
                kind=kind,
                text=note.text,
            )
        )

    def _gap(self, gap: Gap) -> None:
        self._journal.add_gap(gap)
        self._tell(
            {
                "event": "gap",
                "source": gap.source,
                "missing": gap.missing,
                "kind": gap.kind,
                "t_s": gap.t_ns * 1e-9,
                "text": gap.text,
            }
        )

    def _report(self, seen: list[Observation]) -> None:
        for observation in seen:
            match observation:
                case ContactEvent():
                    self._report_contact(observation)
                case Stale():
                    self._report_stale(observation)
                case RadiusChange():
                    self._tell(
                        {
                            "event": "radius_change",
                            "t_s": observation.start_ns * 1e-9,
                            "from_m": round(observation.from_m, 4),
                            "to_m": round(observation.to_m, 4),
                        }
                    )
                case _:
                    pass

    def _report_contact(self, contact: ContactEvent) -> None:
        slew_deg = self.watch.latest.get("slew")
        event: Event = {
            "event": "wheel_lift",
            "state": str(contact.state),
            "wheel": contact.wheel,
            "t_s": contact.t_ns * 1e-9,
            "slew_deg": None if slew_deg is None else round(slew_deg, 3),
            "load": str(self.watch.load_state),
        }
        if contact.state is not ContactState.SUSPECT:
            event["opened_s"] = contact.opened_ns * 1e-9
        self._journal.add_alarm(event)
        self._tell(event)

    def _report_stale(self, stale: Stale) -> None:
        if stale.stale:
            self._stale_since_ns[stale.channel] = stale.t_ns
            self._tell({"event": "stale", "channel": stale.channel, "t_s": stale.t_ns * 1e-9})
            return
        since_ns = self._stale_since_ns.pop(stale.channel, stale.t_ns)
        self._journal.add_gap(
            Gap(
                t_ns=since_ns,
                source=stale.channel,
                kind="stale",
                duration_ns=max(0, stale.t_ns - since_ns),
            )
        )
        self._tell({"event": "fresh", "channel": stale.channel, "t_s": stale.t_ns * 1e-9})
