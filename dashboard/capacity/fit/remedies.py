"""What would let a truck carry its full rating all the way round, by its model.

Ballast, outriggers set wider, another preload, and where none of it is wanted the rating that
holds all round. Each comes with its number or with the reason why it can't do it; each number is
tried on the model before it is told. A computation, no proof: a changed truck is tested anew.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.fit.ballast import AllRound, Ballast, Place, bed_of, least_ballast
from dashboard.capacity.fit.capacity_curve import greatest_share
from dashboard.capacity.fit.fit_result import ModelFit, fitted_truck
from dashboard.capacity.fit.outriggers_set import (
    least_change,
    preload_outriggers,
    spread_outriggers,
    stays_down,
)
from logger.readings.model_table import TruckModel
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

Numbers = NDArray[np.float64]
Kind = Literal["ballast", "ballast in the middle", "wider outriggers", "preload", "lower rating"]

CAUTIONS = (
    "These are computations of the model, not proofs: after any change the truck is tested anew.",
    (
        "Axle loads, gross mass, the frame's strength and the ground are not looked at here; the "
        "competent person decides."
    ),
)
_WIDEST_M = 1.5
_MOST_PRELOAD_M = 0.015
SURE = 0.95
"""Share of the possible trucks that a ballast for sure holds down."""
_TRUCKS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One thing that might be done.

    Attributes:
        kind: which.
        works: whether it lets every wheel stay down all round.
        amount: how much of it, in ``unit``; None where it can't do it.
        unit: ``kg``, ``m`` or ``%``.
        at_m: where, for ballast, m in the vehicle frame.
        sure_amount: how much holds 95 of 100 trucks that the fit leaves possible; None without
            a fit, or where more than the most would be needed.
        text: all that in a sentence.
    """

    kind: Kind
    works: bool
    amount: float | None
    unit: str
    at_m: tuple[float, float] | None = None
    sure_amount: float | None = None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedies:
    """All that might be done.

    Attributes:
        needed: whether the model lifts a wheel at all.
        remedies: one of each kind; empty where none is needed.
        cautions: what goes with them.
    """

    needed: bool
    remedies: tuple[Remedy, ...]
    cautions: tuple[str, ...] = CAUTIONS

    def document(self) -> dict[str, Any]:
        """The remedies as plain values."""
        return {
            "needed": self.needed,
            "remedies": [
                asdict(r) | {"at_m": None if r.at_m is None else list(r.at_m)}
                for r in self.remedies
            ],
            "cautions": list(self.cautions),
        }


