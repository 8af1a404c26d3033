"""A watched recording in the words of the page: what each place of it says, and in which state.

The page in the browser writes texts into places and states onto them, moves the boom, and lets
ages grow; all that is said is made here. A state has a sign and a word, never a colour alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dashboard.figures.units import Units
from dashboard.figures.words import wheel_words
from dashboard.live.advice import SIGN_OF_URGENCY, WITHOUT_DATA, advice_words
from dashboard.live.event_words import event_words
from dashboard.live.numerals import numeral_words
from dashboard.live.picture import LivePicture, Phase
from logger.events.load_phase import LoadState
from logger.events.next_step import Urgency, WheelSeen, next_step
from logger.events.standing_alarms import AlarmChange, AlarmState
from logger.events.sweep import OVER_REAR_DEG, Side
from logger.live.viewer_lines import loud_and_waiting
from logger.readings.channel_kinds import CHANNEL_KINDS
from logger.readings.quantity import Kind
from logger.readings.rig_file import WHEEL

SLEWING_DPS = 0.1
"""Slower is at rest, deg/s; a choice."""
MORE_ALARMS = 3
NO_READINGS = "There are no current readings: any wheel may be up."

SIGN_OF_WHEEL = {
    WheelSeen.DOWN: "●",
    WheelSeen.OPENING: "△",
    WheelSeen.LIFTED: "▲",
    WheelSeen.UNKNOWN: "?",
}
WORD_OF_WHEEL = {
    WheelSeen.DOWN: "down",
    WheelSeen.OPENING: "OPEN?",
    WheelSeen.LIFTED: "LIFTED",
    WheelSeen.UNKNOWN: "UNKNOWN",
}
_PLACE_OF_LOAD = {
    LoadState.HANGING: "hanging",
    LoadState.GROUNDED: "ground",
    LoadState.UNKNOWN: "unknown",
}
_WORD_OF_ALARM = {
    AlarmState.CONFIRMED: ("▲", "ALARM"),
    AlarmState.UNKNOWN: ("?", "UNKNOWN"),
    AlarmState.SUSPECT: ("△", "WATCH"),
    AlarmState.CLEAR: ("●", ""),
}

Said = dict[str, Any]


def page_words(picture: LivePicture, units: Units) -> Said:
    """All that the page shows of a recording.

    Returns:
        ``phase``; ``words`` and ``states`` by the place's id; ``ages_s`` of the channels at
        ``t_ns``; what moves in the ``plan``; ``seen``, the alarms that wait; and the latest
        ``events``.
    """
    words: dict[str, str] = {}
    states: dict[str, str] = {}
    parts = (_banner(picture), _next(picture, units), numeral_words(picture, units))
    more = (_wheels(picture), _sweeps(picture), _channels(picture, units), _health(picture))
    for part in (*parts, *more):
        for place, text, state in part:
            words[place] = text
            if state:
                states[place] = state
    view, wheels = picture.view, tuple(picture.test.truck.wheels)
    return {
        "phase": str(picture.phase),
        "words": words,
        "states": states,
        "t_ns": 0 if view is None else view.t_ns,
        "ages_s": _ages_s(picture),
        "plan": _plan(picture),
        "seen": sorted(loud_and_waiting(picture.alarms)),
        "events": [event_words(e, wheels) for e in reversed(picture.events)],
    }


_Place = tuple[str, str, str]
"""Id of a place, what it says, its state ("" where it has none)."""


def _banner(picture: LivePicture) -> Iterator[_Place]:
    alarms = picture.alarms
    sign, word, text, state = _loudest(picture, alarms)
    yield "live-alarm", "", state
    yield "live-alarm-sign", sign, ""
    yield "live-alarm-word", word, ""
    yield "live-alarm-text", text, ""
    rest = alarms[1 : 1 + MORE_ALARMS] if picture.known else alarms[:MORE_ALARMS]
    count = len(alarms) - len(rest) - (1 if picture.known and alarms else 0)
    more = [_alarm_line(a) for a in rest] + ([f"and {count} more"] if count > 0 else [])
    yield "live-alarm-more", " · ".join(more), ""
    waiting = [a for a in alarms if a.state.is_loud and not a.acknowledged]
    known = bool(waiting) and picture.phase is Phase.LIVE
    yield "live-acknowledge", "Acknowledge", "due" if known else "idle"
    count_words = f"{len(waiting)} alarms" if len(waiting) > 1 else "this alarm"
    yield "live-acknowledge-what", f"acknowledges {count_words}" if known else "", ""


def _loudest(picture: LivePicture, alarms: tuple[AlarmChange, ...]) -> tuple[str, str, str, str]:
    """Sign, word, text and state of the banner."""
    if picture.phase is not Phase.LIVE:
        return _over(picture)
    if picture.view is None:
        return "?", "WAITING", "Nothing has come from the recorder yet.", "unknown"
    if not alarms:
        return "●", "No alarm", "None active, none to acknowledge.", "clear"
    alarm = alarms[0]
    sign, word = _WORD_OF_ALARM[alarm.state]
    if not alarm.active:
        word, state = "OVER, not acknowledged", "waiting"
    elif alarm.acknowledged and alarm.state.is_loud:
        word, state = f"{word}, acknowledged", f"{alarm.state}-known"
    else:
        state = str(alarm.state)
    return sign, word, _text_of(alarm), state


def _over(picture: LivePicture) -> tuple[str, str, str, str]:
    """The same where there are no current readings."""
    match picture.phase:
        case Phase.GONE:
            why = f" It said: {picture.failure}." if picture.failure else ""
            text = f"The recorder ended without sealing the run.{why} {NO_READINGS}"
            return "✖", "RECORDER GONE", text, "gone"
        case Phase.STILL:
            text = f"The recorder does not answer. {NO_READINGS}"
            return "✖", "NO DATA", text, "gone"
        case Phase.SEALED:
            return "■", "ENDED", "The recording has ended and the run is sealed.", "ended"
        case _:
            return "■", "ENDING", "The recording has ended; the run is being sealed.", "ended"


def _text_of(alarm: AlarmChange) -> str:
    """An alarm's own words, its wheel as people say it."""
    text = alarm.text
    if alarm.condition.startswith(WHEEL):
        name = alarm.condition.removeprefix(WHEEL)
        text = text.replace(f"wheel {name}", f"wheel {wheel_words(name)}", 1)
    return text[:1].upper() + text[1:]


