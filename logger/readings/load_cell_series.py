"""What the order of a calibration's points tells: zero return, creep, hysteresis.

A fit does not care in which order loads were applied; the cell does. All three are differences
of readings at one and the same load, given in the reading's counts and, by the slope of the
fit there, in the unit of the load.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from logger.readings.block import Values
from logger.readings.calibration_fit import CalibrationFit
from logger.readings.calibration_points import Points, branches

LEAST_CREEP_S = 300.0
"""Readings at one load over less than five minutes are repeats, not creep (common practice, no
source; creep itself is told over 30 min in OIML R 60-1:2021, 5.4)."""

LATE_FROM_S, LATE_TO_S = 1200.0, 1800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroReturn:
    """The last reading at zero against the first.

    Attributes:
        first: reading, counts.
        last: reading, counts.
        change: in the unit of the load.
    """

    first: float
    last: float
    change: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Creep:
    """Readings at one load as time goes by.

    Attributes:
        at: the load, unit.
        duration_s: from the first to the last reading, s.
        change: last less first reading, unit.
        largest: greatest distance of a reading from the first, unit.
        late_change: from the 20th to the 30th minute, unit; None where not watched that long.
    """

    at: float
    duration_s: float
    change: float
    largest: float
    late_change: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hysteresis:
    """Readings on the way down less those on the way up, at the load where that is greatest.

    Attributes:
        at: the load, unit.
        difference: unit.
        loads: how many loads were read both ways.
    """

    at: float
    difference: float
    loads: int


def creep_stretches(points: Points) -> list[slice]:
    """Stretches of consecutive points at one load that are a watch over time.

    Args:
        points: with times; without, there are none.
    """
    if points.t_s is None:
        return []
    changes = np.flatnonzero(np.diff(points.applied) != 0) + 1
    ends = [0, *changes.tolist(), len(points)]
    return [
        slice(start, end)
        for start, end in pairwise(ends)
        if end - start >= 3 and points.t_s[end - 1] - points.t_s[start] >= LEAST_CREEP_S
    ]


def fitted_points(points: Points) -> NDArray[np.bool_]:
    """Which points a fit takes: of a watch over time only the first, shape (n,).

    Else one load read thirty times would outweigh every other.
    """
    taken = np.ones(len(points), dtype=bool)
    for stretch in creep_stretches(points):
        taken[stretch.start + 1 : stretch.stop] = False
    return taken


def zero_return(points: Points, fit: CalibrationFit) -> ZeroReturn | None:
    """The zero after the loads against the zero before; None without both."""
    at_zero = np.flatnonzero(points.applied == 0)
    loaded = np.flatnonzero(points.applied != 0)
    if not (at_zero.size and loaded.size and at_zero[0] < loaded[0] and at_zero[-1] > loaded[-1]):
        return None
    first, last = points.reading[at_zero[0]], points.reading[at_zero[-1]]
    slope = fit.slope(np.zeros(1))[0]
    return ZeroReturn(first=float(first), last=float(last), change=float((last - first) / slope))


def creep(points: Points, fit: CalibrationFit) -> list[Creep]:
    """Each watch over time at one load, in the file's order."""
    return [_creep(points, fit, stretch) for stretch in creep_stretches(points)]


def _creep(points: Points, fit: CalibrationFit, stretch: slice) -> Creep:
    t_s = np.asarray(points.t_s)[stretch]
    t_s = t_s - t_s[0]
    load = float(points.applied[stretch.start])
    raw = points.reading[stretch]
    change = (raw - raw[0]) / fit.slope(np.array([load]))[0]
    return Creep(
        at=load,
        duration_s=float(t_s[-1]),
        change=float(change[-1]),
        largest=float(np.abs(change).max()),
        late_change=_late(t_s, change),
    )


def _late(t_s: Values, change: Values) -> float | None:
    """Between the readings nearest to the 20th and the 30th minute, each within 2 min of it."""
    ends = [int(np.argmin(np.abs(t_s - at))) for at in (LATE_FROM_S, LATE_TO_S)]
    if any(abs(t_s[i] - at) > 120 for i, at in zip(ends, (LATE_FROM_S, LATE_TO_S), strict=True)):
        return None
    return float(change[ends[1]] - change[ends[0]])


def hysteresis(points: Points, fit: CalibrationFit) -> Hysteresis | None:
    """The greatest difference between the way down and the way up; None without a way down."""
    read: dict[float, dict[str, list[float]]] = {}
    taken = fitted_points(points)
    for i, way in branches(points.applied):
        if taken[i]:
            ways = read.setdefault(float(points.applied[i]), {"up": [], "down": []})
            ways[way].append(float(points.reading[i]))
    both = {load: ways for load, ways in read.items() if ways["up"] and ways["down"] and load != 0}
    if not both:
        return None
    found = [
        (load, float((np.mean(w["down"]) - np.mean(w["up"])) / fit.slope(np.array([load]))[0]))
        for load, w in both.items()
    ]
    load, difference = max(found, key=lambda f: abs(f[1]))
    return Hysteresis(at=load, difference=difference, loads=len(both))
