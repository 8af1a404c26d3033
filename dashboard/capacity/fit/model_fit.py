"""The truck model fitted to measured lifts.

Least squares on the residuals of lifts and stays together with what was known before, from
several starting points within the bounds; the covariance is the inverse of JᵀJ at the optimum,
with the rows of what was known before, so that a parameter that the lifts can't tell keeps the
uncertainty that it had.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.fit.fit_parameters import (
    FitLimits,
    Free,
    all_fixed_centre_m,
    free_parameters,
    limits_of,
)
from dashboard.capacity.fit.fit_residuals import COMMON_ERRORS, Residuals
from dashboard.capacity.fit.fit_result import FittedParameter, ModelFit
from dashboard.capacity.fit.identifiability import Identifiability, identify
from dashboard.capacity.fit.measured_lifts import MeasuredLift, MeasuredStay, check_wheels
from logger.errors import BadInput
from logger.readings.model_table import TruckModel

UNLIKELY = 0.01
"""A worse fit than this probability is none: the model does not explain the lifts."""
FAR_OFF_U = 3.5
"""A single lift farther off than this many standard uncertainties is not explained."""

Numbers = NDArray[np.float64]
_STARTS = ((0.0, 0.0), (0.8, 0.8), (0.8, -0.8), (-0.8, 0.8), (-0.8, -0.8))
"""Starting points: the first two parameters, over their uncertainties before the fit."""
_RESCALINGS = 4
_SETTLED = 1e-3
_GOOD = 1.5
"""Sum of squares for each lift that no other start need better."""


def fit_model(
    model: TruckModel,
    lifts: Sequence[MeasuredLift],
    stays: Sequence[MeasuredStay] = (),
    *,
    limits: FitLimits | None = None,
) -> ModelFit:
    """Fits a truck to what a test showed.

    Args:
        model: the given truck.
        lifts: the lifts, of one or more runs of this truck.
        stays: angles swept with every wheel down.
        limits: how far the truck may be from what is given; by default what its table says.

    Raises:
        FileInvalid: where a lifted wheel is not in the model.
        BadInput: where there is nothing to fit to.
    """
    lifts, stays = tuple(lifts), tuple(stays)
    if not lifts and not stays:
        raise BadInput(
            where="fit of the truck model",
            what="the run holds no wheel lift and no swept stretch with a known radius",
            would_do="fit a run with a sweep in it",
        )
    check_wheels(model, lifts)
    free = free_parameters(model, limits or limits_of(model))
    residuals = Residuals(model, free, lifts, stays)
    best = _solve(residuals)
    return _describe(model, residuals, best, free=free, lifts=lifts, stays=stays)


def _solve(residuals: Residuals) -> Numbers:
    """The unknowns with the least sum of squares.

    The given truck is the first start. Where that ends in a good fit no other can be much
    better; else all are tried.
    """
    best, least = np.zeros(residuals.unknowns), math.inf
    for start in _STARTS:
        unknown = np.zeros(residuals.unknowns)
        unknown[:2] = start
        for _ in range(_RESCALINGS):
            residuals.rescale(unknown)
            unknown, before = _least(residuals, unknown), unknown
            if np.abs(unknown - before).max() < _SETTLED:
                break
        residuals.rescale(unknown)
        cost = _cost(residuals, unknown)
        if cost < least:
            best, least = unknown, cost
        if least <= _GOOD * max(residuals.lifts, 1):
            break
    residuals.rescale(best)
    return best


def _least(residuals: Residuals, start: Numbers) -> Numbers:
    from scipy.optimize import least_squares  # noqa: PLC0415 - slow to import

    own = np.eye(residuals.unknowns)
    bounds = residuals.bounds

    def error(unknown: Numbers) -> Numbers:
        return np.concatenate((residuals(unknown), unknown))

    def slope(unknown: Numbers) -> Numbers:
        return np.vstack((residuals.jacobian(unknown), own))

    solution = least_squares(
        error,
        np.clip(start, -0.999 * bounds, 0.999 * bounds),
        jac=slope,
        bounds=(-bounds, bounds),
        xtol=1e-7,
        ftol=1e-7,
        max_nfev=40,
    )
    return np.asarray(solution.x)


def _cost(residuals: Residuals, unknown: Numbers) -> float:
    return float((residuals(unknown) ** 2).sum() + (unknown**2).sum())


def _describe(
    model: TruckModel,
    residuals: Residuals,
    unknown: Numbers,
    *,
    free: tuple[Free, ...],
    lifts: tuple[MeasuredLift, ...],
    stays: tuple[MeasuredStay, ...],
) -> ModelFit:
    from scipy.special import chdtrc  # noqa: PLC0415 - the command line starts without it

    # A stay bounds from one side only: near its bound it would feign more than it tells.
    jacobian = residuals.jacobian(unknown)[: len(lifts)]
    inverse = np.linalg.inv(jacobian.T @ jacobian + np.eye(residuals.unknowns))
    u_before = np.array([p.u_before for p in free])
    covariance = np.asarray(
        inverse[: len(free), : len(free)] * np.outer(u_before, u_before), dtype=np.float64
    )
    at_bound = np.abs(unknown[: len(free)]) > 0.998 * residuals.bounds[: len(free)]
    told = identify(free, _without_common(jacobian), np.sqrt(np.diag(covariance)))
    truck = residuals.truck(unknown)
    off_u = residuals(unknown)[: len(lifts)]
    chi_square = _cost(residuals, unknown)
    probability = float(chdtrc(max(len(lifts), 1), chi_square))
    off_deg = residuals.off_deg(truck)
    explains = probability >= UNLIKELY and bool((np.abs(off_u) <= FAR_OFF_U).all())
    return ModelFit(
        given=model,
        model=truck,
        lifts=lifts,
        stays=stays,
        free=free,
        departure=residuals.departure(unknown),
        unknown=unknown,
        covariance=covariance,
        parameters=_parameters(
            model,
            free,
            residuals.departure(unknown),
            covariance=covariance,
            at_bound=at_bound,
            told=told,
        ),
        off_deg=off_deg,
        off_u=off_u,
        chi_square=chi_square,
        degrees_of_freedom=len(lifts),
        probability=probability,
        explains=explains,
        verdict=_verdict(lifts, off_deg, off_u, explains=explains, probability=probability),
        identifiability=told,
    )


def _without_common(jacobian: Numbers) -> Numbers:
    """The truck's columns, rows weighted as the common errors leave them."""
    common = jacobian[:, -COMMON_ERRORS:]
    spread = np.linalg.inv(np.eye(len(jacobian)) + common @ common.T)
    root = np.linalg.cholesky(spread).T
    return np.asarray(root @ jacobian[:, :-COMMON_ERRORS])


