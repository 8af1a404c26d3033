"""What the recorder sees becomes events for the listeners and rows of the recording.

Alarms are decided here, in the recorder's own thread, from what the detectors saw and what the
keeper noticed; a page or a lamp only shows them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable

from logger.events.alarm import AlarmBook, AlarmChange
from logger.events.limit import LimitEvent
from logger.events.load_phase import LoadState
from logger.events.radius_change import RadiusChange
from logger.events.watch import LoadOnHook, Observation, RunWatch, Stale
from logger.events.wheel_lift import ContactEvent, ContactState
from logger.live.announcing import Event, OnEvent
from logger.live.keeper import ROOM_ENOUGH_S, ROOM_WARNING_S, Batch, DiskFault, DiskRoom, Notice
from logger.recording.header import Gap, Note
from logger.sources.arrival import SourceNote

_ANSWERS_WITHIN_S = 1.0
"""A commit that takes longer is told: the disk hangs."""


class Reporter:
    """Turns observations into events, alarms and rows.

    Args:
        watch: the watch that the observations come from.
        book: the alarms that stand.
        tell: told each event as it happens.
        u_of: standard uncertainty of a channel's times now, s; None where nobody knows.
    """

    def __init__(
        self,
        *,
        watch: RunWatch,
        book: AlarmBook,
        tell: OnEvent,
        u_of: Callable[[str], float | None],
    ) -> None:
        self._watch = watch
        self.book = book
        self._tell = tell
        self._u_of = u_of
        self._stale_since_ns: dict[str, int] = {}
        self._gaps: list[Gap] = []
        self._notes: list[Note] = []
        self._alarms: list[Event] = []
        self._fault = ""
        self.missing_packs: Counter[str] = Counter()
        """By source, packs that are missing so far."""
        self.other_gaps = 0
        """How many gaps of other kinds there were."""

    def move_rows_to(self, batch: Batch) -> None:
        """Moves the rows that wait into a batch."""
        batch.gaps += self._gaps
        batch.notes += self._notes
        batch.alarms += self._alarms
        self._gaps, self._notes, self._alarms = [], [], []

    def report(self, seen: Iterable[Observation]) -> None:
        """Reports what the watch saw, in its order."""
        for observation in seen:
            match observation:
                case ContactEvent():
                    self._report_contact(observation)
                case Stale():
                    self._report_stale(observation)
                case LimitEvent():
                    self._report_alarms(self.book.limit(observation))
                case LoadOnHook(hanging=hanging, t_ns=t_ns):
                    self._report_alarms(self.book.load(hanging=hanging, t_ns=t_ns))
                case RadiusChange():
                    self._report_radius(observation)
                case _:
                    pass

    def gap(self, gap: Gap) -> None:
        """Reports a gap."""
        if gap.kind == "missing_packs":
            self.missing_packs[gap.source] += gap.missing or 0
        elif gap.kind != "late_packs":
            self.other_gaps += 1
        self._gaps.append(gap)
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

    def late_packs(self, source: str, count: int, *, now_ns: int) -> None:
        """Reports packs that were counted as missing and have come after all."""
        self.missing_packs[source] -= count
        text = "counted as missing before, and came after all"
        self.gap(Gap(t_ns=now_ns, source=source, missing=count, kind="late_packs", text=text))

    def source_note(self, note: SourceNote) -> None:
        """Reports what a source said of itself."""
        if note.kind == "back":
            self._tell({"event": "back", "source": note.source, "t_s": note.arrival_ns * 1e-9})
            return
        self.gap(
            Gap(
                t_ns=note.arrival_ns,
                source=note.source,
                missing=None if note.kind == "lost" else note.count,
                kind="bad_frames" if note.kind == "bad_frame" else note.kind,
                text=note.text,
            )
        )

    def note(self, note: Note, *, kept_already: bool = False) -> None:
        """Reports what a person noted, and acknowledges where that was the note.

        Args:
            note: the note.
            kept_already: whether another process has written it to the journal.
        """
        if not kept_already:
            self._notes.append(note)
        event: Event = {
            "event": "note",
            "kind": note.kind,
            "t_s": note.t_ns * 1e-9,
            "text": note.text,
        }
        if note.value_m is not None:
            event["value_m"] = note.value_m
        self._tell(event)
        if note.kind == "acknowledge":
            self._report_alarms(self.book.acknowledge(note.t_ns))

    def notices(self, notices: Iterable[Notice], *, now_ns: int) -> None:
        """Reports what the keeper noticed."""
        for notice in notices:
            match notice:
                case DiskFault():
                    self._report_fault(notice, now_ns=now_ns)
                case DiskRoom():
                    self._report_room(notice.left_s, now_ns=now_ns)
                case Note():
                    self.note(notice, kept_already=True)

    def disk_waits(self, waiting_s: float, *, now_ns: int) -> None:
        """Reports a disk that does not answer, and one that answers again."""
        if self._fault:
            return
        hangs = waiting_s > _ANSWERS_WITHIN_S
        text = "the disk does not answer; what comes waits in memory" if hangs else "it answers"
        self._condition("storage", active=hangs, now_ns=now_ns, text=text)

    def output(self, event: Event, *, now_ns: int) -> None:
        """Reports an alarm's output that is lost or back: an alarm nobody hears is one itself."""
        self._tell(event)
        name = f"output/{event['output']}"
        text = f"alarm output {event['output']}: {event['text']}"
        self._condition(name, active=event["state"] == "lost", now_ns=now_ns, text=text)

    def _report_fault(self, fault: DiskFault, *, now_ns: int) -> None:
        if fault.over:
            self._fault = ""
            self.gap(Gap(t_ns=now_ns, source="storage", missing=0, kind="storage", text=fault.text))
        elif not self._fault:
            self._fault = fault.text
        self._condition("storage", active=not fault.over, now_ns=now_ns, text=fault.text)

    def _report_room(self, left_s: float | None, *, now_ns: int) -> None:
        if left_s is None or ROOM_WARNING_S <= left_s < ROOM_ENOUGH_S:
            return
        text = f"room on the disk for {left_s / 60:.0f} min at this rate"
        self._condition("disk_room", active=left_s < ROOM_WARNING_S, now_ns=now_ns, text=text)

    def _condition(self, name: str, *, active: bool, now_ns: int, text: str) -> None:
        self._report_alarms(self.book.condition(name, active=active, t_ns=now_ns, text=text))

    def _report_alarms(self, changes: Iterable[AlarmChange]) -> None:
        for change in changes:
            event = change.as_event()
            self._alarms.append(event)
            self._tell(event)

    def _report_contact(self, contact: ContactEvent) -> None:
        slew_deg = self._watch.latest.get("slew")
        event: Event = {
            "event": "wheel_lift",
            "state": str(contact.state),
            "wheel": contact.wheel,
            "t_s": contact.t_ns * 1e-9,
            "u_t_s": self._u_of(f"wheel/{contact.wheel}"),
            "slew_deg": None if slew_deg is None else round(slew_deg, 3),
            "load": self._load_word(),
        }
        if contact.state is not ContactState.SUSPECT:
            event["opened_s"] = contact.opened_ns * 1e-9
        self._alarms.append(event)
        self._tell(event)
        self._report_alarms(self.book.contact(contact, load_hanging=self._watch.load_hangs))

    def _load_word(self) -> str:
        state = self._watch.load_state
        partly = state is LoadState.GROUNDED and self._watch.load_hangs
        return "partly hanging" if partly else str(state)

    def _report_stale(self, stale: Stale) -> None:
        if stale.stale:
            self._stale_since_ns[stale.channel] = stale.t_ns
            self._tell({"event": "stale", "channel": stale.channel, "t_s": stale.t_ns * 1e-9})
        else:
            since_ns = self._stale_since_ns.pop(stale.channel, stale.t_ns)
            duration_ns = max(0, stale.t_ns - since_ns)
            self._gaps.append(
                Gap(t_ns=since_ns, source=stale.channel, kind="stale", duration_ns=duration_ns)
            )
            self._tell({"event": "fresh", "channel": stale.channel, "t_s": stale.t_ns * 1e-9})
        self._report_alarms(self.book.stale(stale.channel, stale=stale.stale, t_ns=stale.t_ns))

    def _report_radius(self, change: RadiusChange) -> None:
        self._tell(
            {
                "event": "radius_change",
                "t_s": change.start_ns * 1e-9,
                "from_m": round(change.from_m, 4),
                "to_m": round(change.to_m, 4),
            }
        )
