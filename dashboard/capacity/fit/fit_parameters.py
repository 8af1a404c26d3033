"""What of a truck a fit may change, within which bounds.

Free are the place of the centre of all fixed masses and the stiffness of groups of supports.
Stiffness is fitted as a ratio to one group that is held as given: forces that balance stay in
balance when all springs are softer alike, so no lift tells their common scale (preloads, given
in mm, scale with it).

Where nothing better is stated, a parameter may lie anywhere within its bounds: a rectangular
distribution whose standard uncertainty is half its width over √3 (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.readings.model_table import Support, TruckModel

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FitLimits:
    """How far the fit may go from what the test file says.

    Attributes:
        centre_m: centre of the fixed masses, either way along and across, m.
        stiffness_factor: stiffness from 1/factor to factor times the given one.
        preload_m: preload of the outriggers, either way, m.
        u_centre_m: standard uncertainty of the given centre, m, where it was weighed.
        u_stiffness: relative standard uncertainty of a given stiffness, where it was measured.
        u_preload_m: standard uncertainty of a given preload, m.
    """

    centre_m: float = 0.15
    stiffness_factor: float = 2.0
    preload_m: float = 0.003
    u_centre_m: float | None = None
    u_stiffness: float | None = None
    u_preload_m: float | None = None

    def __post_init__(self) -> None:
        """Refuses limits that leave no room.

        Raises:
            ValueError: naming the limit.
        """
        if not 0 < self.centre_m < math.inf:
            raise ValueError(f"the centre may move by {self.centre_m:g} m; it must be above 0")
        if not 1 < self.stiffness_factor < math.inf:
            raise ValueError(f"a stiffness factor of {self.stiffness_factor:g}; above 1 will do")
        if not 0 < self.preload_m < math.inf:
            raise ValueError(f"preload may change by {self.preload_m:g} m; it must be above 0")
        for stated in (self.u_centre_m, self.u_stiffness, self.u_preload_m):
            if stated is not None and not 0 < stated < math.inf:
                raise ValueError(f"a standard uncertainty of {stated:g}; it must be above 0")


def limits_of(model: TruckModel) -> FitLimits:
    """The limits that a truck's table states, or the usual ones."""
    stated = model.bounds
    return FitLimits(
        centre_m=stated.centre_m,
        stiffness_factor=stated.stiffness,
        preload_m=stated.preload_m,
        u_centre_m=stated.centre_u_m,
        u_stiffness=stated.stiffness_u,
        u_preload_m=stated.preload_u_m,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Free:
    """A parameter that the fit may change, as a departure from the given truck.

    Attributes:
        name: its name in documents.
        words: what it is, for a sentence.
        unit: ``m``, or ``1`` for a stiffness, whose departure is the logarithm of its factor.
        half_width: the departure's bound either way.
        u_before: standard uncertainty of the departure before the fit.
        stated: whether that was stated, rather than taken from the bounds.
    """

    name: str
    words: str
    unit: str
    half_width: float
    u_before: float
    stated: bool

    def value(self, departure: float) -> float:
        """A departure as people read it: m, or a stiffness factor."""
        return math.exp(departure) if self.unit == "1" else departure


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Supports that share a stiffness factor."""

    name: str
    words: str
    members: frozenset[str]


def groups_of(model: TruckModel) -> tuple[Group, ...]:
    """Front wheels, rear wheels and outriggers, as far as the truck has them, the held one first.

    Wheels before the middle of the wheelbase are front wheels.
    """
    wheels = [s for s in model.supports if s.kind == "wheel"]
    ends = [s.at_m[0] for s in wheels] or [0.0]
    middle = (min(ends) + max(ends)) / 2
    rear = [s for s in wheels if s.at_m[0] <= middle]
    found = (
        ("rear", "the rear wheels' stiffness", rear),
        ("front", "the front wheels' stiffness", [s for s in wheels if s.at_m[0] > middle]),
        (
            "outriggers",
            "the outriggers' stiffness",
            [s for s in model.supports if s.kind == "outrigger"],
        ),
    )
    return tuple(
        Group(name=name, words=words, members=frozenset(s.name for s in members))
        for name, words, members in found
        if members
    )


def free_parameters(model: TruckModel, limits: FitLimits) -> tuple[Free, ...]:
    """The parameters of a truck that a fit may change."""
    found = [
        _free(f"centre_{axis}_m", words, "m", limits.centre_m, limits.u_centre_m)
        for axis, words in (
            ("x", "the centre's place along the truck"),
            ("y", "the centre's place across the truck"),
        )
    ]
    found += [
        _free(
            f"stiffness_{group.name}",
            group.words,
            "1",
            math.log(limits.stiffness_factor),
            limits.u_stiffness,
        )
        for group in groups_of(model)[1:]
    ]
    if any(s.kind == "outrigger" for s in model.supports):
        found.append(
            _free(
                "preload_outriggers_m",
                "the outriggers' preload",
                "m",
                limits.preload_m,
                limits.u_preload_m,
            )
        )
    return tuple(found)


def _free(name: str, words: str, unit: str, half_width: float, stated: float | None) -> Free:
    return Free(
        name=name,
        words=words,
        unit=unit,
        half_width=half_width,
        u_before=half_width / math.sqrt(3) if stated is None else stated,
        stated=stated is not None,
    )


def changed(model: TruckModel, free: Sequence[Free], departure: Numbers) -> TruckModel:
    """The truck with departures applied.

    Args:
        model: the given truck.
        free: the parameters.
        departure: shape (parameters,), m or logarithms of factors.
    """
    by_name = dict(zip((p.name for p in free), departure.tolist(), strict=True))
    dx, dy = by_name["centre_x_m"], by_name["centre_y_m"]
    factors = {
        member: math.exp(by_name.get(f"stiffness_{group.name}", 0.0))
        for group in groups_of(model)
        for member in group.members
    }
    preload_m = by_name.get("preload_outriggers_m", 0.0)
    return model.model_copy(
        update={
            "masses": tuple(
                m.model_copy(update={"at_m": (m.at_m[0] + dx, m.at_m[1] + dy)})
                for m in model.masses
            ),
            "supports": tuple(
                s.model_copy(update=_support_update(s, factors[s.name], preload_m))
                for s in model.supports
            ),
        }
    )


def _support_update(support: Support, factor: float, preload_m: float) -> dict[str, float]:
    update = {"stiffness_npm": support.stiffness_npm * factor}
    if support.kind == "outrigger":
        update["preload_m"] = support.preload_m + preload_m
    return update


def all_fixed_centre_m(model: TruckModel) -> tuple[float, float]:
    """The centre of all fixed masses, m in the vehicle frame."""
    total = sum(m.mass_kg for m in model.masses)
    x = sum(m.mass_kg * m.at_m[0] for m in model.masses) / total
    return x, sum(m.mass_kg * m.at_m[1] for m in model.masses) / total
