"""What someone who begins to watch in the middle of a test must be told at once.

Kept from the recorder's events and snapshots by the thread that serves viewers.
"""

from __future__ import annotations

from collections import deque

from logger.events.load_phase import LoadState
from logger.events.standing_alarms import AlarmChange, StandingAlarms
from logger.events.sweep import Side
from logger.events.sweep_progress import SweepProgress
from logger.live.announcing import Event
from logger.live.snapshot import Snapshot
from logger.live.viewer_lines import LastLift, LiveView, Tape, view_of

LATEST_EVENTS = 30


class ViewerState:
    """Keeps it."""

    def __init__(self) -> None:
        self._openings: dict[str, str] = {}
        self._progress = SweepProgress()
        self._alarms = StandingAlarms()
        self._tape: Tape | None = None
        self._lift: LastLift | None = None
        self._radius_m: float | None = None
        self.latest_events: deque[Event] = deque(maxlen=LATEST_EVENTS)
        """The latest, the newest last."""

    @property
    def alarms(self) -> tuple[AlarmChange, ...]:
        """What stands, the gravest first."""
        return self._alarms.gravest_first()

    def take(self, event: Event) -> None:
        """Takes the recorder's next event."""
        self.latest_events.append(event)
        match event["event"]:
            case "wheel_lift":
                self._openings[event["wheel"]] = event["state"]
                if event["state"] == "confirmed" and event["load"] != LoadState.GROUNDED:
                    self._take_lift(event)
            case "alarm":
                self._alarms.take(AlarmChange.of_event(event))
            case "note" if event["kind"] == "radius":
                self._tape = Tape(t_ns=round(event["t_s"] * 1e9), value_m=event["value_m"])

    def _take_lift(self, event: Event) -> None:
        self._progress.take_lift(event["wheel"], event["slew_deg"])
        self._lift = LastLift(
            t_ns=round(event["t_s"] * 1e9),
            wheel=event["wheel"],
            slew_deg=event["slew_deg"],
            radius_m=self._radius_m,
        )

    def see(self, snapshot: Snapshot) -> LiveView:
        """Takes the recorder's next snapshot; the state to tell."""
        slew_deg = None if "slew" in snapshot.stale else snapshot.latest.get("slew")
        self._radius_m = None if "radius" in snapshot.stale else snapshot.latest.get("radius")
        hanging = snapshot.load_state is LoadState.HANGING and "load" not in snapshot.stale
        self._progress.take(snapshot.t_ns, slew_deg, hanging=hanging)
        return view_of(
            snapshot,
            openings=dict(self._openings),
            progress={side: self._progress.of(side) for side in Side},
            tape=self._tape,
            lift=self._lift,
        )
