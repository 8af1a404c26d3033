"""What a class of load cell may do, to set a calibration's figures beside.

Source: OIML R 60-1:2021, 5.1.2, 5.3.2 table 4, 5.4 and 5.5. Errors are counted in verification
intervals v = E_max/n. An evaluation by R 60 takes a laboratory, temperatures and more readings;
figures from a yard beside these limits are information and no verdict.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

SOURCE = "OIML R 60-1:2021, 5.1.2, 5.3.2 table 4, 5.4, 5.5"
P_LC = 0.7
"""Share of the whole instrument's error that a cell may take; 0.7 unless its class says else."""

_STEPS_V = (0.5, 1.0, 1.5)
_LIMITS_V: dict[str, tuple[float, float]] = {
    "A": (50_000, 200_000),
    "B": (5_000, 20_000),
    "C": (500, 2_000),
    "D": (50, 200),
}
_LEAST_MOST_N: dict[str, tuple[float, float]] = {
    "A": (50_000, float("inf")),
    "B": (5_000, 100_000),
    "C": (500, 10_000),
    "D": (100, 1_000),
}
_ZERO_RETURN_V = 0.5
_CREEP_SHARE = 0.7
_LATE_CREEP_SHARE = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadCellClass:
    """A class such as C3: letter and thousands of intervals, for a capacity.

    Attributes:
        letter: A, B, C or D.
        intervals: n, the number of verification intervals.
        capacity: E_max, in the unit of the calibration.
    """

    letter: str
    intervals: float
    capacity: float

    @property
    def interval(self) -> float:
        """Verification interval v = E_max/n, unit."""
        return self.capacity / self.intervals

    def largest_error(self, load: float) -> float:
        """Largest permissible error of the cell at a load, unit.

        Args:
            load: unit, 0 to the capacity.
        """
        in_v = abs(load) / self.interval
        first, second = _LIMITS_V[self.letter]
        step = _STEPS_V[0] if in_v <= first else _STEPS_V[1] if in_v <= second else _STEPS_V[2]
        return P_LC * step * self.interval

    @property
    def largest_zero_return(self) -> float:
        """Largest permissible change of the zero after half an hour's load, unit."""
        return _ZERO_RETURN_V * self.interval

    def largest_creep(self, load: float, *, late: bool) -> float:
        """Largest permissible creep in 30 min at a load, unit.

        Args:
            load: unit.
            late: between the 20th and the 30th minute only.
        """
        share = _LATE_CREEP_SHARE if late else _CREEP_SHARE
        return share * self.largest_error(load)


def parse_class(text: str, *, capacity: float) -> LoadCellClass:
    """Reads a class such as ``C3`` or ``D0.5``.

    Args:
        text: the letter and the thousands of intervals.
        capacity: E_max, unit.

    Raises:
        ValueError: in words for the person who wrote it.
    """
    match = re.fullmatch(r"([A-D])(\d+(?:\.\d+)?)", text.strip().upper(), re.ASCII)
    if match is None:
        raise ValueError("a class is a letter A to D and thousands of intervals, like C3")
    letter, intervals = match[1], 1000 * float(match[2])
    least, most = _LEAST_MOST_N[letter]
    if not least <= intervals <= most:
        raise ValueError(f"class {letter} has {least:g} to {most:g} intervals, not {intervals:g}")
    if not capacity > 0:
        raise ValueError("the cell's capacity is more than 0")
    return LoadCellClass(letter=letter, intervals=intervals, capacity=capacity)