def _alarm_line(alarm: AlarmChange) -> str:
    sign, _ = _WORD_OF_ALARM[alarm.state]
    over = "" if alarm.active else " (over)"
    return f"{sign} {_text_of(alarm)}{over}"


def _next(picture: LivePicture, units: Units) -> Iterator[_Place]:
    if picture.phase in (Phase.SEALED, Phase.SEALING):
        yield "live-next", "", "go"
        yield "live-next-words", "Nothing more is recorded.", ""
        return
    if not picture.known:
        yield "live-next", "", "act"
        yield "live-next-words", f"{SIGN_OF_URGENCY[Urgency.ACT]} {WITHOUT_DATA}", ""
        return
    now = picture.situation()
    step = next_step(now)
    yield "live-next", "", str(step.urgency)
    sign = SIGN_OF_URGENCY[step.urgency]
    yield "live-next-words", f"{sign} {advice_words(step, now, units)}", ""


def _wheels(picture: LivePicture) -> Iterator[_Place]:
    for number, wheel in enumerate(picture.test.truck.wheels):
        seen = picture.wheel(wheel)
        yield f"live-wheel-{number}", "", str(seen)
        yield f"live-wheel-{number}-sign", SIGN_OF_WHEEL[seen], ""
        yield f"live-wheel-{number}-word", WORD_OF_WHEEL[seen], ""


