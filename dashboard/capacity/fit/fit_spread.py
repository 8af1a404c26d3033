"""Trucks that a fit leaves possible, for what follows from it.

They are drawn from what is known of the truck after the test: what was known before (anywhere
within the bounds alike, or normally about what was stated), times how well a truck meets the
lifts, the common errors, and the stays. Where a truck bends away from the straight line of the
covariance, ends at a bound, or would lift a wheel where the test lifted none, the draw does so too.

Each draw begins as a fit of its own: the lifts moved by what their angles are uncertain by, what
was known before moved likewise, and the unknowns brought back to the least by steps with the fit's
own Jacobian. For trucks that bend this is near, not right; so all then walk by differences of one
another, each step taken or left by Metropolis' rule, which makes any start right in the end
(ter Braak 2006, differential evolution Markov chain; from memory). The numbers come from a fixed
seed: the same fit always gives the same trucks.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.fit.fit_residuals import COMMON_ERRORS, MOST_COMMON, Residuals
from dashboard.capacity.fit.fit_result import ModelFit

Numbers = NDArray[np.float64]

TRUCKS = 160
_STEPS = 2
_SEED = 2026
_WALK, _SHORT_WALK = 60, 6
"""Steps of each truck; fewer where each truck costs a solution of its own."""
_LONG_JUMP = 0.1
"""Share of steps by a whole difference, which leads from one group of trucks to another."""
_JITTER = 1e-3
_ENOUGH = 0.1
"""Where thinning would leave less than this share, trucks are brought back instead."""
_RETURNING_STEPS = 3
_STILL_WRONG = 9.0
"""Sum of squares beyond which a truck that was brought back is left out."""


def possible_departures(fit: ModelFit, *, count: int = TRUCKS) -> Numbers:
    """Departures of trucks that the fit leaves possible.

    Args:
        fit: the fit.
        count: how many trucks.

    Returns:
        Shape (count, parameters), in the units of ``fit.departure``, all of like weight.
    """
    residuals = Residuals(fit.given, fit.free, fit.lifts, fit.stays)
    residuals.rescale(fit.unknown)
    rng = np.random.default_rng(_SEED)
    unknown = _walked(fit, residuals, _refitted(fit, residuals, count, rng), rng)
    return np.asarray(unknown[:, : len(fit.free)] * [p.u_before for p in fit.free])


def _refitted(fit: ModelFit, residuals: Residuals, count: int, rng: np.random.Generator) -> Numbers:
    """Unknowns that meet moved lifts, shape (count, unknowns)."""
    lifts = residuals.lifts
    jacobian = residuals.jacobian(fit.unknown)[:lifts]
    inverse = np.linalg.inv(jacobian.T @ jacobian + np.eye(residuals.unknowns))
    noise, prior = _moved(fit, residuals, count, rng)
    at = np.tile(fit.unknown, (count, 1))
    found = residuals.of_many(at)
    for _ in range(_STEPS):
        slope = (found[:, :lifts] - noise) @ jacobian + (at - prior)
        at = np.clip(at - slope @ inverse, -residuals.bounds, residuals.bounds)
        found = residuals.of_many(at)
    wrong = (found[:, lifts:] ** 2).sum(axis=1)
    weight = np.exp(-0.5 * (wrong - wrong.min()))
    if wrong.min() <= 1 and weight.sum() ** 2 / (weight**2).sum() >= _ENOUGH * count:
        return np.asarray(at[_thinned(weight, count)])
    for row in np.flatnonzero(wrong > 1).tolist():
        at[row] = _brought_back(residuals, at[row], noise[row], prior[row])
    wrong = (residuals.of_many(at)[:, lifts:] ** 2).sum(axis=1)
    near = (wrong <= max(_STILL_WRONG, float(np.quantile(wrong, 0.5)))).astype(np.float64)
    return np.asarray(at[_thinned(near, count)])


def _walked(
    fit: ModelFit, residuals: Residuals, start: Numbers, rng: np.random.Generator
) -> Numbers:
    """Trucks after their walk, shape as ``start``.

    One half of the trucks steps by differences within the other, then the other by the first.
    """
    at = start.copy()
    here = _log_likely(fit, residuals, at)
    halves = np.array_split(np.arange(len(at)), 2)
    if min(map(len, halves)) < 2:
        return at
    usual = 2.38 / math.sqrt(2 * residuals.unknowns)
    for _ in range(_WALK if residuals.together else _SHORT_WALK):
        for moving, others in (halves, halves[::-1]):
            first = rng.integers(len(others), size=len(moving))
            second = (first + rng.integers(1, len(others), size=len(moving))) % len(others)
            long = rng.random(len(moving)) < _LONG_JUMP
            by = (at[others[first]] - at[others[second]]) * np.where(long, 1.0, usual)[:, None]
            there = at[moving] + by + _JITTER * rng.standard_normal(by.shape)
            likely = _log_likely(fit, residuals, there)
            taken = np.log(rng.random(len(moving))) < likely - here[moving]
            at[moving[taken]], here[moving[taken]] = there[taken], likely[taken]
    return at


def _log_likely(fit: ModelFit, residuals: Residuals, unknown: Numbers) -> Numbers:
    """Logarithm of how likely trucks are after the test, but for a constant, shape (trucks,)."""
    normal = np.array([*(p.stated for p in fit.free), *(COMMON_ERRORS * [True])])
    squares = (residuals.of_many(unknown) ** 2).sum(axis=1) + unknown**2 @ normal
    within = (np.abs(unknown) <= residuals.bounds).all(axis=1)
    return np.asarray(np.where(within, -0.5 * squares, -np.inf))


def _brought_back(
    residuals: Residuals, unknown: Numbers, noise: Numbers, prior: Numbers
) -> Numbers:
    """A truck that meets its lifts and, as near as it can, lifts no wheel where none lifted."""
    at = unknown
    for _ in range(_RETURNING_STEPS):
        error = residuals(at)
        moved = np.concatenate((noise, np.zeros(len(error) - len(noise))))
        slope = residuals.jacobian(at)
        step = np.linalg.solve(
            slope.T @ slope + np.eye(len(at)), slope.T @ (error - moved) + (at - prior)
        )
        at = np.clip(at - step, -residuals.bounds, residuals.bounds)
    return at


def _moved(
    fit: ModelFit, residuals: Residuals, count: int, rng: np.random.Generator
) -> tuple[Numbers, Numbers]:
    """Errors of the lifts' angles, and what might have been known before, one row a truck.

    A Latin hypercube: each column has one value in each of ``count`` equal shares.
    """
    from scipy.special import ndtri  # noqa: PLC0415 - the command line starts without it

    width = residuals.lifts + residuals.unknowns
    shares = np.tile(np.arange(count)[:, np.newaxis], (1, width))
    even = (rng.permuted(shares, axis=0) + rng.random((count, width))) / count
    normal = np.asarray(ndtri(np.clip(even, 1e-6, 1 - 1e-6)))
    prior = normal[:, residuals.lifts :]
    for column, parameter in enumerate(fit.free):
        if not parameter.stated:
            # Nothing but the bounds is known: anywhere between them alike.
            width_u = 2 * parameter.half_width / parameter.u_before
            prior[:, column] = (even[:, residuals.lifts + column] - 0.5) * width_u
    prior[:, -COMMON_ERRORS:] = np.clip(prior[:, -COMMON_ERRORS:], -MOST_COMMON, MOST_COMMON)
    return normal[:, : residuals.lifts], prior


def _thinned(weight: Numbers, count: int) -> NDArray[np.intp]:
    """Rows drawn evenly by weight."""
    reached = np.cumsum(weight) / weight.sum()
    return np.searchsorted(reached, (np.arange(count) + 0.5) / count).clip(0, count - 1)
