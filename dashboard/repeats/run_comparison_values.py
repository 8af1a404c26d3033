"""What a run says about one side of its truck, number by number, each with what makes it uncertain.

A number comes from the side's sweep that counts. Its parts are those of the budget in the result;
each part says what it is shared by: an error of the encoder's zero is the same in every run that
the same kit has read, the noise of one reading is not.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

Result = Mapping[str, Any]

SIDES = ("right", "left")
SHARED_BY: Mapping[str, str] = {
    "slew zero and scale": "slew",
    "encoder rounds or cuts off": "slew",
    "load cell": "load",
    "what hangs above the cell": "rigging",
    "radius sensor": "radius",
    "boom angle": "boom_angle",
    "boom length": "boom_length",
    "foot pin offset": "geometry",
    "foot pin height": "geometry",
    "tip along the boom": "geometry",
    "tip off the boom": "geometry",
    "sheave radius": "geometry",
}
"""By the name of a part: what two runs must have in common for its error to be the same in both.

A channel's id, the rigging at the hook, or the boom's geometry. A part that isn't here is drawn
anew in every run: clocks, noise, rounding, scatter, a tape, a swing.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One thing that runs are compared by.

    Attributes:
        key: what it is called in documents.
        words: what it is called for people.
        unit: ``deg``, ``%``, ``m`` or ``N·m``; empty for a name.
        rounded: whether it is rounded to the safe side, so that its error is no budget's.
    """

    key: str
    words: str
    unit: str
    rounded: bool = False


QUANTITIES = (
    Quantity(key="lift_deg", words="first lift at", unit="deg"),
    Quantity(key="lift_wheel", words="wheel that lifted first", unit=""),
    Quantity(key="full_to_deg", words="full capacity up to", unit="deg", rounded=True),
    Quantity(key="reduced_percent", words="beyond it", unit="%", rounded=True),
    Quantity(key="first_radius_m", words="radius up to the lift", unit="m"),
    Quantity(key="first_proved_nm", words="moment proved up to the lift", unit="N·m"),
    Quantity(key="reduced_radius_m", words="radius beyond the lift", unit="m"),
    Quantity(key="reduced_proved_nm", words="moment proved beyond the lift", unit="N·m"),
    Quantity(key="reached_deg", words="swept up to", unit="deg", rounded=True),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of a number's uncertainty.

    Attributes:
        name: as in the budget.
        u: its standard uncertainty times its sensitivity, signed, in the number's unit.
        dof: degrees of freedom.
    """

    name: str
    u: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """A quantity as one run tells it.

    Attributes:
        value: the number, or a name; None where the run doesn't tell it.
        why_not: why, one line; empty where it does.
        t_s: the second of the run that shows it; None where there is none.
        expanded: expanded uncertainty of the budget; None where it has none.
        interval: holds the true value at 95 %; None where nobody knows.
        parts: of the uncertainty.
    """

    value: float | str | None = None
    why_not: str = ""
    t_s: float | None = None
    expanded: float | None = None
    interval: tuple[float, float] | None = None
    parts: tuple[Part, ...] = field(default=())

    @property
    def number(self) -> float | None:
        """The value where it is a number."""
        return None if isinstance(self.value, str) else self.value


def counting_sweep(result: Result, side: str) -> dict[str, Any] | None:
    """The sweep that a side's sectors come from; None where none counts."""
    counting = [s for s in result["sweeps"] if s["side"] == side and s["counts"]]
    return counting[-1] if counting else None


