"""Moments of a run that are worth a jump: what the result found, when, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from dashboard.figures.overview import Overview, Place
from dashboard.figures.units import SI, Units
from dashboard.figures.words import angle_words, wheel_words
from logger.recording.header import Note

Kind = Literal["first_lift", "lift", "radius_change", "set_down", "lift_off", "note", "finding"]
Result = dict[str, Any]

ROUNDED_NS = 1_000
"""Times in a result are rounded to a microsecond."""
_BEGINNING_NS = 1_000_000_000
"""Where the load is when a run begins is no event."""

WORDS_OF_KIND: dict[Kind, str] = {
    "first_lift": "First lift",
    "lift": "Other lift",
    "radius_change": "Radius change",
    "set_down": "Set-down",
    "lift_off": "Load hanging",
    "note": "Note",
    "finding": "Finding",
}
SYMBOL_OF_KIND: dict[Kind, str] = {
    "first_lift": "triangle-up",
    "lift": "triangle-up-open",
    "radius_change": "diamond",
    "set_down": "square-open",
    "lift_off": "circle",
    "note": "star",
    "finding": "x-thin",
}


SIGN_OF_KIND: dict[Kind, str] = {
    "first_lift": "▲",
    "lift": "△",
    "radius_change": "◆",
    "set_down": "□",
    "lift_off": "●",
    "note": "★",
    "finding": "✕",
}
"""The same shapes as text."""
LANE_OF_KIND: dict[Kind, int] = {
    "first_lift": 0,
    "lift": 0,
    "set_down": 1,
    "lift_off": 1,
    "radius_change": 2,
    "note": 3,
    "finding": 3,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One such moment.

    Attributes:
        t_s: when, s since the run's start.
        kind: what sort of thing happened.
        words: what happened, one line.
    """

    t_s: float
    kind: Kind
    words: str


def moments_of(
    result: Result | None,
    overview: Overview | None,
    notes: Sequence[Note] = (),
    units: Units = SI,
) -> tuple[Moment, ...]:
    """All moments of a run, by time.

    Args:
        result: the run's result; None where there is none yet.
        overview: the run at first sight, for where the load hung.
        notes: what people added.
        units: what the words are written in.
    """
    found = [*_of_result(result or {}, units), *(_note(note, units) for note in notes)]
    if overview is not None:
        found = [_at_its_reading(moment, overview) for moment in found]
        found += _of_places(overview, overview.lift_offs, "lift_off", units)
        found += _of_places(overview, overview.set_downs, "set_down", units)
    return tuple(sorted(found, key=lambda m: (m.t_s, m.kind)))


def _of_result(result: Result, units: Units) -> Iterator[Moment]:
    for sweep in result.get("sweeps", ()):
        first = sweep.get("first_lift")
        if first is not None:
            yield _lift(first, "first_lift")
        for lift in sweep.get("lifts", ()):
            if first is None or (lift["wheel"], lift["t_s"]) != (first["wheel"], first["t_s"]):
                yield _lift(lift, "lift")
        for change in sweep.get("radius_changes", ()):
            words = _change_words(change, units)
            yield Moment(t_s=change["t_s"], kind="radius_change", words=words)
    for finding in result.get("findings", ()):
        if finding.get("t_s") is not None:
            words = f"{finding['severity']}: {finding['text']}"
            yield Moment(t_s=finding["t_s"], kind="finding", words=words)


def _at_its_reading(moment: Moment, overview: Overview) -> Moment:
    """A lift at the very reading that opened: a result's times are rounded, and may lie before."""
    if moment.kind not in ("first_lift", "lift"):
        return moment
    t_ns = round(moment.t_s * 1e9)
    openings = (int(t) for w in overview.wheels for t in w.open_ns[:, 0])
    exact_ns = min((t for t in openings if abs(t - t_ns) <= ROUNDED_NS), default=t_ns)
    return replace(moment, t_s=exact_ns / 1e9)


def _note(note: Note, units: Units) -> Moment:
    radius = units.length.words(note.value_m)
    words = {"radius": f"radius {radius} by tape {note.text}", "mark": f"mark {note.text}"}
    return Moment(t_s=note.t_ns / 1e9, kind="note", words=words.get(note.kind, note.text).strip())


def _lift(lift: dict[str, Any], kind: Kind) -> Moment:
    angle = angle_words(lift.get("estimate_deg", lift.get("slew_deg")))
    words = f"{wheel_words(lift['wheel'])} lifted at {angle}"
    return Moment(t_s=lift["t_s"], kind=kind, words=words)


def _change_words(change: dict[str, Any], units: Units) -> str:
    from_m, to_m = (units.length.words(change.get(key)) for key in ("from_m", "to_m"))
    how = "load set down" if change.get("set_down") else "load hanging"
    return f"radius {from_m} to {to_m}, {how}"


def _of_places(
    overview: Overview, places: Sequence[Place], kind: Kind, units: Units
) -> Iterator[Moment]:
    for place in places:
        if place.t_ns > overview.span_ns[0] + _BEGINNING_NS:
            words = f"at {angle_words(place.slew_deg)}, radius {units.length.words(place.radius_m)}"
            yield Moment(t_s=place.t_ns / 1e9, kind=kind, words=words)
