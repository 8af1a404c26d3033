"""The recorder's panel in the terminal: what must be acted on first, then large numerals.

Every state is told by a sign and a word, so the panel reads the same without colour (IEC 60073:
never colour alone). Red is to act now, yellow is abnormal, green is as it should be.
"""

from __future__ import annotations

import io
from collections import deque

from rich.console import Console, Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from logger.events.alarm import AlarmChange, AlarmState
from logger.events.load_phase import LoadState
from logger.live.announcing import Event
from logger.live.big_digits import big
from logger.live.event_lines import describe
from logger.live.snapshot import Snapshot
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.rig_file import WHEEL, RigFile
from logger.readings.test_file import TestFile
from logger.safety_words import SAFETY_WORDS

EVENTS_SHOWN = 6
ALARMS_SHOWN = 4
LOW_ALARMS = 2
LOW_LINES = 32
"""A terminal lower than this has small numerals; the common 24 lines must do."""

WIDE_COLUMNS = 96
"""From this width on the numerals are three lines high."""

KEYS = "a acknowledge   r tape radius   t note   m mark   Ctrl-C end and seal"

_LOUD = {
    AlarmState.CONFIRMED: ("▲", "bold white on red"),
    AlarmState.UNKNOWN: ("?", "bold black on yellow"),
    AlarmState.SUSPECT: ("△", "yellow"),
}
_OPEN = {
    "suspect": ("△", "open?", "yellow"),
    "confirmed": ("▲", "LIFTED", "bold white on red"),
}