def values_of(result: Result, side: str) -> dict[str, Value]:
    """Every quantity of one side.

    Args:
        result: a ``slewtrace.result/1`` document.
        side: ``right`` or ``left``.

    Returns:
        By the quantity's key, all of :data:`QUANTITIES`.
    """
    sweep = counting_sweep(result, side)
    if sweep is None:
        why_not = f"no sweep to the {side} counts"
        return {q.key: Value(why_not=why_not) for q in QUANTITIES}
    lift = sweep["first_lift"]
    until_s = sweep["end_s"] if lift is None else lift["t_s"]
    before = _least(h for h in sweep["holds"] if h["start_s"] < until_s)
    beyond = _least(h for h in sweep["holds"] if h["start_s"] >= until_s)
    no_lift = f"no wheel lifted up to {abs(sweep['reached_deg']):.1f}°"
    after = no_lift if lift is None else "nothing with a known radius was held beyond the lift"
    return {
        "lift_deg": Value(why_not=no_lift) if lift is None else _lift(lift),
        "lift_wheel": (
            Value(why_not=no_lift)
            if lift is None
            else Value(value=str(lift["wheel"]), t_s=lift["t_s"])
        ),
        "full_to_deg": _full_to(result, side, until_s),
        "reduced_percent": _reduced(result, side, beyond),
        "first_radius_m": _radius(before, "nothing with a known radius was held"),
        "first_proved_nm": _moment(before, "nothing with a known radius was held"),
        "reduced_radius_m": _radius(beyond, after),
        "reduced_proved_nm": _moment(beyond, after),
        "reached_deg": Value(value=abs(float(sweep["reached_deg"])), t_s=sweep["end_s"]),
    }


def _least(holds: Iterator[dict[str, Any]]) -> dict[str, Any] | None:
    """The hold that proves least: what a side's percentage rests on."""
    known = [h for h in holds if h["moment_budget"] is not None]
    return min(known, key=lambda h: float(h["proved_moment_nm"])) if known else None


def _lift(lift: Mapping[str, Any]) -> Value:
    size = -1.0 if lift["estimate_deg"] < 0 else 1.0
    low, high = sorted(abs(float(end)) for end in lift["interval_deg"])
    return Value(
        value=abs(float(lift["estimate_deg"])),
        t_s=lift["t_s"],
        expanded=lift["budget"]["expanded"],
        interval=(low, high),
        parts=tuple(_parts(lift["budget"], factor=size)),
    )


def _full_to(result: Result, side: str, t_s: float) -> Value:
    """How far full capacity reaches without a break from over the rear."""
    to_deg = 0.0
    for sector in sorted(result["sectors"], key=lambda s: float(s["from_deg"])):
        if sector["side"] == side and sector["percent"] >= 100 and sector["from_deg"] <= to_deg:
            to_deg = max(to_deg, float(sector["to_deg"]))
    return Value(value=to_deg, t_s=t_s)


def _reduced(result: Result, side: str, beyond: Mapping[str, Any] | None) -> Value:
    percents = [
        float(s["percent"])
        for s in result["sectors"]
        if s["side"] == side and s["basis"] == "reduced"
    ]
    if not percents:
        return Value(why_not="no reduced sector")
    return Value(value=min(percents), t_s=None if beyond is None else beyond["start_s"])


def _radius(hold: Mapping[str, Any] | None, why_not: str) -> Value:
    if hold is None:
        return Value(why_not=why_not)
    budget = hold["moment_budget"]
    parts = tuple(
        Part(name=c["name"], u=float(c["u"]), dof=_dof(c["dof"]))
        for c in budget["contributions"]
        if c["unit"] == "m"
    )
    value, expanded = float(hold["radius_m"]), float(budget["k"]) * float(hold["u_radius_m"])
    interval = (value - expanded, value + expanded)
    return Value(
        value=value, t_s=hold["start_s"], expanded=expanded, interval=interval, parts=parts
    )


def _moment(hold: Mapping[str, Any] | None, why_not: str) -> Value:
    """The moment that is proved; its interval is that of the measured moment, which lies above."""
    if hold is None:
        return Value(why_not=why_not)
    budget = hold["moment_budget"]
    measured, expanded = float(budget["value"]), float(budget["expanded"])
    return Value(
        value=float(hold["proved_moment_nm"]),
        t_s=hold["start_s"],
        expanded=expanded,
        interval=(measured - expanded, measured + expanded),
        parts=tuple(_parts(budget)),
    )


def _parts(budget: Mapping[str, Any], *, factor: float = 1.0) -> Iterator[Part]:
    for c in budget["contributions"]:
        u = factor * float(c["sensitivity"]) * float(c["u"])
        yield Part(name=c["name"], u=u, dof=_dof(c["dof"]))


def _dof(stated: float | None) -> float:
    return math.inf if stated is None else float(stated)
