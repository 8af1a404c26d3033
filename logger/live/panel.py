"""The recorder's panel in the terminal: large words first, colour second.

Every state is told by a sign and a word, so the panel reads the same without colour (IEC 60073:
never colour alone).
"""

from __future__ import annotations

from collections import deque

from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from logger.events.load_phase import LoadState
from logger.events.watch import RunWatch
from logger.live.recorder import Event
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.readings.rig_file import WHEEL
from logger.readings.test_file import TestFile
from logger.safety_words import SAFETY_WORDS

EVENTS_SHOWN = 6

_OPEN = {
    "suspect": ("△", "open?", "yellow"),
    "confirmed": ("▲", "LIFTED", "bold white on red"),
}


class RecordPanel:
    """Draws the state of a running recording.

    Args:
        test: what is tested.
    """

    def __init__(self, test: TestFile) -> None:
        self._test = test
        self._run_id = ""
        self._openings: dict[str, str] = {}
        self._latest: deque[Text] = deque(maxlen=EVENTS_SHOWN)

    def take(self, event: Event) -> None:
        """Takes an event of the recorder."""
        if event["event"] == "recording":
            self._run_id = event["run_id"]
        elif event["event"] == "wheel_lift":
            self._openings[event["wheel"]] = event["state"]
        self._latest.append(describe(event))

    def draw(self, watch: RunWatch, now_ns: int) -> RenderableType:
        """The panel as it stands now."""
        seconds = now_ns // 1_000_000_000
        clock = f"{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"
        title = f"Recording {self._run_id} · {clock} · Ctrl-C ends and seals the run"
        events = Group(*self._latest) if self._latest else Text("No events yet", style="dim")
        return Panel(
            Group(
                self._numerals(watch),
                Text(),
                self._wheels(watch),
                Text(),
                events,
                Text(),
                Text(SAFETY_WORDS, style="dim"),
            ),
            title=title,
            title_align="left",
        )

    def _numerals(self, watch: RunWatch) -> Table:
        table = Table.grid(padding=(0, 4))
        table.add_row(*(Text(word, style="dim") for word in ("Slew", "Load", "Radius", "Moment")))
        table.add_row(
            *(
                Text(shown, style="bold")
                for shown in (
                    self._slew(watch),
                    self._load(watch),
                    self._radius(watch),
                    self._moment(watch),
                )
            )
        )
        return table

    def _slew(self, watch: RunWatch) -> str:
        slew_deg = watch.latest.get("slew")
        if slew_deg is None or "slew" in watch.stale_channels:
            return "? no data"
        side = "right" if slew_deg > 0 else "left"
        return f"{abs(slew_deg):.1f}° {side}"

    def _applied_kg(self, watch: RunWatch) -> float | None:
        load_kg = watch.latest.get("load")
        if load_kg is None or "load" in watch.stale_channels:
            return None
        return load_kg + self._test.load.above_cell_kg

    def _load(self, watch: RunWatch) -> str:
        applied_kg = self._applied_kg(watch)
        if applied_kg is None:
            return "? no data"
        sign = "◆" if watch.load_state is LoadState.HANGING else "◇"
        return f"{applied_kg:.0f} kg  {sign} {watch.load_state}"

    def _radius(self, watch: RunWatch) -> str:
        radius_m = watch.latest.get("radius")
        if radius_m is None or "radius" in watch.stale_channels:
            return "? no data"
        return f"{radius_m:.2f} m"

    def _moment(self, watch: RunWatch) -> str:
        applied_kg, radius_m = self._applied_kg(watch), watch.latest.get("radius")
        if applied_kg is None or radius_m is None:
            return "? no data"
        moment_nm = applied_kg * STANDARD_GRAVITY_MPS2 * radius_m
        required_nm = self._test.method.moment_factor * self._test.crane.rated_moment_nm
        return f"{moment_nm / 1000:.1f} kN·m  {100 * moment_nm / required_nm:.0f} % of required"

    def _wheels(self, watch: RunWatch) -> Table:
        table = Table.grid(padding=(0, 4))
        for wheel in self._test.truck.wheels:
            channel = f"{WHEEL}{wheel}"
            if channel in watch.stale_channels or channel not in watch.latest:
                sign, word, style = "?", "UNKNOWN: no fresh data", "bold black on yellow"
            else:
                state = self._openings.get(wheel, "cleared")
                sign, word, style = _OPEN.get(state, ("●", "on the ground", "green"))
            table.add_row(wheel.replace("_", " "), Text(f"{sign} {word}", style=style))
        return table


def describe(event: Event) -> Text:
    """One line about an event, for a person."""
    at = f"{event['t_s']:9.2f} s  " if isinstance(event.get("t_s"), float) else ""
    match event["event"]:
        case "wheel_lift":
            where = "" if event["slew_deg"] is None else f" at {event['slew_deg']:.1f}°"
            words = {"suspect": "open?", "confirmed": "LIFTED", "cleared": "on the ground again"}
            text = f"{event['wheel']} {words[event['state']]}{where} (load {event['load']})"
            style = "bold red" if event["state"] == "confirmed" else ""
        case "stale":
            text, style = f"{event['channel']} sends nothing: state unknown", "bold yellow"
        case "fresh":
            text, style = f"{event['channel']} speaks again", ""
        case "gap":
            count = "" if event["missing"] is None else f" {event['missing']}"
            kind = event["kind"].replace("_", " ")
            text, style = f"{event['source']}:{count} {kind} {event['text']}".rstrip(), "yellow"
        case "radius_change":
            text, style = f"radius {event['from_m']:.2f} m to {event['to_m']:.2f} m", ""
        case "recording":
            text, style = f"recording into {event['path']}", "dim"
        case "not_wired":
            names = ", ".join(event["names"])
            text, style = f"{event['source']} also sends {names}, which the rig leaves out", ""
        case _:
            text = " ".join(str(v) for k, v in event.items() if k != "t_s")
            style = ""
    return Text(f"{at}{text}", style=style)
