"""Trucks that a fit leaves possible, for what follows from it.

Each is a fit of its own: the lifts moved by what their angles are uncertain by, what was known
before moved likewise, and the unknowns brought back to the least by steps with the fit's own
Jacobian. So where a truck bends away from the straight line of the covariance the spread bends
with it. Of those that come out, the ones that would lift a wheel where the test lifted none are
thinned out; where that would leave only a few, they are brought back to the nearest trucks that
lift none. Nothing is random: the numbers are a fixed low-discrepancy sequence.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.fit.fit_residuals import COMMON_ERRORS, Residuals
from dashboard.capacity.fit.fit_result import ModelFit

Numbers = NDArray[np.float64]

TRUCKS = 160
_STEPS = 2
_SEQUENCE = 2026
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
    best = fit.unknown
    residuals.rescale(best)
    lifts = residuals.lifts
    jacobian = residuals.jacobian(best)[:lifts]
    inverse = np.linalg.inv(jacobian.T @ jacobian + np.eye(residuals.unknowns))
    noise, prior = _moved(fit, residuals, count)
    unknown = np.empty((count, residuals.unknowns))
    wrong = np.empty(count)
    for row in range(count):
        at = best.copy()
        error = np.concatenate((residuals(at)[:lifts] - noise[row], at - prior[row]))
        for _ in range(_STEPS):
            at = at - inverse @ (jacobian.T @ error[:lifts] + error[lifts:])
            at = np.clip(at, -residuals.bounds, residuals.bounds)
            found = residuals(at)
            error = np.concatenate((found[:lifts] - noise[row], at - prior[row]))
        unknown[row] = at
        wrong[row] = (found[lifts:] ** 2).sum()
    weight = np.exp(-0.5 * (wrong - wrong.min()))
    if wrong.min() > 1 or weight.sum() ** 2 / (weight**2).sum() < _ENOUGH * count:
        for row in np.flatnonzero(wrong > 1).tolist():
            unknown[row] = _brought_back(residuals, unknown[row], noise[row], prior[row])
            wrong[row] = (residuals(unknown[row])[lifts:] ** 2).sum()
        near = (wrong <= max(_STILL_WRONG, float(np.quantile(wrong, 0.5)))).astype(np.float64)
        chosen = _thinned(near, count)
    else:
        chosen = _thinned(weight, count)
    u_before = np.array([p.u_before for p in fit.free])
    return np.asarray(unknown[chosen, : len(fit.free)] * u_before)


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


def _moved(fit: ModelFit, residuals: Residuals, count: int) -> tuple[Numbers, Numbers]:
    """Errors of the lifts' angles, and what might have been known before, one row a truck."""
    from scipy.stats import norm, qmc  # noqa: PLC0415 - slow to import

    width = residuals.lifts + residuals.unknowns
    sequence = qmc.Halton(width, scramble=True, rng=_SEQUENCE)
    even = np.clip(sequence.random(count), 1e-6, 1 - 1e-6)
    normal = np.asarray(norm.ppf(even))
    prior = normal[:, residuals.lifts :]
    for column, parameter in enumerate(fit.free):
        if not parameter.stated:
            # Nothing but the bounds is known: anywhere between them alike.
            width_u = 2 * parameter.half_width / parameter.u_before
            prior[:, column] = (even[:, residuals.lifts + column] - 0.5) * width_u
    prior[:, -COMMON_ERRORS:] = np.clip(prior[:, -COMMON_ERRORS:], -4, 4)
    return normal[:, : residuals.lifts], prior


def _thinned(weight: Numbers, count: int) -> NDArray[np.intp]:
    """Rows drawn evenly by weight."""
    reached = np.cumsum(weight) / weight.sum()
    return np.searchsorted(reached, (np.arange(count) + 0.5) / count).clip(0, count - 1)
