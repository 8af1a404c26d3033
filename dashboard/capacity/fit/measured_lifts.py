"""What a test tells about its truck: where wheels lifted, and where none did.

A lift tells that the named wheel's pressure on the ground went through zero at an angle, with a
load at a radius. A stay, a stretch of angles swept with every wheel down, tells that no pressure
went through zero there: it bounds the truck from one side.

The errors of load, radius and slew zero are common to all lifts of a run. Runs that are fitted
together share them too, since one rig with one calibration measured them; where runs come from
several rigs this takes their errors for alike, which lets no average make them small.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from dashboard.capacity.truck.truck_model import Side
from logger.errors import FileInvalid
from logger.readings.model_table import TruckModel

LEAST_SWEPT_DEG = 0.5
"""A wheel that opens sooner after the load was hung was open already: no angle to fit to."""
STAY_SHORT_OF_LIFT_DEG = 0.5
LEAST_U_DEG = 0.05
"""No lift's angle counts as known better than this, a common error aside, deg: frames and tyres
are not that ideal."""
COMMON_ANGLE = "slew zero and scale"
"""What is common to all lifts in the budget of a lift's angle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredLift:
    """The first lift of a hold.

    Attributes:
        side: the way of the slew.
        wheel: which wheel, by the model's name.
        slew_deg: slew angle, deg, negative on the left.
        u_deg: its standard uncertainty, all parts together, deg.
        load_kg: the load, kg.
        radius_m: its distance from the slew axis, m.
        u_load_kg: standard uncertainty of the load, taken as one error common to a test, kg.
        u_radius_m: the same of the radius, m.
        u_zero_deg: the part of ``u_deg`` that is the error of the slew's zero and scale, likewise
            common, deg.
    """

    side: Side
    wheel: str
    slew_deg: float
    u_deg: float
    load_kg: float
    radius_m: float
    u_load_kg: float = 0.0
    u_radius_m: float = 0.0
    u_zero_deg: float = 0.0

    @property
    def u_own_deg(self) -> float:
        """Standard uncertainty of the angle by what errs anew at each lift, deg."""
        return math.sqrt(max(0.0, self.u_deg**2 - self.u_zero_deg**2))


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredStay:
    """Angles swept with every wheel on the ground.

    Attributes:
        side: the way of the slew.
        from_deg: where it began, deg, negative on the left.
        to_deg: where it ended, deg.
        load_kg: the load, kg.
        radius_m: its distance from the slew axis, m.
        u_load_kg: standard uncertainty of the load, kg; common, as that of a lift.
        u_radius_m: the same of the radius, m.
    """

    side: Side
    from_deg: float
    to_deg: float
    load_kg: float
    radius_m: float
    u_load_kg: float = 0.0
    u_radius_m: float = 0.0


def observations_from_result(
    result: Mapping[str, Any],
) -> tuple[tuple[MeasuredLift, ...], tuple[MeasuredStay, ...]]:
    """The lifts and stays of a run, also those at a reduced radius and in broken-off sweeps.

    Of each hold the first lift counts: what opens later opens on a truck that leans already. A
    hold without a known radius tells nothing.

    Args:
        result: a ``slewtrace.result/1`` document.
    """
    lifts: list[MeasuredLift] = []
    stays: list[MeasuredStay] = []
    for sweep in result["sweeps"]:
        for hold in sweep["holds"]:
            if hold["radius_m"] is None:
                continue
            lift = _first_lift(sweep, hold)
            if lift is not None:
                lifts.append(lift)
            stays += _stays(sweep, hold, lift)
    return tuple(lifts), tuple(stays)


def check_wheels(model: TruckModel, lifts: tuple[MeasuredLift, ...]) -> None:
    """Refuses lifts of wheels that the model doesn't know.

    Raises:
        FileInvalid: naming the wheel.
    """
    wheels = [s.name for s in model.supports if s.kind == "wheel"]
    for lift in lifts:
        if lift.wheel not in wheels:
            raise FileInvalid(
                where="test file, [model] supports",
                what=f"no wheel {lift.wheel!r}, though it lifted in the run",
                would_do=f"name it, or one of {', '.join(wheels) or 'none'}, alike in both",
            )


def _first_lift(sweep: Mapping[str, Any], hold: Mapping[str, Any]) -> MeasuredLift | None:
    inside = [lift for lift in _all_lifts(sweep) if hold["start_s"] <= lift["t_s"] < hold["end_s"]]
    if not inside:
        return None
    lift = min(inside, key=lambda entry: float(entry["t_s"]))
    slew_deg = float(lift["estimate_deg"])
    if abs(slew_deg) - min(abs(hold["from_deg"]), abs(hold["to_deg"])) < LEAST_SWEPT_DEG:
        return None
    u_zero_deg = _common_deg(lift)
    own_deg = math.sqrt(max(0.0, float(lift["u_slew_deg"]) ** 2 - u_zero_deg**2))
    return MeasuredLift(
        side=sweep["side"],
        wheel=lift["wheel"],
        slew_deg=slew_deg,
        u_deg=math.hypot(max(own_deg, LEAST_U_DEG), u_zero_deg),
        u_zero_deg=u_zero_deg,
        load_kg=float(hold["load_kg"]),
        radius_m=float(hold["radius_m"]),
        u_load_kg=float(hold.get("u_load_kg") or 0.0),
        u_radius_m=float(hold.get("u_radius_m") or 0.0),
    )


def _common_deg(lift: Mapping[str, Any]) -> float:
    """The part of a lift's uncertainty that all lifts share, deg."""
    parts = (lift.get("budget") or {}).get("contributions", ())
    return math.fsum(float(part["u_y"]) for part in parts if part["name"] == COMMON_ANGLE)


def _all_lifts(sweep: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    if sweep["first_lift"] is not None:
        yield sweep["first_lift"]
    yield from sweep["lifts"]


def _stays(
    sweep: Mapping[str, Any], hold: Mapping[str, Any], lift: MeasuredLift | None
) -> Iterator[MeasuredStay]:
    start, end = sorted((float(hold["from_deg"]), float(hold["to_deg"])), key=abs)
    if lift is not None:
        # The lift says what there is to say about the last degrees before it.
        short = max(STAY_SHORT_OF_LIFT_DEG, 3 * lift.u_deg)
        farthest = max(0.0, abs(lift.slew_deg) - short)
        end = min(abs(end), farthest) * (1 if sweep["side"] == "right" else -1)
    if abs(end) - abs(start) >= LEAST_SWEPT_DEG:
        yield MeasuredStay(
            side=sweep["side"],
            from_deg=start,
            to_deg=end,
            load_kg=float(hold["load_kg"]),
            radius_m=float(hold["radius_m"]),
            u_load_kg=float(hold.get("u_load_kg") or 0.0),
            u_radius_m=float(hold.get("u_radius_m") or 0.0),
        )
