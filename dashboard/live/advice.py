"""What to do next, in one sentence."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from dashboard.figures.units import Units
from dashboard.figures.words import wheel_words
from logger.events.next_step import (
    AT_LIMIT_DEG,
    NextStep,
    Situation,
    Step,
    Urgency,
)
from logger.events.sweep import Side

ADVICE_IS = "Advice from the readings alone. The competent person decides."
WITHOUT_DATA = "Stop, set the load down; then look at the recorder's terminal."
SIGN_OF_URGENCY = {Urgency.ACT: "■", Urgency.CARE: "◆", Urgency.GO: "▸"}
_SENSORS = {"slew": "slew encoder", "load": "load cell", "radius": "radius sensor"}
_DOWN = "stop, set the load down"

_Sentence = Callable[[NextStep, Situation, Units], str]


def advice_words(step: NextStep, now: Situation, units: Units) -> str:
    """The sentence.

    Args:
        step: what to do.
        now: the moment it was decided for.
        units: what lengths are read in.
    """
    return _SENTENCES[step.step](step, now, units)


def wheels_words(wheels: tuple[str, ...]) -> str:
    """``wheel rear left``, ``wheels rear left and rear right``."""
    names = [wheel_words(w) for w in wheels]
    if len(names) == 1:
        return f"wheel {names[0]}"
    return f"wheels {', '.join(names[:-1])} and {names[-1]}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _are(step: NextStep, one: str, many: str) -> str:
    return one if len(step.wheels) == 1 else many


def _stop(step: NextStep, then: str) -> str:
    """Stops first, where a load may hang."""
    return f"{_DOWN}, {then}" if step.loaded else then


def _lifted(step: NextStep, _now: Situation, _units: Units) -> str:
    who = _capital(wheels_words(step.wheels))
    return f"{who} {_are(step, 'is', 'are')} off the ground: stop slewing, set the load down."


def _wheel_unknown(step: NextStep, _now: Situation, _units: Units) -> str:
    who = _capital(wheels_words(step.wheels))
    what = "sends nothing and may be up" if len(step.wheels) == 1 else "send nothing, may be up"
    then = "then see to switch and cable" if step.loaded else "lift nothing, see to the switch"
    return f"{who} {what}: {_stop(step, then)}."


def _data_unknown(step: NextStep, _now: Situation, _units: Units) -> str:
    who = _SENSORS.get(step.text, step.text)
    then = "then see to it" if step.loaded else "lift nothing until it speaks again"
    return f"The {who} sends nothing: {_stop(step, then)}."


def _opening(step: NextStep, _now: Situation, _units: Units) -> str:
    return f"{_capital(wheels_words(step.wheels))} may be lifting: stop slewing and watch."


def _open_on_ground(step: NextStep, _now: Situation, _units: Units) -> str:
    who = _capital(wheels_words(step.wheels))
    are = _are(step, "is", "are")
    return f"{who} {are} open though no load hangs: lift nothing, look why."


def _reduce(_step: NextStep, now: Situation, units: Units) -> str:
    at = units.length.words(now.lift_radius_m)
    return f"A wheel lifted at {at} on this side: bring the load in before you take it up again."


def _bring_in(step: NextStep, now: Situation, units: Units) -> str:
    is_m, planned = units.length.words(now.radius_m), units.length.words(now.planned_radius_m)
    then = "set the load down and bring it in" if step.loaded else "bring it in before you lift"
    return f"The radius is {is_m}, beyond the planned {planned}: {then}."


def _short_radius(_step: NextStep, now: Situation, units: Units) -> str:
    is_m, planned = units.length.words(now.radius_m), units.length.words(now.planned_radius_m)
    return f"The radius is {is_m}, short of the planned {planned}: this proves less than planned."


def _take_up(step: NextStep, now: Situation, units: Units) -> str:
    slowly = "take the load up slowly, a hand's breadth off the ground"
    if step.side is None and now.planned_radius_m is not None:
        return f"Set the radius to {units.length.words(now.planned_radius_m)} by plan, {slowly}."
    return f"{_capital(slowly)}; watch every tyre."


def _measure(_step: NextStep, _now: Situation, _units: Units) -> str:
    return "Bring the load in, measure the new radius and note it here before you take it up."


def _return(step: NextStep, _now: Situation, _units: Units) -> str:
    return f"The {step.side} side is swept. Go back to over the rear without the load."


def _set_down(step: NextStep, now: Situation, _units: Units) -> str:
    if step.side is None:
        return "Both sides are swept: set the load down."
    if now.slew_deg is not None and abs(now.slew_deg) >= now.limits_deg[step.side] - AT_LIMIT_DEG:
        return "The boom is as near to the cab as it may come: set the load down."
    return f"The {step.side} side is swept: set the load down, go back to the rear without it."


def _sweep_on(step: NextStep, now: Situation, _units: Units) -> str:
    return f"Slew on slowly towards the cab{_limit(step.side, now.limits_deg)}; watch every tyre."


def _begin_sweep(step: NextStep, now: Situation, _units: Units) -> str:
    limit = _limit(step.side, now.limits_deg)
    return f"Begin the {step.side} sweep: slew slowly towards the cab{limit}; watch every tyre."


def _limit(side: Side | None, limits_deg: Mapping[Side, float]) -> str:
    return "" if side is None else f", at most to {limits_deg[side]:g}°"


_SENTENCES: dict[Step, _Sentence] = {
    Step.DISK: lambda s, _n, _u: f"The disk: {s.text}. {_capital(_stop(s, 'see to it'))}.",
    Step.LIFTED: _lifted,
    Step.WHEEL_UNKNOWN: _wheel_unknown,
    Step.DATA_UNKNOWN: _data_unknown,
    Step.BEYOND_LIMIT: lambda s, _n, _u: f"{_capital(s.text)}: stop, come back within the limit.",
    Step.OPENING: _opening,
    Step.OTHER_ALARM: lambda s, _n, _u: f"{_capital(s.text)}: see to it before you go on.",
    Step.OPEN_ON_GROUND: _open_on_ground,
    Step.ACKNOWLEDGE: lambda _s, _n, _u: "What was alarmed is over: acknowledge once you know why.",
    Step.PARTLY_HANGING: lambda _s, _n, _u: (
        "The load is partly on the ground: lift it clear by a hand's breadth, or set it down."
    ),
    Step.BRING_IN: _bring_in,
    Step.BOTH_SWEPT: lambda _s, _n, _u: (
        "Both sides are swept. Leave the load down; end the recording with Ctrl-C at its terminal."
    ),
    Step.RETURN: _return,
    Step.REDUCE: _reduce,
    Step.MEASURE: _measure,
    Step.TAKE_UP: _take_up,
    Step.SET_DOWN: _set_down,
    Step.SHORT_RADIUS: _short_radius,
    Step.SWEEP_ON: _sweep_on,
    Step.BEGIN_SWEEP: _begin_sweep,
}