class RecordPanel:
    """Draws the state of a running recording.

    Args:
        rig: what is wired to what.
        test: what is tested.
    """

    def __init__(self, rig: RigFile, test: TestFile) -> None:
        self._rig = rig
        self._test = test
        self._run_id = ""
        self._openings: dict[str, str] = {}
        self._latest: deque[Text] = deque(maxlen=EVENTS_SHOWN)
        self.entry: str | None = None
        """What is being typed at the recorder, or None."""

    def take(self, event: Event) -> None:
        """Takes an event of the recorder."""
        if event["event"] == "recording":
            self._run_id = event["run_id"]
        elif event["event"] == "wheel_lift":
            self._openings[event["wheel"]] = event["state"]
        if event["event"] != "alarm":  # alarms stand above, in words of their own
            self._latest.append(describe(event))

    def draw(self, now: Snapshot, *, columns: int = 80, lines: int = 50) -> RenderableType:
        """The panel at a moment, as large as the terminal allows.

        Args:
            now: the state.
            columns: width of the terminal, characters.
            lines: its height; on a low one the numerals are small and few events are shown.
        """
        seconds = now.t_ns // 1_000_000_000
        clock = f"{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"
        low = lines < LOW_LINES
        gap = [] if low else [Text()]
        above: list[RenderableType] = [
            *self._alarms(now, shown=LOW_ALARMS if low else ALARMS_SHOWN),
            *gap,
            self._numerals(now, wide=columns >= WIDE_COLUMNS and not low),
            *gap,
            self._wheels(now, abreast=2 if low else 1),
            *gap,
        ]
        safety = [] if low else [Text(SAFETY_WORDS, style="dim")]
        below: list[RenderableType] = [
            *gap,
            self._health(now),
            *safety,
            Text(KEYS if self.entry is None else self.entry, style="reverse"),
        ]
        room = lines - 3 - _height(above, columns) - _height(below, columns)
        return Panel(
            Group(*above, *self._events(room), *below),
            title=f"Recording {self._run_id} · {clock}",
            title_align="left",
            subtitle="advisory: no safety function" if low else None,
        )

    def _events(self, room: int) -> list[Text]:
        latest = list(self._latest)[-max(1, min(room, EVENTS_SHOWN)) :]
        return latest or [Text("No events yet", style="dim")]

    def _alarms(self, now: Snapshot, *, shown: int) -> list[RenderableType]:
        if not now.alarms:
            return [Text("● no alarm stands", style="green")]
        lines: list[RenderableType] = [_alarm_line(alarm) for alarm in now.alarms[:shown]]
        waiting = any(a.state.is_loud and not a.acknowledged for a in now.alarms)
        more = f"and {len(now.alarms) - shown} more" if len(now.alarms) > shown else ""
        call = "NOT ACKNOWLEDGED: key a" if waiting else ""
        if more or call:
            lines.append(Text("   ".join(word for word in (call, more) if word), style="bold"))
        return lines

    def _numerals(self, now: Snapshot, *, wide: bool) -> Table:
        table = Table.grid(padding=(0, 5))
        cells = [self._slew(now), self._load(now), self._radius(now), self._moment(now)]
        words = ("Slew, deg", "Load, kg", "Radius, m", "Moment, % of required")
        table.add_row(*(Text(word, style="dim") for word in words))
        shown = [big(number) if wide else number for number, _ in cells]
        table.add_row(*(Text(number, style="bold") for number in shown))
        table.add_row(*(Text(word) for _, word in cells))
        return table

    def _fresh(self, now: Snapshot, channel: str) -> float | None:
        return None if channel in now.stale else now.latest.get(channel)

    def _slew(self, now: Snapshot) -> tuple[str, str]:
        slew_deg = self._fresh(now, "slew")
        if slew_deg is None:
            return "?", "no data"
        side = "right" if slew_deg > 0 else "left"
        return f"{abs(slew_deg):.1f}", f"towards the {side} side"

    def _applied_kg(self, now: Snapshot) -> float | None:
        load_kg = self._fresh(now, "load")
        return None if load_kg is None else load_kg + self._test.load.above_cell_kg

    def _load(self, now: Snapshot) -> tuple[str, str]:
        applied_kg = self._applied_kg(now)
        if applied_kg is None:
            return "?", "no data"
        sign = "◆" if now.load_state is LoadState.HANGING else "◇"
        return f"{applied_kg:.0f}", f"{sign} {now.load_state}"

    def _radius(self, now: Snapshot) -> tuple[str, str]:
        radius_m = self._fresh(now, "radius")
        if radius_m is None:
            wired = self._rig.wired("radius") is not None
            return "?", "no data" if wired else "by tape: key r"
        return f"{radius_m:.2f}", ""

    def _moment(self, now: Snapshot) -> tuple[str, str]:
        applied_kg, radius_m = self._applied_kg(now), self._fresh(now, "radius")
        if applied_kg is None or radius_m is None:
            return "?", "no data"
        moment_nm = applied_kg * STANDARD_GRAVITY_MPS2 * radius_m
        required_nm = self._test.method.moment_factor * self._test.crane.rated_moment_nm
        return f"{100 * moment_nm / required_nm:.0f}", f"{moment_nm / 1000:.1f} kN·m"

    def _wheels(self, now: Snapshot, *, abreast: int) -> Table:
        table = Table.grid(padding=(0, 4))
        cells: list[Text] = []
        for wheel in self._test.truck.wheels:
            channel = f"{WHEEL}{wheel}"
            if channel in now.stale or channel not in now.latest:
                sign, word, style = "?", "UNKNOWN: no data", "bold black on yellow"
            else:
                state = self._openings.get(wheel, "cleared")
                sign, word, style = _OPEN.get(state, ("●", "on the ground", "green"))
            cells += [Text(wheel.replace("_", " ")), Text(f" {sign} {word} ", style=style)]
        for start in range(0, len(cells), 2 * abreast):
            table.add_row(*cells[start : start + 2 * abreast])
        return table

    def _health(self, now: Snapshot) -> Table:
        table = Table.grid(padding=(0, 3))
        for source in self._rig.source:
            channels = [c.id for c in self._rig.channel if c.source == source.id]
            rate_hz = sum(now.rates_hz.get(c, 0.0) for c in channels)
            missing = now.missing_packs.get(source.id, 0)
            u_s = now.clock_u_s.get(source.id)
            table.add_row(
                Text(source.id, style="dim"),
                f"{rate_hz:.0f} readings/s",
                Text(f"{missing} packs missing", style="yellow" if missing else "dim"),
                Text("time by arrival" if u_s is None else f"time ± {u_s * 2e3:.1f} ms"),
            )
        room = "" if now.room_left_s is None else f"room for {_in_words(now.room_left_s)}"
        behind = f"disk behind by {now.waiting_s:.1f} s" if now.waiting_s > 0.5 else ""
        kept = f"{now.kept_samples} samples kept"
        gaps = f"{now.other_gaps} other gaps" if now.other_gaps else ""
        table.add_row(Text("disk", style="dim"), kept, Text(gaps, style="yellow"), behind or room)
        return table


def _alarm_line(alarm: AlarmChange) -> Text:
    sign, style = _LOUD.get(alarm.state, ("●", ""))
    gone = "" if alarm.active else " (over)"
    return Text(f" {sign} {alarm.text}{gone} ", style=style, no_wrap=True, overflow="ellipsis")


def _height(parts: list[RenderableType], columns: int) -> int:
    """How many lines parts take in a panel of that width."""
    console = Console(width=max(20, columns - 4), file=io.StringIO())
    return sum(len(console.render_lines(part)) for part in parts)


def _in_words(duration_s: float) -> str:
    hours = duration_s / 3600
    if hours >= 48:
        return f"{hours / 24:.0f} days"
    return f"{hours:.0f} h" if hours >= 2 else f"{duration_s / 60:.0f} min"
