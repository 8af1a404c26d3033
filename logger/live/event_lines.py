"""One line about an event, for a person."""

from __future__ import annotations

from collections.abc import Callable

from rich.text import Text

from logger.live.announcing import Event

_LIFT_WORDS = {"suspect": "open?", "confirmed": "LIFTED", "cleared": "on the ground again"}
_ALARM_STYLES = {"confirmed": "bold red", "unknown": "bold yellow", "suspect": "yellow"}


def describe(event: Event) -> Text:
    """One line about an event, with its time on the run's clock where it has one."""
    at = f"{event['t_s']:9.2f} s  " if isinstance(event.get("t_s"), float) else ""
    text, style = _LINES.get(event["event"], _any)(event)
    return Text(f"{at}{text}", style=style)


def _wheel_lift(event: Event) -> tuple[str, str]:
    where = "" if event["slew_deg"] is None else f" at {event['slew_deg']:.1f}°"
    text = f"{event['wheel']} {_LIFT_WORDS[event['state']]}{where} (load {event['load']})"
    return text, "bold red" if event["state"] == "confirmed" else ""


def _alarm(event: Event) -> tuple[str, str]:
    if not event["active"]:
        return f"alarm over: {event['text']}", ""
    known = ", acknowledged" if event["acknowledged"] else ""
    return f"ALARM {event['text']}{known}", _ALARM_STYLES.get(event["state"], "")


def _gap(event: Event) -> tuple[str, str]:
    count = "" if event["missing"] is None else f" {event['missing']}"
    kind = event["kind"].replace("_", " ")
    return f"{event['source']}:{count} {kind} {event['text']}".rstrip(), "yellow"


def _note(event: Event) -> tuple[str, str]:
    if event["kind"] == "radius":
        return f"tape radius {event['value_m']:.3f} m {event['text']}".rstrip(), "cyan"
    return f"{event['kind']} {event['text']}".rstrip(), "cyan"


def _republish(event: Event) -> tuple[str, str]:
    match event["state"]:
        case "connected":
            return "what is read goes on to the broker", ""
        case "behind":
            return f"the broker has not got the last {event['blocks']} blocks", "yellow"
        case _:
            return f"what is read can't go on: {event['text']}", "yellow"


def _any(event: Event) -> tuple[str, str]:
    return " ".join(str(v) for k, v in event.items() if k != "t_s"), ""


_LINES: dict[str, Callable[[Event], tuple[str, str]]] = {
    "wheel_lift": _wheel_lift,
    "alarm": _alarm,
    "gap": _gap,
    "note": _note,
    "republish": _republish,
    "alarm_output": lambda e: (f"alarm output {e['output']} is {e['state']}: {e['text']}", "bold"),
    "stale": lambda e: (f"{e['channel']} sends nothing: state unknown", "bold yellow"),
    "fresh": lambda e: (f"{e['channel']} speaks again", ""),
    "back": lambda e: (f"{e['source']} is back", ""),
    "radius_change": lambda e: (f"radius {e['from_m']:.2f} m to {e['to_m']:.2f} m", ""),
    "recording": lambda e: (f"recording into {e['path']}", "dim"),
    "unreachable": lambda e: (e["text"], "yellow"),
    "sealed": lambda e: (f"sealed {e['path']}, {e['samples']} samples", "bold"),
    "missed": lambda e: (f"{e['count']} events were not shown; the recording has them", "yellow"),
    "storage_failed": lambda e: (f"the disk refuses: {e['text']}", "bold red"),
    "not_wired": lambda e: (
        f"{e['source']} also sends {', '.join(e['names'])}, which the rig leaves out",
        "",
    ),
}
