"""Repeated measurements as a table of item, group and value: what every statistic here starts from.

An *item* is what was measured: a truck, a sector, a level. A *group* is who or what measured it: a
team, a kit, a direction of slew. A *cell* holds the values of one item by one group. The order of
rows is the order in which they were measured; only charts over time look at it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PROVISIONAL_UNDER = 20
"""Fewer values than this, and a statistic is provisional: common practice, no source."""
LARGEST = 1e60
"""Of a value; its fourth power is still a number."""
LONGEST_NAME = 60
"""Of an item or a group in a message, in characters."""


class NotEnough(ValueError):
    """The measurements don't carry a statistic; the message is one line and says why.

    Attributes:
        reason: that line.
    """

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurements:
    """Measured values with what was measured and by whom, row by row in the order of the file.

    Attributes:
        items: what was measured, one a row.
        groups: who or what measured it, one a row.
        values: the values, all in one unit, finite.

    Raises:
        ValueError: where columns differ in length or are empty, or where a value is no number of
            sensible size; the message counts rows from 1.
    """

    items: tuple[str, ...]
    groups: tuple[str, ...]
    values: tuple[float, ...]

    def __post_init__(self) -> None:
        lengths = (len(self.items), len(self.groups), len(self.values))
        if len(set(lengths)) != 1:
            raise ValueError(
                f"{lengths[0]} items, {lengths[1]} groups, {lengths[2]} values; a row has one each"
            )
        if not self.values:
            raise ValueError("no measurements")
        for row, value in enumerate(self.values, start=1):
            if not abs(value) < LARGEST:
                raise ValueError(
                    f"row {row}: {value!r} is no measured value; a number below {LARGEST:g} in size"
                )

    @property
    def item_names(self) -> tuple[str, ...]:
        """Each item once, in the order in which they appear."""
        return tuple(dict.fromkeys(self.items))

    @property
    def group_names(self) -> tuple[str, ...]:
        """Each group once, in the order in which they appear."""
        return tuple(dict.fromkeys(self.groups))

    def cells(self) -> dict[tuple[str, str], NDArray[np.float64]]:
        """The values of each (item, group) that was measured, in the order of the file."""
        found: dict[tuple[str, str], list[float]] = {}
        for item, group, value in zip(self.items, self.groups, self.values, strict=True):
            found.setdefault((item, group), []).append(value)
        return {cell: np.array(values) for cell, values in found.items()}

    def of_item(self, name: str) -> Measurements:
        """The rows of one item."""
        rows = [row for row, item in enumerate(self.items) if item == name]
        return self._rows(rows)

    def _rows(self, rows: Sequence[int]) -> Measurements:
        return Measurements(
            items=tuple(self.items[r] for r in rows),
            groups=tuple(self.groups[r] for r in rows),
            values=tuple(self.values[r] for r in rows),
        )


def balanced_cells(measurements: Measurements) -> NDArray[np.float64]:
    """The values as a full table, shape (items, groups, repeats).

    Raises:
        NotEnough: where a cell is missing or cells differ in their number of values.
    """
    cells = measurements.cells()
    items, groups = measurements.item_names, measurements.group_names
    for item in items:
        for group in groups:
            if (item, group) not in cells:
                raise NotEnough(f"group {quoted(group)} has not measured item {quoted(item)}")
    usual, _ = Counter(len(values) for values in cells.values()).most_common(1)[0]
    for (item, group), values in cells.items():
        if len(values) != usual:
            raise NotEnough(
                f"group {quoted(group)} measured item {quoted(item)} {len(values)} times where "
                f"others have {usual}; the table must be balanced"
            )
    return np.array([[cells[item, group] for group in groups] for item in items])


def quoted(name: str) -> str:
    """A name as it stands in a message: on one line, cut where it is very long."""
    return repr(name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 1]}…")


def is_provisional(n: int) -> bool:
    """Whether so few values make a statistic provisional."""
    return n < PROVISIONAL_UNDER
