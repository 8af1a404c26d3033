"""The least ballast that keeps every wheel down, and where it lies.

With the wheels held down (``held_down.py``) each wheel's closure at each slew angle is linear in
the ballast's mass and its two first moments, so the least mass within a rectangle is a linear
programme. An outrigger that opens, a twisting frame or a suspension with droop bends it: then the
programme is solved again about its last answer until that stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.fit.held_down import HeldDown
from dashboard.capacity.truck.truck_model import with_mass
from logger.readings.model_table import TruckModel

Numbers = NDArray[np.float64]

BALLAST = "ballast to be added"
_ROUNDS = 12
_TOLERANCE = 2e-4
"""By this share of itself a ballast may be short when the search ends."""
_NEAREST = 24
_ANGLE_STEP_DEG = 1.0
_BETWEEN_ANGLES = 5e-5
"""Share of a wheel's swing that it may dip between two angles (1 − cos 0.5° is 3.8e-5)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AllRound:
    """What a truck should carry without a lift.

    Attributes:
        load_kg: the load, kg.
        radius_m: its radius, m.
        limit_right_deg: how far the boom slews on the right, deg.
        limit_left_deg: on the left, deg, as a size.
    """

    load_kg: float
    radius_m: float
    limit_right_deg: float = 180.0
    limit_left_deg: float = 180.0

    @property
    def slew_deg(self) -> Numbers:
        """The angles to look at, deg."""
        count = int(np.ceil((self.limit_left_deg + self.limit_right_deg) / _ANGLE_STEP_DEG))
        return np.linspace(-self.limit_left_deg, self.limit_right_deg, count + 1)

    def closure_m(self, model: TruckModel) -> Numbers:
        """Closure of each wheel at each angle, shape (angles, wheels), m."""
        return HeldDown(model).closure_m(self.slew_deg, self.load_kg, self.radius_m)

    def spare_m(self, model: TruckModel) -> float:
        """How far the wheel nearest to lifting is from it, m; below zero where one lifts."""
        closure = self.closure_m(model)
        return float((closure.min(axis=0) - _BETWEEN_ANGLES * np.ptp(closure, axis=0)).min())


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A rectangle on the truck where ballast may lie, m in the vehicle frame."""

    x_m: tuple[float, float]
    y_m: tuple[float, float]

    def __post_init__(self) -> None:
        """Refuses a rectangle turned inside out.

        Raises:
            ValueError: where an upper end lies below the lower one.
        """
        if self.x_m[0] > self.x_m[1] or self.y_m[0] > self.y_m[1]:
            raise ValueError(
                f"a place from {self.x_m[0]:g} to {self.x_m[1]:g} m along the truck, "
                f"{self.y_m[0]:g} to {self.y_m[1]:g} m across; the lower end first"
            )

    @property
    def is_point(self) -> bool:
        """Whether it is a single point."""
        return self.x_m[0] == self.x_m[1] and self.y_m[0] == self.y_m[1]

    @property
    def middle_m(self) -> tuple[float, float]:
        """Its middle, m."""
        return sum(self.x_m) / 2, sum(self.y_m) / 2

    @classmethod
    def at(cls, x_m: float, y_m: float) -> Place:
        """One point."""
        return cls(x_m=(x_m, x_m), y_m=(y_m, y_m))


def bed_of(model: TruckModel) -> Place:
    """Where a bed would be: from the rearmost wheels over 60 % of the wheelbase, within the track.

    Common practice of a truck with its cab in front, no source; a person who knows the truck
    gives the place instead.
    """
    wheels = [s.at_m for s in model.supports if s.kind == "wheel"]
    rear, front = min(x for x, _ in wheels), max(x for x, _ in wheels)
    half = max(abs(y) for _, y in wheels)
    return Place(x_m=(rear, rear + 0.6 * (front - rear)), y_m=(-half, half))


@dataclass(frozen=True, slots=True, kw_only=True)
class Ballast:
    """A mass and its place.

    Attributes:
        mass_kg: mass, kg.
        at_m: place in the vehicle frame, m.
    """

    mass_kg: float
    at_m: tuple[float, float]

    def on(self, model: TruckModel) -> TruckModel:
        """A truck with it."""
        return with_mass(model, BALLAST, self.mass_kg, self.at_m)


def least_ballast(
    model: TruckModel, wanted: AllRound, place: Place, *, most_kg: float
) -> Ballast | None:
    """The least mass within a rectangle with which no wheel lifts.

    Args:
        model: the truck.
        wanted: what it should carry.
        place: where the ballast may lie.
        most_kg: the most mass that is thought of, kg.

    Returns:
        The ballast, 0 kg where none is needed, or None where no mass up to the most would do.
    """
    if wanted.spare_m(model) >= 0:
        return Ballast(mass_kg=0.0, at_m=place.middle_m)
    ballast = Ballast(mass_kg=most_kg / 4, at_m=place.middle_m)
    good: Ballast | None = None
    for _ in range(_ROUNDS):
        found = _programme(model, wanted, place, ballast, most_kg)
        if found is None:
            break
        settled = abs(found.mass_kg - ballast.mass_kg) <= 1e-6 * most_kg
        ballast = found
        if wanted.spare_m(ballast.on(model)) >= -1e-9:
            if good is None or ballast.mass_kg < good.mass_kg:
                good = ballast
            if settled:
                break
    return None if good is None else _a_little_more(model, wanted, good)


def _a_little_more(model: TruckModel, wanted: AllRound, least: Ballast) -> Ballast:
    """A ballast that is not short by what the search can't tell, unless more would do harm."""
    more = replace(least, mass_kg=least.mass_kg * (1 + _TOLERANCE))
    helps = wanted.spare_m(more.on(model)) > wanted.spare_m(least.on(model))
    return more if helps else least


