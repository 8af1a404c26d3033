"""The interval that holds a sum of independent parts with a given probability.

An expanded uncertainty k·u takes the sum of many parts for normal. Where one rectangular part
dominates, that is far too wide: 2·u of a rectangle reaches beyond its ends. Here the parts'
distributions themselves are convolved, on a grid, so the answer is the same each time; a Monte
Carlo of the same sum (JCGM 101:2008) comes to the same interval within its scatter. Every shape
is symmetric about its middle, hence so is the sum, and its probabilistically symmetric interval
(JCGM 101:2008, 5.3.2, from memory) is also its shortest wherever it has one hump.

A part's mass lies on the grid in cells; what lies beyond the grid's ends (a distribution of few
degrees of freedom has long tails) counts as being outside the interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.uncertainty.budget import Budget, Contribution, Shape

Numbers = NDArray[np.float64]

PROBABILITY = 0.95
_HALF_CELLS = 2047
"""So many that the sum of two grids just fits a transform of the size of a power of two."""
_TRANSFORM = 8192
_SUM_IS_OF_GROUPS = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How one part of a sum is distributed about its middle.

    Attributes:
        shape: of the distribution; a ``normal`` one with finite ``dof`` is Student's t, scaled
            by ``u`` (JCGM 101:2008, 6.4.9, from memory). A ``two-point`` one is at ±u.
        u: standard uncertainty, ≥ 0, in the unit of the sum.
        dof: its degrees of freedom.
    """

    shape: Shape
    u: float
    dof: float = math.inf

    def quantile(self, upper: float) -> float:
        """The value that the part stays below with a probability above one half."""
        from scipy.special import ndtri, stdtrit  # noqa: PLC0415 - the command line starts without it

        match self.shape:
            case "normal" if math.isinf(self.dof):
                return self.u * float(ndtri(upper))
            case "normal":
                return self.u * float(stdtrit(self.dof, upper))
            case "rectangular":
                return self.u * math.sqrt(3) * (2 * upper - 1)
            case "triangular":
                return self.u * math.sqrt(6) * (1 - math.sqrt(2 * (1 - upper)))
            case "two-point":
                return self.u

    def cells(self, step: float) -> Numbers:
        """Probability of each cell of a grid about 0, shape (2·_HALF_CELLS + 1,)."""
        middle = np.arange(-_HALF_CELLS, _HALF_CELLS + 1) * step
        if self.shape == "two-point":
            return _at_points(self.u / step)
        edges = np.append(middle - step / 2, middle[-1] + step / 2)
        return np.diff(self._below(edges / self.u))

    def _below(self, z: Numbers) -> Numbers:
        """Probability below z standard uncertainties, by the tail so that small ones are kept."""
        from scipy.special import ndtr, stdtr  # noqa: PLC0415 - the command line starts without it

        match self.shape:
            case "rectangular":
                return np.clip(0.5 + z / math.sqrt(12), 0.0, 1.0)
            case "triangular":
                tail = np.clip(1 - np.abs(z) / math.sqrt(6), 0.0, 1.0) ** 2 / 2
                return np.asarray(np.where(z < 0, tail, 1 - tail))
            case _:
                return np.asarray(ndtr(z) if math.isinf(self.dof) else stdtr(self.dof, z))


def half_width(spreads: Sequence[Spread], probability: float = PROBABILITY) -> float:
    """Half the width of the interval that holds a sum with a probability.

    Args:
        spreads: the independent parts of the sum, each about its own middle.
        probability: above 0 and below 1.

    Returns:
        h, in the unit of the sum: P(|sum − its middle| ≤ h) = probability.

    Raises:
        ValueError: for a probability that is none.
    """
    if not 0 < probability < 1:
        raise ValueError(f"a probability of {probability:g} won't do; above 0 and below 1")
    parts = _normals_joined([s for s in spreads if s.u > 0])
    upper = 0.5 + probability / 2
    if len(parts) <= 1:
        return parts[0].quantile(upper) if parts else 0.0
    # Should no part pass the quantile that leaves it its share of the risk, the sum can't pass
    # the sum of these.
    most = sum(s.quantile(1 - (1 - upper) / len(parts)) for s in parts)
    step = 2 * most / _HALF_CELLS
    sum_cells = parts[0].cells(step)
    for spread in parts[1:]:
        sum_cells = _convolved(sum_cells, spread.cells(step))
    return _half_of(sum_cells, probability) * step


def interval(budget: Budget, probability: float = PROBABILITY) -> tuple[float, float]:
    """The interval that holds the value of a budget with a probability.

    Inputs of one ``group`` share one error, so they are one part of the sum.

    Raises:
        ValueError: where the budget's uncertainty shows correlations that no group tells.
    """
    spreads = _spreads(budget.contributions)
    variance = math.fsum(s.u**2 for s in spreads)
    if not math.isclose(variance, budget.u**2, rel_tol=_SUM_IS_OF_GROUPS, abs_tol=1e-300):
        raise ValueError(f"{budget.name!r} has correlations other than those of groups")
    half = half_width(spreads, probability)
    return budget.value - half, budget.value + half


def _spreads(contributions: Sequence[Contribution]) -> list[Spread]:
    together: dict[str, list[Contribution]] = {}
    for number, contribution in enumerate(contributions):
        together.setdefault(contribution.input.group or f"\n{number}", []).append(contribution)
    return [_shared(members) for members in together.values()]


def _shared(members: Sequence[Contribution]) -> Spread:
    """One part for inputs that share one error; normal where they don't agree on its shape."""
    shapes = {c.input.shape for c in members}
    return Spread(
        shape=shapes.pop() if len(shapes) == 1 else "normal",
        u=abs(math.fsum(c.sensitivity * c.input.u for c in members)),
        dof=min(c.input.dof for c in members),
    )


def _normals_joined(spreads: Sequence[Spread]) -> list[Spread]:
    """Normal parts as the one that they add up to, and the others as they are."""
    normal = [s for s in spreads if s.shape == "normal" and math.isinf(s.dof)]
    if not normal:
        return list(spreads)
    others = [s for s in spreads if s not in normal]
    return [Spread(shape="normal", u=math.hypot(*(s.u for s in normal))), *others]


def _at_points(cells_out: float) -> Numbers:
    """Half the mass at either side, each shared by the two cells beside it."""
    cells = np.zeros(2 * _HALF_CELLS + 1)
    inner = min(math.floor(cells_out), _HALF_CELLS - 1)
    for sign in (-1, 1):
        cells[_HALF_CELLS + sign * inner] += (inner + 1 - cells_out) / 2
        cells[_HALF_CELLS + sign * (inner + 1)] += (cells_out - inner) / 2
    return cells


def _convolved(first: Numbers, second: Numbers) -> Numbers:
    """Cells of a sum, cut to the same grid."""
    spectrum = np.fft.rfft(first, _TRANSFORM) * np.fft.rfft(second, _TRANSFORM)
    whole = np.fft.irfft(spectrum, _TRANSFORM)
    return np.asarray(whole[_HALF_CELLS : 3 * _HALF_CELLS + 1])


def _half_of(cells: Numbers, probability: float) -> float:
    """How many cells from the middle out hold a probability, by straight line inside a cell."""
    outward = cells[_HALF_CELLS:] + cells[_HALF_CELLS::-1]
    outward[0] /= 2
    within = np.cumsum(outward)
    at = int(np.searchsorted(within, probability))
    before = float(within[at - 1]) if at else 0.0
    share = (probability - before) / float(outward[at])
    # The middle cell reaches half a cell out, each other one a whole cell further.
    return share / 2 if at == 0 else at - 0.5 + share
