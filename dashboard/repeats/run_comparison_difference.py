"""The difference of one quantity between two runs, and how sure it is.

Errors that both runs have in common cancel in a difference (JCGM 100:2008, F.1.2.3, from memory:
correlated inputs). Two runs of one kit have the errors of its sensors in common: the encoder's
zero, the cell's and the radius sensor's calibration. That holds as long as the kit stayed on the
truck. Where it was taken off and put on again, its zero was found anew, and less cancels than is
thought. So two uncertainties are told: ``expanded``, in which what is common cancels, and
``expanded_apart``, in which nothing does. The truth lies between them.

Errors of runs by different kits are taken as independent of one another.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from dashboard.repeats.distributions import t_quantile
from dashboard.repeats.run_comparison_values import SHARED_BY, Part, Value

PROBABILITY = 0.9545
"""Of the expanded uncertainties in results: k = 2 for a normal distribution."""
_WHOLE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A run's value less the reference's.

    Attributes:
        value: the difference; None where one of both doesn't tell the quantity.
        expanded: its expanded uncertainty, what both have in common cancelled; None where unknown.
        expanded_apart: the same with nothing cancelled.
        cancelled: names of the parts that were taken as common.
        u_apart: the standard uncertainty behind ``expanded_apart``.
        dof_apart: its degrees of freedom.
    """

    value: float | None
    expanded: float | None = None
    expanded_apart: float | None = None
    cancelled: tuple[str, ...] = ()
    u_apart: float | None = None
    dof_apart: float = math.inf

    @property
    def explained(self) -> bool | None:
        """Whether the instruments alone may account for it; None where nobody knows."""
        if self.value is None or self.expanded is None:
            return None
        return abs(self.value) <= self.expanded


def difference(of: Value, reference: Value, common: frozenset[str]) -> Difference:
    """How far one run's value lies above another's.

    Args:
        of: the run's value.
        reference: the other's.
        common: what both runs have in common, in the words of :data:`SHARED_BY`.
    """
    first, second = of.number, reference.number
    if first is None or second is None:
        return Difference(value=None)
    if of.expanded is None or reference.expanded is None:
        return Difference(value=first - second)
    own, other = _joined(of.parts), _joined(reference.parts)
    shared = tuple(n for n in own if n in other and SHARED_BY.get(n) in common)
    apart = [p for p in (*of.parts, *reference.parts) if p.name not in shared]
    left = [
        Part(name=n, u=own[n].u - other[n].u, dof=min(own[n].dof, other[n].dof)) for n in shared
    ]
    u, dof = _combined([*apart, *left])
    u_apart, dof_apart = _combined([*of.parts, *reference.parts])
    return Difference(
        value=first - second,
        expanded=u * coverage_factor(dof),
        expanded_apart=u_apart * coverage_factor(dof_apart),
        cancelled=shared,
        u_apart=u_apart,
        dof_apart=dof_apart,
    )


def coverage_factor(dof: float) -> float:
    """Student's t, two-sided, at the probability of results; 2 for endless degrees of freedom."""
    if math.isinf(dof):
        return 2.0
    return t_quantile(max(1, math.floor(dof + _WHOLE)), 0.5 + PROBABILITY / 2)


def _joined(parts: Iterable[Part]) -> dict[str, Part]:
    """Parts by their names; those of one name add."""
    joined: dict[str, Part] = {}
    for part in parts:
        known = joined.get(part.name)
        joined[part.name] = (
            part
            if known is None
            else Part(name=part.name, u=known.u + part.u, dof=min(known.dof, part.dof))
        )
    return joined


def _combined(parts: Iterable[Part]) -> tuple[float, float]:
    """Root of the sum of squares, and degrees of freedom by Welch and Satterthwaite."""
    known = [p for p in parts if p.u]
    variance = math.fsum(p.u**2 for p in known)
    below = math.fsum(p.u**4 / p.dof for p in known)
    return math.sqrt(variance), variance**2 / below if below > 0 else math.inf