def find_remedies(
    truck: TruckModel | ModelFit,
    wanted: AllRound,
    *,
    required_nm: float,
    place: Place | None = None,
    most_kg: float | None = None,
    possible: Numbers | None = None,
) -> Remedies:
    """Looks for what would let the truck carry the load all round.

    Args:
        truck: a model, or a fit.
        wanted: load, radius and how far the boom slews.
        required_nm: required moment M_q, N·m.
        place: where ballast may lie; by default a bed behind the cab.
        most_kg: the most ballast thought of, kg; by default the mass of the truck.
        possible: the fit's ``possible_departures``, which give the amount that is sure.
    """
    model = truck.model if isinstance(truck, ModelFit) else truck
    if not any(s.kind == "wheel" for s in model.supports) or stays_down(model, wanted):
        return Remedies(needed=False, remedies=())
    place = place or bed_of(model)
    most = most_kg or sum(m.mass_kg for m in model.masses)
    trucks = []
    if isinstance(truck, ModelFit) and possible is not None:
        some = possible[:: max(1, len(possible) // _TRUCKS)]
        trucks = [fitted_truck(truck, departure) for departure in some]
    return Remedies(
        needed=True,
        remedies=(
            _ballast("ballast", model, wanted, place, most_kg=most, trucks=trucks),
            _ballast(
                "ballast in the middle",
                model,
                wanted,
                Place.at(*place.middle_m),
                most_kg=most,
                trucks=trucks,
            ),
            _wider(model, wanted),
            _preload(model, wanted),
            _rating(model, wanted, required_nm),
        ),
    )


def _ballast(
    kind: Kind,
    model: TruckModel,
    wanted: AllRound,
    place: Place,
    *,
    most_kg: float,
    trucks: list[TruckModel],
) -> Remedy:
    found = least_ballast(model, wanted, place, most_kg=most_kg)
    if found is None or not stays_down(found.on(model), wanted):
        return Remedy(
            kind=kind,
            works=False,
            amount=None,
            unit="kg",
            text=f"Ballast {_where(place)} can't do it: no mass up to {most_kg:.0f} kg keeps every "
            "wheel down all round; what holds one wheel down lifts another, or is too little.",
        )
    sure = _sure_kg(found, wanted, most_kg, trucks)
    more = ""
    if trucks:
        more = (
            f" For 95 of 100 trucks that the test leaves possible: {math.ceil(sure)} kg."
            if sure is not None
            else f" No mass up to {most_kg:.0f} kg there is sure, by what the test leaves possible."
        )
    x, y = found.at_m
    return Remedy(
        kind=kind,
        works=True,
        amount=found.mass_kg,
        unit="kg",
        at_m=found.at_m,
        sure_amount=sure,
        text=f"At least {math.ceil(found.mass_kg)} kg of ballast at {_place_words(x, y)}.{more}",
    )


def _sure_kg(
    found: Ballast, wanted: AllRound, most_kg: float, trucks: list[TruckModel]
) -> float | None:
    if not trucks:
        return None
    needed = []
    for truck in trucks:
        one = least_ballast(truck, wanted, Place.at(*found.at_m), most_kg=most_kg)
        needed.append(math.inf if one is None else one.mass_kg)
    sure = float(np.quantile(needed, SURE, method="higher"))
    return sure if math.isfinite(sure) else None


def _where(place: Place) -> str:
    if place.is_point:
        return f"at {_place_words(place.x_m[0], place.y_m[0])}"
    return (
        f"from {place.x_m[0]:.2f} to {place.x_m[1]:.2f} m before the rear axle, within "
        f"{max(map(abs, place.y_m)):.2f} m of the middle"
    )


def _place_words(x_m: float, y_m: float) -> str:
    along = f"{abs(x_m):.2f} m {'before' if x_m >= 0 else 'behind'} the rear axle"
    if abs(y_m) < 0.005:
        return f"{along}, in the middle"
    return f"{along}, {abs(y_m):.2f} m to the {'left' if y_m > 0 else 'right'}"


def _wider(model: TruckModel, wanted: AllRound) -> Remedy:
    if not any(s.kind == "outrigger" for s in model.supports):
        return Remedy(
            kind="wider outriggers",
            works=False,
            amount=None,
            unit="m",
            text="Wider outriggers can't do it: the model has none.",
        )
    by_m = least_change(lambda m: spread_outriggers(model, m), wanted, _WIDEST_M)
    if by_m is None:
        return Remedy(
            kind="wider outriggers",
            works=False,
            amount=None,
            unit="m",
            text=f"Wider outriggers can't do it: even {_WIDEST_M:g} m farther out a wheel lifts; "
            "they hold up their own side and not the wheel that lifts.",
        )
    return Remedy(
        kind="wider outriggers",
        works=True,
        amount=by_m,
        unit="m",
        text=f"Every outrigger at least {math.ceil(by_m * 1000)} mm farther out, where the crane "
        "allows it.",
    )


def _preload(model: TruckModel, wanted: AllRound) -> Remedy:
    if not any(s.kind == "outrigger" for s in model.supports):
        return Remedy(
            kind="preload",
            works=False,
            amount=None,
            unit="m",
            text="Preload can't do it: the model has no outriggers.",
        )
    more_m = least_change(lambda m: preload_outriggers(model, m), wanted, _MOST_PRELOAD_M)
    less_m = least_change(lambda m: preload_outriggers(model, -m), wanted, _MOST_PRELOAD_M)
    changes_m = [] if more_m is None else [more_m]
    changes_m += [] if less_m is None else [-less_m]
    if not changes_m:
        return Remedy(
            kind="preload",
            works=False,
            amount=None,
            unit="m",
            text=f"Another preload can't do it: with {_MOST_PRELOAD_M * 1000:g} mm more or less a "
            "wheel still lifts. What the outriggers carry more, the wheels carry less.",
        )
    change_m = min(changes_m, key=abs)
    return Remedy(
        kind="preload",
        works=True,
        amount=change_m,
        unit="m",
        text=f"The outriggers set down at least {abs(change_m) * 1000:.1f} mm "
        f"{'harder' if change_m > 0 else 'softer'}"
        + ("." if change_m > 0 else ": what they carry less, the wheels carry more."),
    )


def _rating(model: TruckModel, wanted: AllRound, required_nm: float) -> Remedy:
    share = greatest_share(
        model, wanted.slew_deg, load_kg=wanted.load_kg, radius_m=wanted.radius_m
    ).min()
    nominal = wanted.load_kg * wanted.radius_m * STANDARD_GRAVITY_MPS2 / required_nm
    percent = min(100.0, math.floor(100 * nominal * share - 1e-6))
    return Remedy(
        kind="lower rating",
        works=percent > 0,
        amount=percent if percent > 0 else None,
        unit="%",
        text=f"A rating of {percent:g} % all round, with the truck as it is."
        if percent > 0
        else "A lower rating can't do it: a wheel lifts under the boom alone.",
    )
