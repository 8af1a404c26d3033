"""A crane's load chart: what its maker allows at a radius, looked up on the safe side.

Between two radii the lesser of both loads holds, between two boom lengths the lesser of both, and
nothing at all outside of the chart, since what the maker does not list is not allowed.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

_SAME = 1e-6
_COARSE_UNIT_KG = 100.0
"""A load's unit from here on (a tonne) is written with at least two decimals."""


class ChartRow(NamedTuple):
    """One line of a chart.

    Attributes:
        boom_length_m: m; 0 in a chart that names none.
        radius_m: m.
        load_kg: the most that may hang there, kg.
    """

    boom_length_m: float
    radius_m: float
    load_kg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartUnit:
    """A unit as the chart writes it.

    Attributes:
        name: such as ``lb``.
        factor: from it to the SI unit.
        decimals: the most that any number of the column has.
    """

    name: str
    factor: float
    decimals: int

    def of(self, value_si: float) -> float:
        """A value in this unit."""
        return value_si / self.factor


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadChart:
    """A load chart.

    Attributes:
        rows: by boom length, then radius; no two of the same point.
        has_boom_lengths: whether it names boom lengths.
        length_unit: the unit of its boom lengths; that of the radii where it names none.
        radius_unit: the unit of its radii.
        load_unit: the unit of its loads.
        doubts: what looks like a slip of the pen and still can be used, one sentence each.

    Raises:
        ValueError: for a chart without rows, or with one point twice.
    """

    rows: tuple[ChartRow, ...]
    has_boom_lengths: bool
    length_unit: ChartUnit
    radius_unit: ChartUnit
    load_unit: ChartUnit
    doubts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.rows:
            raise ValueError("a chart without rows")
        if any(a[:2] >= b[:2] for a, b in pairwise(self.rows)):
            raise ValueError("rows of a chart are in order, and each point stands there once")

    @property
    def boom_lengths_m(self) -> tuple[float, ...]:
        """Its boom lengths, m; empty where it names none."""
        return tuple(dict.fromkeys(r.boom_length_m for r in self.rows if self.has_boom_lengths))

    @property
    def load_step_kg(self) -> float:
        """The step to which its loads are written, kg; a hundredth of a unit like the tonne."""
        unit = self.load_unit
        decimals = max(unit.decimals, 2) if unit.factor >= _COARSE_UNIT_KG else unit.decimals
        return float(unit.factor / 10**decimals)

    def rows_of(self, boom_length_m: float | None = None) -> tuple[ChartRow, ...]:
        """The rows of one boom length, by radius; all rows where none is given."""
        if boom_length_m is None:
            return self.rows
        return tuple(r for r in self.rows if abs(r.boom_length_m - boom_length_m) <= _SAME)

    def capacity_kg(self, radius_m: float, boom_length_m: float | None = None) -> float | None:
        """What the chart allows, read on the safe side.

        At a radius between two lines: the load of the next larger radius, or the lesser of both
        where the chart rises. Nearer than the least radius and beyond the largest: None, since
        a chart also ends where the crane would tip backwards or strike itself. Between two boom
        lengths: the lesser of what both allow, None where either allows nothing.

        Args:
            radius_m: radius, m.
            boom_length_m: boom length, m; without it the least over all boom lengths that
                reach this radius. A chart without boom lengths takes no notice of it.

        Returns:
            The load, kg, or None where the chart lists nothing.
        """
        if not self.has_boom_lengths:
            return _at_radius(self.rows, radius_m)
        lengths_m = self.boom_lengths_m
        if boom_length_m is None:
            allowed = [_at_radius(self.rows_of(x), radius_m) for x in lengths_m]
            return min((a for a in allowed if a is not None), default=None)
        shorter_m = max((x for x in lengths_m if x <= boom_length_m + _SAME), default=None)
        longer_m = min((x for x in lengths_m if x >= boom_length_m - _SAME), default=None)
        if shorter_m is None or longer_m is None:
            return None
        beside = [_at_radius(self.rows_of(x), radius_m) for x in {shorter_m, longer_m}]
        known = [b for b in beside if b is not None]
        return min(known) if len(known) == len(beside) else None


def _at_radius(rows: tuple[ChartRow, ...], radius_m: float) -> float | None:
    """The load at a radius, of the rows of one boom length by radius, kg."""
    nearer = [r for r in rows if r.radius_m <= radius_m + _SAME]
    farther = [r for r in rows if r.radius_m >= radius_m - _SAME]
    if not nearer or not farther:
        return None
    if abs(nearer[-1].radius_m - radius_m) <= _SAME:
        return nearer[-1].load_kg
    return min(nearer[-1].load_kg, farther[0].load_kg)
