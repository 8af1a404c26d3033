"""Which of a truck's parameters its lifts can tell.

The Jacobian of the lifts, each parameter in units of what was known of it before, is taken apart
by singular values. A direction with a great singular value is told by the lifts; along one with
a small value parameters can be traded for one another and nothing measured would change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.fit.fit_parameters import Free

Numbers = NDArray[np.float64]
Told = Literal["determined", "in combination", "not determined"]

SHARPER = 1 / 3
"""A parameter counts as determined where the fit cuts its uncertainty to this or less."""
_PART = 0.25
"""A smaller share in a direction is no part of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identifiability:
    """What the lifts tell.

    Attributes:
        singular_values: of the scaled Jacobian, falling: how many times sharper than before each
            direction is told.
        told: for each parameter.
        partners: for each parameter, the names of those it is tied to.
        sentences: the same for people.
    """

    singular_values: tuple[float, ...]
    told: tuple[Told, ...]
    partners: tuple[tuple[str, ...], ...]
    sentences: tuple[str, ...]


def identify(free: Sequence[Free], jacobian: Numbers, u_after: Numbers) -> Identifiability:
    """Tells the parameters apart.

    Args:
        free: the parameters.
        jacobian: of the data alone, shape (residuals, parameters), parameters over their
            uncertainties before the fit.
        u_after: uncertainties after the fit, shape (parameters,), in units of the departures.
    """
    count = len(free)
    padded = np.vstack([jacobian, np.zeros((count, count))])
    _, singular, directions = np.linalg.svd(padded, full_matrices=False)
    sharp = singular > 1 / SHARPER
    told: list[Told] = []
    partners: list[tuple[str, ...]] = []
    for index, parameter in enumerate(free):
        tied: set[int] = set()
        for direction in directions[sharp]:
            if abs(direction[index]) > _PART:
                tied |= set(np.flatnonzero(np.abs(direction) > _PART).tolist()) - {index}
        if u_after[index] <= SHARPER * parameter.u_before:
            told.append("determined")
        elif tied:
            told.append("in combination")
        else:
            told.append("not determined")
        loose = {i for i in tied if u_after[i] > SHARPER * free[i].u_before}
        partners.append(tuple(free[i].name for i in sorted(loose)))
    return Identifiability(
        singular_values=tuple(float(s) for s in singular[:count]),
        told=tuple(told),
        partners=tuple(partners),
        sentences=(
            *_determined(free, told, u_after),
            *_trades(free, told, directions[~sharp]),
            *_untold(free, told),
        ),
    )


def size_words(parameter: Free, departure: float) -> str:
    """A change of a parameter: ``12 mm`` or ``5 %``."""
    size = abs(departure)
    if parameter.unit == "m":
        return f"{size * 1000:.1f} mm" if size < 0.01 else f"{size * 1000:.0f} mm"
    return f"{100 * size:.1f} %" if size < 0.1 else f"{100 * size:.0f} %"


def _determined(free: Sequence[Free], told: Sequence[Told], u_after: Numbers) -> list[str]:
    found = [
        f"{p.words} (±{size_words(p, 2 * u)})"
        for p, t, u in zip(free, told, u_after, strict=True)
        if t == "determined"
    ]
    return [f"The lifts tell {_joined(found)}."] if found else []


def _trades(free: Sequence[Free], told: Sequence[Told], directions: Numbers) -> list[str]:
    """Sentences on the trade-offs that leave every lift where it is."""
    lines = []
    for direction in directions:
        loose = [
            i
            for i in np.argsort(-np.abs(direction))
            if abs(direction[i]) > _PART and told[i] == "in combination"
        ]
        if len(loose) < 2:
            continue
        first, *others = loose
        # A third of what was known before, so that the trade is in everyday sizes.
        share = 0.3 / direction[first]
        parts = [_moved(free[i], share * direction[i] * free[i].u_before) for i in others]
        lines.append(
            f"The lifts can't tell {_joined([free[i].words for i in loose])} apart: "
            f"{_moved(free[first], share * direction[first] * free[first].u_before)} looks the "
            f"same as {_joined(parts)}."
        )
    return lines


def _moved(parameter: Free, departure: float) -> str:
    if parameter.name == "centre_x_m":
        way = "forward" if departure > 0 else "back"
        return f"the centre {size_words(parameter, departure)} further {way}"
    if parameter.name == "centre_y_m":
        way = "left" if departure > 0 else "right"
        return f"the centre {size_words(parameter, departure)} further {way}"
    way = "more" if departure > 0 else "less"
    return f"{parameter.words} {size_words(parameter, departure)} {way}"


def _untold(free: Sequence[Free], told: Sequence[Told]) -> list[str]:
    alone = [p.words for p, t in zip(free, told, strict=True) if t == "not determined"]
    if not alone:
        return []
    return [
        f"The lifts tell next to nothing of {_joined(alone)}: what was known before still stands."
    ]


def _joined(parts: Sequence[str]) -> str:
    """``a, b and c``."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
