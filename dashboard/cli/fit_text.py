"""A fit of the truck model, its curve and the remedies as text for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from dashboard.capacity.fit.capacity_curve import CapacityCurve
from dashboard.capacity.fit.fit_result import FittedParameter, ModelFit
from dashboard.capacity.fit.predicted_lift import PredictedLift
from dashboard.capacity.fit.remedies import Remedies
from dashboard.capacity.uncertainty.budget import COVERAGE_FACTOR
from dashboard.figures.words import angle_words, wheel_words
from logger.safety_words import SAFETY_SENTENCES

_CURVE_STEP_DEG = 30.0
_WIDTH = 79


def fit_text(
    fit: ModelFit,
    *,
    curve: CapacityCurve | None = None,
    predicted: Sequence[PredictedLift] = (),
    remedies: Remedies | None = None,
) -> str:
    """A fit in words and tables.

    Args:
        fit: the fit.
        curve: capacity against slew angle.
        predicted: lifts that the fit foresees.
        remedies: what would let the truck carry its full rating.
    """
    lines = [*_wrapped(fit.verdict), "", "Lifts"]
    lines += ["     load   radius  wheel          measured              model − measured"]
    lines += _lift_lines(fit) or ["  none"]
    lines += [
        "",
        f"Truck             given       fitted     ± {COVERAGE_FACTOR:g} u   what the lifts tell",
    ]
    lines += [_parameter_line(p) for p in fit.parameters]
    lines.append("")
    for sentence in (*fit.identifiability.sentences, _held_sentence(fit)):
        lines += _wrapped(sentence)
    if curve is not None:
        lines += ["", *_curve_lines(curve)]
    if predicted:
        lines += ["", "Foreseen"]
        for lift in predicted:
            lines += _wrapped(_predicted_line(lift), indent="  ", more="         ")
    if remedies is not None:
        lines += ["", *remedies_lines(remedies)]
    return "\n".join([*lines, "", *SAFETY_SENTENCES])


def remedies_lines(remedies: Remedies) -> list[str]:
    """The remedies, a line each, with their cautions."""
    if not remedies.needed:
        return ["By the model no wheel lifts all the way round: nothing is needed."]
    lines = ["For 100 % all round, by the model"]
    for remedy in remedies.remedies:
        sign = "•" if remedy.works else "–"
        lines += _wrapped(f"{sign} {remedy.text}", indent="  ", more="  ")
    for caution in remedies.cautions:
        lines += _wrapped(caution, indent="  ")
    return lines


def _lift_lines(fit: ModelFit) -> list[str]:
    return [
        f"  {lift.load_kg:6.0f} kg {lift.radius_m:5.2f} m  {wheel_words(lift.wheel):13} "
        f"{angle_words(lift.slew_deg):>13} ±{COVERAGE_FACTOR * lift.u_deg:4.1f}°   {off:+6.2f}°"
        for lift, off in zip(fit.lifts, fit.off_deg, strict=True)
    ]


def _parameter_line(parameter: FittedParameter) -> str:
    name = parameter.name.removesuffix("_m").replace("_", " ")
    if parameter.unit == "m":
        given, value = f"{parameter.given:.3f} m", f"{parameter.value:.3f} m"
        spread = f"{COVERAGE_FACTOR * parameter.u * 1000:.0f} mm"
    else:
        given, value = "× 1", f"× {parameter.value:.2f}"
        spread = f"{100 * COVERAGE_FACTOR * parameter.u:.0f} %"
    told = parameter.told + (", at its bound" if parameter.at_bound else "")
    return f"  {name:18}{given:>8}   {value:>9}   {spread:>7}   {told}"


def _held_sentence(fit: ModelFit) -> str:
    bounds = ", ".join(
        f"{p.name.removesuffix('_m').replace('_', ' ')} {_bound(p)}" for p in fit.parameters
    )
    return (
        "The rear wheels' stiffness is held as given: lifts tell ratios of stiffness, not their "
        f"common scale. Bounds: {bounds}."
    )


def _bound(parameter: FittedParameter) -> str:
    if parameter.unit == "m":
        return f"{parameter.low:.3f} to {parameter.high:.3f} m"
    return f"× {parameter.low:.2g} to × {parameter.high:.2g}"


def _curve_lines(curve: CapacityCurve) -> list[str]:
    band = curve.band_percent()
    what = "radius" if curve.growing == "radius" else "load"
    lines = [
        f"Capacity by the model: moment at the first lift, {what} growing, % of M_q",
        "          slew   capacity" + ("    95 % band" if band is not None else ""),
    ]
    chosen = [
        i for i, a in enumerate(curve.slew_deg.tolist()) if abs(a / _CURVE_STEP_DEG % 1) < 1e-9
    ]
    worst = int(curve.percent.argmin())
    for index in sorted({*chosen, worst}):
        mark = "   least" if index == worst else ""
        spread = "" if band is None else f"   {band[0][index]:5.0f} to {band[1][index]:.0f} %"
        at = angle_words(float(curve.slew_deg[index]), digits=0)
        lines.append(f"  {at:>12}   {_percent(curve, index):>8}{spread}{mark}")
    return lines


def _percent(curve: CapacityCurve, index: int) -> str:
    percent = float(curve.percent[index])
    if percent >= curve.most_percent * (1 - 1e-9):
        return f"> {curve.most_percent:.0f} %"
    return f"{percent:.1f} %"


def _predicted_line(predicted: PredictedLift) -> str:
    head = f"  {predicted.side:5} {predicted.load_kg:6.0f} kg at {predicted.radius_m:.2f} m: "
    chance = f"a wheel lifts in {100 * predicted.probability:.0f} % of the possible trucks"
    if predicted.wheel is None or predicted.slew_deg is None:
        return f"{head}no wheel lifts; {chance}"
    between = ""
    if predicted.low_deg is not None and predicted.high_deg is not None:
        ends = sorted(abs(a) for a in (predicted.low_deg, predicted.high_deg))
        far = "or none" if ends[1] >= 180 else f"{ends[1]:.1f}°"
        between = f" (95 %: {ends[0]:.1f}° to {far})"
    wheel = wheel_words(predicted.wheel)
    return f"{head}{wheel} at {abs(predicted.slew_deg):.1f}°{between}; {chance}"


def _wrapped(text: str, *, indent: str = "", more: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent + more)
