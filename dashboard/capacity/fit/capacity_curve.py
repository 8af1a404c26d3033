"""How much a truck may carry in each direction before a wheel lifts, by its model.

At each slew angle load or radius grows from nothing until the first wheel's closure is zero.
With the wheels held down (``held_down.py``) closure is linear in load and radius as long as no
outrigger opens, so the crossing is looked up on a coarse grid and closed in on by straight lines.
After a fit the same is done for the trucks that the fit leaves possible; the band holds 95 % of
them.

What the curve gives is the moment of the first lift, not of tipping, and it is a computation.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dashboard.capacity.fit.fit_result import ModelFit
from dashboard.capacity.fit.fit_spread import possible_departures
from dashboard.capacity.fit.held_down import HeldDown
from dashboard.capacity.fit.many_trucks import ManyTrucks
from logger.readings.model_table import TruckModel
from logger.readings.quantity import STANDARD_GRAVITY_MPS2

Numbers = NDArray[np.float64]
Growing = Literal["load", "radius"]

MOST = 3.0
"""How far load or radius is followed, in times of the nominal one."""
BAND = (0.025, 0.975)
QUANTILE: Final = "weibull"
"""Between the k-th and the next of n lie 1/(n + 1) of all: so few trucks feign no narrow band."""
_COARSE = np.linspace(0.0, MOST, 13)
_CLOSING_IN = 6
_BAND_STEP_DEG = 3.0
_NEAR = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CapacityCurve:
    """Capacity against slew angle.

    Attributes:
        slew_deg: angles, shape (n,), deg.
        growing: whether the load grew at the radius, or the radius with the load.
        load_kg: the load (the nominal one where it grew), kg.
        radius_m: the radius (the nominal one where it grew), m.
        share: greatest share of the nominal load or radius with every wheel down, shape (n,);
            ``MOST`` where it is that or more.
        low: lower end of the band of it, shape (n,), or None without a fit.
        high: upper end.
        required_nm: required moment M_q, N·m.
    """

    slew_deg: Numbers
    growing: Growing
    load_kg: float
    radius_m: float
    share: Numbers
    low: Numbers | None
    high: Numbers | None
    required_nm: float

    @property
    def nominal_percent(self) -> float:
        """Nominal load × nominal radius, percent of the required moment."""
        return 100 * self.load_kg * self.radius_m * STANDARD_GRAVITY_MPS2 / self.required_nm

    @property
    def percent(self) -> Numbers:
        """Greatest moment, percent of the required moment, shape (n,)."""
        return self.share * self.nominal_percent

    @property
    def most_percent(self) -> float:
        """What ``percent`` says where it is that or more."""
        return MOST * self.nominal_percent

    def band_percent(self) -> tuple[Numbers, Numbers] | None:
        """Ends of the 95 % band, percent of the required moment, or None without a fit."""
        if self.low is None or self.high is None:
            return None
        return self.low * self.nominal_percent, self.high * self.nominal_percent

    def document(self) -> dict[str, Any]:
        """The curve as plain values; null where capacity is beyond what was followed."""
        band = self.band_percent()
        return {
            "growing": self.growing,
            "load_kg": self.load_kg,
            "radius_m": self.radius_m,
            "required_moment_nm": self.required_nm,
            "slew_deg": self.slew_deg.tolist(),
            "percent": self._plain(self.percent),
            "percent_low": None if band is None else self._plain(band[0]),
            "percent_high": None if band is None else self._plain(band[1]),
        }

    def _plain(self, percent: Numbers) -> list[float | None]:
        most = self.most_percent * (1 - 1e-9)
        return [None if value >= most else round(value, 3) for value in percent.tolist()]


def capacity_curve(
    truck: TruckModel | ModelFit,
    *,
    load_kg: float,
    radius_m: float,
    required_nm: float,
    growing: Growing = "radius",
    step_deg: float = 1.0,
    possible: Numbers | None = None,
) -> CapacityCurve:
    """Computes the curve all the way round.

    Args:
        truck: a model, or a fit, which gives the curve a band.
        load_kg: the load, kg; the nominal one where it grows.
        radius_m: the radius, m; the nominal one where it grows.
        required_nm: required moment M_q, N·m.
        growing: what grows until a wheel lifts.
        step_deg: step of the slew angle, deg.
        possible: the fit's ``possible_departures`` where they are at hand.

    Raises:
        ValueError: where a size is not above zero.
    """
    if not min(load_kg, radius_m, required_nm, step_deg) > 0:
        raise ValueError("load, radius, required moment and step must be above zero")
    count = int(180 / step_deg + 1e-9)
    slew = np.asarray(step_deg * np.arange(-count, count + 1), dtype=np.float64)
    model = truck.model if isinstance(truck, ModelFit) else truck
    share = greatest_share(model, slew, load_kg=load_kg, radius_m=radius_m, growing=growing)
    low = high = None
    if isinstance(truck, ModelFit):
        departures = possible_departures(truck) if possible is None else possible
        low, high = _band(
            truck, departures, slew, share, load_kg=load_kg, radius_m=radius_m, growing=growing
        )
    return CapacityCurve(
        slew_deg=slew,
        growing=growing,
        load_kg=load_kg,
        radius_m=radius_m,
        share=share,
        low=low,
        high=high,
        required_nm=required_nm,
    )


def greatest_share(
    model: TruckModel,
    slew_deg: ArrayLike,
    *,
    load_kg: float,
    radius_m: float,
    growing: Growing = "radius",
) -> Numbers:
    """The share of load or radius at which the first wheel's closure is zero.

    Args:
        model: the truck.
        slew_deg: slew angles, shape (n,), deg.
        load_kg: nominal load, kg.
        radius_m: nominal radius, m.
        growing: which of them is shared.

    Returns:
        Shape (n,): 0 where a wheel is up without it, ``MOST`` where none lifts up to there.
    """
    held = HeldDown(model)
    slew = np.atleast_1d(np.asarray(slew_deg, dtype=np.float64))

    def closure(share: Numbers) -> Numbers:
        load = share * load_kg if growing == "load" else np.full(slew.shape, load_kg)
        radius = share * radius_m if growing == "radius" else np.full(slew.shape, radius_m)
        return held.closure_m(slew, load, radius)

    return _closed_in(closure, *_bracket(held, slew, load_kg, radius_m, growing))


def _closed_in(closure: Callable[[Numbers], Numbers], low: Numbers, high: Numbers) -> Numbers:
    """Shares at which the first wheel's closure is zero, between a lower and an upper one.

    Args:
        closure: closures of all wheels for shares, with one axis more.
        low: lower shares.
        high: upper shares.
    """
    at_low, at_high = closure(low), closure(high)
    share = _crossing(low, high, at_low, at_high)
    for _ in range(_CLOSING_IN):
        here = closure(np.clip(share, 0.0, 2 * MOST))
        least = here.min(axis=-1)
        if (np.abs(least) <= 1e-9 + 1e-6 * np.abs(at_low).max(axis=-1)).all():
            break
        up = least > 0
        low, high = np.where(up, share, low), np.where(up, high, share)
        at_low = np.where(up[..., np.newaxis], here, at_low)
        at_high = np.where(up[..., np.newaxis], at_high, here)
        share = _crossing(low, high, at_low, at_high)
    return np.asarray(np.clip(share, 0.0, MOST))


def _bracket(
    held: HeldDown, slew: Numbers, load_kg: float, radius_m: float, growing: Growing
) -> tuple[Numbers, Numbers]:
    """The last share on the coarse grid with every wheel down, and the one after it."""
    share, angle = (g.ravel() for g in np.meshgrid(_COARSE, slew, indexing="ij"))
    load = share * load_kg if growing == "load" else np.full(share.shape, load_kg)
    radius = share * radius_m if growing == "radius" else np.full(share.shape, radius_m)
    closure = held.closure_m(angle, load, radius).min(axis=1).reshape(len(_COARSE), -1)
    up = closure <= 0
    first = np.where(up.any(axis=0), up.argmax(axis=0), len(_COARSE) - 1)
    first = np.maximum(first, 1)
    return _COARSE[first - 1], _COARSE[first]


def _crossing(low: Numbers, high: Numbers, at_low: Numbers, at_high: Numbers) -> Numbers:
    """The least share at which a straight line through a wheel's two closures falls to zero."""
    run = (high - low)[..., np.newaxis]
    fall = at_low - at_high
    with np.errstate(divide="ignore", invalid="ignore"):
        zero = np.where(fall > 0, low[..., np.newaxis] + run * at_low / fall, np.inf)
    return np.asarray(np.minimum(zero.min(axis=-1), 4 * MOST))


def _band(
    fit: ModelFit,
    departures: Numbers,
    slew: Numbers,
    share: Numbers,
    *,
    load_kg: float,
    radius_m: float,
    growing: Growing,
) -> tuple[Numbers, Numbers]:
    coarse = np.linspace(-180.0, 180.0, round(360 / _BAND_STEP_DEG) + 1)
    around = np.interp(coarse, slew, share)
    many = ManyTrucks(fit.given, fit.free)

    def closure(part: Numbers) -> Numbers:
        load = part * load_kg if growing == "load" else load_kg
        radius = part * radius_m if growing == "radius" else radius_m
        return many.closure_m(departures, coarse, load, radius)

    # Trucks much like the fitted one carry much like it.
    near = np.tile(around, (len(departures), 1))
    of_truck = _closed_in(closure, np.clip(near - _NEAR, 0.0, None), near + _NEAR)
    # What the trucks are off from the fitted one is smoother than what they carry.
    off = np.quantile(of_truck - around, BAND, axis=0, method=QUANTILE)
    low, high = (share + np.interp(slew, coarse, edge) for edge in off)
    return np.clip(low, 0.0, MOST), np.clip(high, 0.0, MOST)
