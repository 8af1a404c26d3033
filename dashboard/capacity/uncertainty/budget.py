"""Uncertainty budgets by the law of propagation of uncertainty.

A result y = f(x₁, x₂, …) has the combined standard uncertainty

    u²(y) = Σᵢ Σⱼ cᵢ cⱼ u(xᵢ) u(xⱼ) r(xᵢ, xⱼ),   cᵢ = ∂f/∂xᵢ

(JCGM 100:2008, eq. 13), effective degrees of freedom by Welch–Satterthwaite (G.2b), and the
expanded uncertainty U = k·u(y) with k from Student's t for the probability that makes k = 2
where nothing is estimated from few readings.

Welch–Satterthwaite wants independent contributions. Inputs that correlate are therefore taken as
one contribution, with the least degrees of freedom among them: ten weights from one scale are one
estimate of that scale's error, not ten.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

COVERAGE_FACTOR = 2.0
"""k = 2, about 95 % for a normal distribution (JCGM 100:2008, 6.3.3; from memory)."""
COVERAGE_PROBABILITY = 0.9544997361036416
"""Of a normal distribution within two standard deviations: erf(√2)."""

NORMAL_FACTOR = 2.0
"""k for that probability and infinite degrees of freedom."""

Shape = Literal["normal", "rectangular", "triangular", "two-point"]
"""A two-point quantity is one of two values, each as likely as the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """An input quantity of a budget.

    Attributes:
        name: what it is, in a few words.
        u: standard uncertainty, in the unit of the quantity.
        value: estimate; only for showing.
        unit: its unit.
        dof: degrees of freedom of ``u``; infinite where it is taken as known.
        shape: distribution that stands behind it.
        source: where it comes from: a certificate, a rig file, an assumption.
        group: inputs of one group share one error and are fully correlated, such as masses
            from one scale; empty for none.
    """

    name: str
    u: float
    value: float = 0.0
    unit: str = ""
    dof: float = math.inf
    shape: Shape = "normal"
    source: str = ""
    group: str = ""

    def __post_init__(self) -> None:
        if not (self.u >= 0 and math.isfinite(self.u)):
            raise ValueError(f"a standard uncertainty of {self.u:g} for {self.name!r} won't do")
        if not self.dof > 0:
            raise ValueError(f"{self.dof:g} degrees of freedom for {self.name!r} won't do")


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """What one input adds to a budget.

    Attributes:
        input: the input quantity.
        sensitivity: ∂y/∂x, in the unit of y for one unit of x.
        u_y: |sensitivity| × u, in the unit of y.
        share: of the variance, 0 to 1; what correlation adds belongs half to each partner.
    """

    input: Input
    sensitivity: float
    u_y: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """A result with its uncertainty.

    Attributes:
        name: what was determined.
        unit: its unit.
        value: the estimate.
        u: combined standard uncertainty.
        dof: effective degrees of freedom.
        k: coverage factor.
        contributions: of each input, greatest first.
    """

    name: str
    unit: str
    value: float
    u: float
    dof: float
    k: float
    contributions: tuple[Contribution, ...]

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k·u."""
        return self.k * self.u

    def document(self) -> dict[str, Any]:
        """The budget as plain values, ready for JSON; infinite degrees of freedom are None."""
        return {
            "name": self.name,
            "unit": self.unit,
            "value": self.value,
            "u": self.u,
            "dof": _finite(self.dof),
            "k": self.k,
            "expanded": self.expanded,
            "contributions": [
                {
                    "name": c.input.name,
                    "value": c.input.value,
                    "u": c.input.u,
                    "unit": c.input.unit,
                    "dof": _finite(c.input.dof),
                    "shape": c.input.shape,
                    "source": c.input.source,
                    "sensitivity": c.sensitivity,
                    "u_y": c.u_y,
                    "share": c.share,
                }
                for c in self.contributions
            ],
        }


def combine(
    *,
    name: str,
    unit: str,
    value: float,
    parts: Sequence[tuple[Input, float]],
    correlations: Mapping[tuple[str, str], float] | None = None,
) -> Budget:
    """Combines inputs with known sensitivities.

    Args:
        name: what is determined.
        unit: its unit.
        value: its estimate.
        parts: each input with its sensitivity ∂y/∂x.
        correlations: r(xᵢ, xⱼ) by the names of both inputs, each pair once; inputs of one
            ``group`` have 1 without being named here.

    Raises:
        ValueError: for a correlation beyond ±1 or of an input that is not there, or for a set
            of correlations that no real quantities have.
    """
    r = _correlations([i for i, _ in parts], correlations or {})
    signed = np.array([c * i.u for i, c in parts])
    added = (signed * (r @ signed)).tolist()
    variance = max(0.0, math.fsum(added))
    dof = _effective_dof(added, [i.dof if c * i.u else math.inf for i, c in parts], r)
    contributions = [
        Contribution(
            input=i, sensitivity=c, u_y=abs(c) * i.u, share=a / variance if variance > 0 else 0.0
        )
        for (i, c), a in zip(parts, added, strict=True)
    ]
    contributions.sort(key=lambda c: -abs(c.share))
    return Budget(
        name=name,
        unit=unit,
        value=value,
        u=math.sqrt(variance),
        dof=dof,
        k=coverage_factor(dof),
        contributions=tuple(contributions),
    )


def propagate(
    f: Callable[[Sequence[float]], float],
    inputs: Sequence[Input],
    *,
    name: str,
    unit: str,
    correlations: Mapping[tuple[str, str], float] | None = None,
) -> Budget:
    """Combines inputs through a function whose derivatives nobody wrote down.

    Each sensitivity is half the difference of f at x ± u (JCGM 100:2008, 5.1.3, note 2).

    Args:
        f: the model, of the inputs' values in order.
        inputs: the input quantities.
        name: what is determined.
        unit: its unit.
        correlations: as for :func:`combine`.
    """
    at = [i.value for i in inputs]

    def sensitivity(index: int) -> float:
        u = inputs[index].u
        if u == 0:
            return 0.0
        up, down = [*at], [*at]
        up[index] += u
        down[index] -= u
        return (f(up) - f(down)) / (2 * u)

    parts = [(i, sensitivity(n)) for n, i in enumerate(inputs)]
    return combine(name=name, unit=unit, value=f(at), parts=parts, correlations=correlations)


def coverage_factor(dof: float, probability: float = COVERAGE_PROBABILITY) -> float:
    """Coverage factor k of Student's t, two-sided, for degrees of freedom cut to whole ones.

    JCGM 100:2008, G.4.1 with its note 1; table G.2.
    """
    from scipy.special import ndtri, stdtrit  # noqa: PLC0415 - the command line starts without it

    if math.isinf(dof) and probability == COVERAGE_PROBABILITY:
        return NORMAL_FACTOR
    upper = 0.5 + probability / 2
    if math.isinf(dof):
        return float(ndtri(upper))
    return float(stdtrit(max(1, math.floor(dof + 1e-9)), upper))


def _correlations(
    inputs: Sequence[Input], given: Mapping[tuple[str, str], float]
) -> NDArray[np.float64]:
    """The matrix r(xᵢ, xⱼ), shape (n, n)."""
    groups = [i.group or f"alone {n}" for n, i in enumerate(inputs)]
    r = np.array([[float(a == b) for b in groups] for a in groups]).reshape(2 * (len(inputs),))
    names = [i.name for i in inputs]
    for pair, value in given.items():
        if not -1 <= value <= 1:
            raise ValueError(f"a correlation of {value:g} won't do; −1 to 1")
        if any(names.count(name) != 1 for name in pair) or pair[0] == pair[1]:
            raise ValueError(f"a correlation is of two inputs of the budget, not of {pair!r}")
        i, j = names.index(pair[0]), names.index(pair[1])
        r[i, j] = r[j, i] = value
    if given and np.linalg.eigvalsh(r)[0] < -1e-9:
        raise ValueError("the correlations contradict one another")
    return r


def _effective_dof(added: Sequence[float], dofs: Sequence[float], r: NDArray[np.float64]) -> float:
    """Welch–Satterthwaite over sets of inputs that correlate with one another.

    Args:
        added: what each input adds to the variance; a set's variance is their sum.
        dofs: degrees of freedom of each input, infinite where it adds nothing.
        r: correlations, shape (n, n).
    """
    below, seen = 0.0, set[int]()
    for first in range(len(added)):
        if first in seen:
            continue
        together = _linked(first, r)
        seen |= together
        variance = math.fsum(added[i] for i in together)
        below += variance**2 / min(dofs[i] for i in together)
    return math.fsum(added) ** 2 / below if below > 0 else math.inf


def _linked(first: int, r: NDArray[np.float64]) -> set[int]:
    """The inputs that correlate with one, or with one that does, and so on."""
    linked, ahead = {first}, [first]
    while ahead:
        for other in np.flatnonzero(r[ahead.pop()]).tolist():
            if other not in linked:
                linked.add(other)
                ahead.append(other)
    return linked


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
