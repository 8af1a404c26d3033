"""Levels: percentages along one side, and their bounds rounded to the safe side.

The angles that were measured fall anywhere; a placard's angles are multiples of a step. So the
side is cut into cells of one step, and a cell gets the least level that any part of it has. That
rounds every bound so that the better level shrinks, in whichever direction it lies; a better
level narrower than its cells vanishes, a worse one takes the whole cell.

What is narrower than an angle can be told is no level of its own: :func:`without_slivers` gives
it to the lesser of its neighbours, or leaves it out at an end.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import NamedTuple

from dashboard.capacity.rounding import round_down, round_up

HALF_TURN_DEG = 180.0
JOIN_DEG = 0.3
"""Stretches closer than this are one: noise and rounding of an angle."""
_NO_WIDTH_DEG = 1e-9
_BOTH_SIDES = (-1, 1)


class Stretch(NamedTuple):
    """A covered stretch of one side.

    Attributes:
        from_deg: its beginning, counted from over the rear, deg.
        to_deg: its end, deg.
        proved_nm: moment proved over it, N·m.
    """

    from_deg: float
    to_deg: float
    proved_nm: float


class Level(NamedTuple):
    """A stretch of one side with what may be lifted there.

    Attributes:
        from_deg: its beginning, counted from over the rear, deg.
        to_deg: its end, deg.
        percent: of the rated capacity; 0 where nothing is proved.
        full: whether it lies before the first lift and reaches the full capacity.
        part: levels of different parts are never joined to one.
    """

    from_deg: float
    to_deg: float
    percent: float
    full: bool = False
    part: int = 0


def greatest(stretches: Iterable[Stretch]) -> tuple[Stretch, ...]:
    """Disjoint stretches, in order, with the greatest moment proved at each angle."""
    given = [s for s in stretches if s.from_deg < s.to_deg]
    edges = sorted({e for s in given for e in s[:2]})
    best: list[Stretch] = []
    for low_deg, high_deg in pairwise(edges):
        proved = [s.proved_nm for s in given if s.from_deg <= low_deg and high_deg <= s.to_deg]
        if not proved:
            continue
        if best and best[-1].to_deg == low_deg and best[-1].proved_nm == max(proved):
            best[-1] = best[-1]._replace(to_deg=high_deg)
        else:
            best.append(Stretch(low_deg, high_deg, max(proved)))
    return tuple(best)


def without_slivers(stretches: Iterable[Stretch]) -> tuple[Stretch, ...]:
    """The stretches without those that prove less than their neighbours and are too narrow.

    The lowest goes first. Between two neighbours it takes the moment of the lesser, so that a row
    of narrow ones counts by the width of the row, with the gaps in it; at an end it is left out.

    Args:
        stretches: disjoint and in order.
    """
    left = list(stretches)
    while narrow := [i for i in range(len(left)) if _is_sliver(left, i)]:
        index = min(narrow, key=lambda i: left[i].proved_nm)
        beside = _beside(left, index)
        if len(beside) < len(_BOTH_SIDES):
            del left[index]
            continue
        host = min(beside, key=lambda n: left[n].proved_nm)
        first, last = sorted((index, host))
        left[first : last + 1] = [
            Stretch(left[first].from_deg, left[last].to_deg, left[host].proved_nm)
        ]
    return tuple(left)


def rounded_levels(levels: Iterable[Level], *, step_deg: float) -> tuple[Level, ...]:
    """The levels of a whole side, 0° to 180°, with bounds at multiples of a step.

    Args:
        levels: disjoint and in order; between them nothing is proved, but for gaps that are
            too narrow to be told.
        step_deg: the step, deg. A last cell that is cut off by 180° has no level.
    """
    whole = _filled(levels)
    bounds = sorted(
        {0.0, HALF_TURN_DEG}
        | {
            min(rounded(level.from_deg, step_deg), HALF_TURN_DEG)
            for level in whole
            for rounded in (round_down, round_up)
        }
        | {min(round_down(HALF_TURN_DEG, step_deg), HALF_TURN_DEG)}
    )
    cut_deg = round_down(HALF_TURN_DEG, step_deg)
    found: list[Level] = []
    for low_deg, high_deg in pairwise(bounds):
        least = min((s for s in whole if _overlap(s, low_deg, high_deg)), key=_worth)
        if low_deg >= cut_deg:
            least = Level(low_deg, high_deg, 0.0)
        here = least._replace(from_deg=low_deg, to_deg=high_deg)
        if found and found[-1][2:] == here[2:]:
            found[-1] = found[-1]._replace(to_deg=high_deg)
        else:
            found.append(here)
    return tuple(found)


def _is_sliver(stretches: list[Stretch], index: int) -> bool:
    here, beside = stretches[index], _beside(stretches, index)
    if any(stretches[n].proved_nm < here.proved_nm for n in beside):
        return False
    from_deg, to_deg = here.from_deg, here.to_deg
    if len(beside) == len(_BOTH_SIDES):
        from_deg, to_deg = stretches[beside[0]].to_deg, stretches[beside[1]].from_deg
    return to_deg - from_deg < JOIN_DEG


def _beside(stretches: list[Stretch], index: int) -> list[int]:
    """Indices of the stretches that touch one, the nearer to the rear first."""
    beside = []
    for step in _BOTH_SIDES:
        other = index + step
        if 0 <= other < len(stretches):
            first, last = sorted((index, other))
            if stretches[last].from_deg - stretches[first].to_deg <= JOIN_DEG:
                beside.append(other)
    return beside


def _filled(levels: Iterable[Level]) -> list[Level]:
    """The levels of the whole side: a gap is without capacity, a narrow one is the lesser's."""
    whole: list[Level] = []
    end = Level(HALF_TURN_DEG, HALF_TURN_DEG, 0.0)
    for level in (*levels, end):
        here = level if level.percent > 0 else Level(level.from_deg, level.to_deg, 0.0)
        reached_deg = whole[-1].to_deg if whole else 0.0
        gap_deg = here.from_deg - reached_deg
        if whole and 0 < gap_deg <= JOIN_DEG and level is not end:
            if _worth(whole[-1]) <= _worth(here):
                whole[-1] = whole[-1]._replace(to_deg=here.from_deg)
            else:
                here = here._replace(from_deg=reached_deg)
        elif gap_deg > 0:
            whole.append(Level(reached_deg, here.from_deg, 0.0))
        if here.from_deg < here.to_deg:
            whole.append(here)
    return whole


def _worth(level: Level) -> tuple[float, bool, int]:
    # Of two equal ones the later part is the lesser: the bound between them is rounded down.
    return level.percent, level.full, -level.part


def _overlap(level: Level, low_deg: float, high_deg: float) -> bool:
    return min(level.to_deg, high_deg) - max(level.from_deg, low_deg) > _NO_WIDTH_DEG