def _parameters(
    model: TruckModel,
    free: tuple[Free, ...],
    departure: Numbers,
    *,
    covariance: Numbers,
    at_bound: NDArray[np.bool_],
    told: Identifiability,
) -> tuple[FittedParameter, ...]:
    centre_m = dict(zip(("centre_x_m", "centre_y_m"), all_fixed_centre_m(model), strict=True))
    found = []
    for index, p in enumerate(free):
        origin = centre_m.get(p.name, 0.0)
        found.append(
            FittedParameter(
                name=p.name,
                words=p.words,
                unit=p.unit,
                value=origin + p.value(float(departure[index])),
                given=origin + p.value(0.0),
                u=math.sqrt(covariance[index, index]),
                u_before=p.u_before,
                low=origin + p.value(-p.half_width),
                high=origin + p.value(p.half_width),
                at_bound=bool(at_bound[index]),
                told=told.told[index],
                tied_to=told.partners[index],
            )
        )
    return tuple(found)


def _verdict(
    lifts: tuple[MeasuredLift, ...],
    off_deg: Numbers,
    off_u: Numbers,
    *,
    explains: bool,
    probability: float,
) -> str:
    if not lifts:
        return (
            "No wheel lifted, so the lifts tell nothing of the truck; the model holds every wheel "
            "down where the test did."
            if explains
            else "The model lifts a wheel where the test lifted none: it does not explain the test."
        )
    if explains:
        return (
            f"The model explains the lifts: each is met to {np.abs(off_u).max():.1f} standard "
            "uncertainties of its angle."
        )
    worst = int(np.abs(off_u).argmax())
    lift = lifts[worst]
    return (
        f"The model does NOT explain the lifts (probability {probability:.1g}): the lift of "
        f"{lift.wheel} at {lift.slew_deg:.1f}° lies {abs(off_deg[worst]):.1f}° off, "
        f"{abs(off_u[worst]):.0f} standard uncertainties. Look for a wrong mass, place or support "
        "before you use what it predicts."
    )