def _programme(
    model: TruckModel, wanted: AllRound, place: Place, around: Ballast, most_kg: float
) -> Ballast | None:
    """The least mass by the straight lines about a ballast."""
    (x, y), mass = around.at_m, max(around.mass_kg, 1.0)
    here = wanted.closure_m(Ballast(mass_kg=mass, at_m=(x, y)).on(model))
    spare = here - _BETWEEN_ANGLES * np.ptp(here, axis=0)
    by_mass = _slope(model, wanted, here, Ballast(mass_kg=mass * 1.001, at_m=(x, y)), mass * 0.001)
    if place.is_point:
        return _least_at(by_mass.ravel(), (by_mass * mass - spare).ravel(), (x, y), most_kg)
    along = _slope(model, wanted, here, Ballast(mass_kg=mass, at_m=(x + 0.001, y)), 0.001) / mass
    across = _slope(model, wanted, here, Ballast(mass_kg=mass, at_m=(x, y + 0.001)), 0.001) / mass
    slopes = np.stack([by_mass - along * x - across * y, along, across], axis=-1)
    needed = slopes @ np.array([mass, mass * x, mass * y]) - spare
    # Each wheel's angles nearest to a lift; the rest is looked at when the answer is tried.
    nearest = np.argsort(spare, axis=0)[:_NEAREST]
    rows = np.take_along_axis(slopes, nearest[..., np.newaxis], axis=0).reshape(-1, 3)
    return _least_within(rows, np.take_along_axis(needed, nearest, axis=0).ravel(), place, most_kg)


def _least_at(
    slope: Numbers, needed: Numbers, at_m: tuple[float, float], most_kg: float
) -> Ballast | None:
    """The least mass at a point with slope · mass ≥ needed in every row."""
    with np.errstate(divide="ignore", invalid="ignore"):
        bound = needed / slope
    low = float(bound[slope > 0].max(initial=0.0))
    high = float(bound[slope < 0].min(initial=most_kg))
    if low > high or bool((needed[slope == 0] > 0).any()):
        return None
    return Ballast(mass_kg=low, at_m=at_m)


def _least_within(rows: Numbers, needed: Numbers, place: Place, most_kg: float) -> Ballast | None:
    """The least mass within a rectangle with rows · (m, m·x, m·y) ≥ needed."""
    from scipy.optimize import linprog  # noqa: PLC0415 - slow to import

    scale = np.abs(rows[:, 0]).max()
    # Mass in shares of the most, so that the programme's numbers are of order one.
    solution = linprog(
        [1.0, 0.0, 0.0],
        A_ub=np.vstack([-rows / scale, _within(place)]),
        b_ub=np.concatenate([-needed / scale / most_kg, np.zeros(4)]),
        bounds=[(0.0, 1.0), (None, None), (None, None)],
        method="highs",
    )
    if solution.status != 0 or solution.x is None or solution.x[0] <= 0:
        return None
    share, share_x, share_y = solution.x
    at_m = (
        float(np.clip(share_x / share, *place.x_m)),
        float(np.clip(share_y / share, *place.y_m)),
    )
    return Ballast(mass_kg=float(share * most_kg), at_m=at_m)


def _slope(
    model: TruckModel, wanted: AllRound, here: Numbers, other: Ballast, step: float
) -> Numbers:
    return np.asarray((wanted.closure_m(other.on(model)) - here) / step)


def _within(place: Place) -> Numbers:
    """Rows that keep first moments within the place: x_low · m ≤ m·x ≤ x_high · m."""
    return np.array(
        [
            [place.x_m[0], -1.0, 0.0],
            [-place.x_m[1], 1.0, 0.0],
            [place.y_m[0], 0.0, -1.0],
            [-place.y_m[1], 0.0, 1.0],
        ]
    )