def _sweeps(picture: LivePicture) -> Iterator[_Place]:
    slew_deg = picture.slew_deg
    yield "live-sweep-words", _sweep_words(picture, slew_deg), ""
    for side in Side:
        seen, limit_deg = picture.progress(side), picture.limits_deg[side]
        swept_deg = min(seen.swept_deg, limit_deg)
        swept = f"swept to {swept_deg:.0f}° of {limit_deg:g}°" if swept_deg else "not yet"
        at = "" if seen.lift_deg is None else f" at {seen.lift_deg:.1f}°"
        lift = f", {wheel_words(seen.lift_wheel)} lifted{at}" if seen.lifted else ""
        yield f"live-{side}-swept", f"{swept}{lift}", ""


def _sweep_words(picture: LivePicture, slew_deg: float | None) -> str:
    rate_dps = picture.slew_rate_dps
    if slew_deg is None:
        return "Position of the boom unknown"
    if rate_dps is None or abs(rate_dps) < SLEWING_DPS:
        moving = "at rest"
    else:
        towards = "towards the cab" if rate_dps * slew_deg > 0 else "towards the rear"
        moving = f"slewing {abs(rate_dps):.1f}°/s {towards}"
    if abs(slew_deg) <= OVER_REAR_DEG:
        return f"Over the rear, {moving}"
    side = Side.RIGHT if slew_deg > 0 else Side.LEFT
    return f"On the {side}, {moving}, boom may go to {picture.limits_deg[side]:g}°"


def _channels(picture: LivePicture, units: Units) -> Iterator[_Place]:
    view = picture.view
    for number, channel in enumerate(picture.rig.channel):
        silent = view is None or channel.id not in view.latest
        stale = not silent and (not picture.known or channel.id in (view.stale if view else ()))
        word = "? nothing yet" if silent else "? stale" if stale else "● fresh"
        rate_hz = 0.0 if view is None else view.rates_hz.get(channel.id, 0.0)
        yield f"live-channel-{number}", "", "known" if word == "● fresh" else "unknown"
        yield f"live-channel-{number}-state", word, ""
        yield f"live-channel-{number}-value", _value(picture, channel.id, units), ""
        yield f"live-channel-{number}-rate", f"{rate_hz:.0f}/s" if picture.known else "—", ""


def _value(picture: LivePicture, channel: str, units: Units) -> str:
    value = picture.fresh(channel)
    if value is None:
        return "—"
    if channel.startswith(WHEEL):
        return "closed" if value else "open"
    match CHANNEL_KINDS[channel].measures:
        case Kind.MASS:
            return units.mass.words(value, digits=1)
        case Kind.LENGTH:
            return units.length.words(value, digits=3)
        case Kind.SPEED:
            return units.speed.words(value)
        case _:
            return f"{value:.2f}°".replace("-", "−")


def _ages_s(picture: LivePicture) -> list[float | None]:
    """Age of each channel's latest reading at the state's moment, s; None where none came."""
    view = picture.view
    if view is None:
        return [None] * len(picture.rig.channel)
    since_ns = (view.latest_ns.get(c.id) for c in picture.rig.channel)
    return [None if t is None else max(0.0, round((view.t_ns - t) * 1e-9, 3)) for t in since_ns]


def _health(picture: LivePicture) -> Iterator[_Place]:
    view = picture.view
    if view is None:
        return
    missing = sum(view.missing_packs.values())
    parts = [
        f"{view.kept_samples:,} readings kept".replace(",", "\u202f"),
        f"{missing} packs missing" if missing else "no pack missing",
    ]
    if view.waiting_s > 0.5:
        parts.append(f"disk behind by {view.waiting_s:.1f} s")
    if view.room_left_s is not None:
        parts.append(f"disk room for {view.room_left_s / 3600:.0f} h")
    yield "live-health", " · ".join(parts), ""


def _plan(picture: LivePicture) -> Said:
    return {
        "slew_deg": picture.slew_deg,
        "radius_m": picture.radius_m,
        "load": _PLACE_OF_LOAD[picture.load_state],
        "wheels": [str(picture.wheel(w)) for w in picture.test.truck.wheels],
        "swept_deg": {str(side): picture.progress(side).swept_deg for side in Side},
    }
