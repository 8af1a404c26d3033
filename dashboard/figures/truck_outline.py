"""The truck seen from above: where its wheels stand and how far its body reaches.

From the test file's model where it has one; else a drawing after the names of the wheels, true
in order but not to scale, which the figure then says. Screens show the cab at the top: screen
x is the vehicle's −y, screen y its x.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from logger.readings.test_file import TestFile

_HALF_TRACK_M = 0.95
_WHEELBASE_M = 3.6
_ROW = {"front": 1.0, "middle": 0.4, "mid": 0.4, "rear": 0.0, "back": 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckOutline:
    """Places in the vehicle frame (x forward, y left, m).

    Attributes:
        wheels: (x, y) of each wheel, in the test file's order.
        outriggers: (x, y) of each outrigger.
        column: (x, y) of the slew axis.
        to_scale: whether the places come from the model.
    """

    wheels: tuple[tuple[float, float], ...]
    outriggers: tuple[tuple[float, float], ...]
    column: tuple[float, float]
    to_scale: bool

    @property
    def body(self) -> tuple[float, float, float, float]:
        """Rear, front, half width of the body, and where the cab begins; x in m."""
        xs = [x for x, _ in self.wheels]
        half = max(abs(y) for _, y in self.wheels) + 0.1
        rear, front = min(*xs, self.column[0]) - 0.7, max(*xs, self.column[0] + 2.0) + 0.9
        return rear, front, half, front - min(1.7, 0.35 * (front - rear))

    def boom_tip(self, slew_deg: float, radius_m: float) -> tuple[float, float]:
        """Where the load hangs, in the vehicle frame (design: boom at (−cos ψ, −sin ψ))."""
        psi = math.radians(slew_deg)
        return (
            self.column[0] - radius_m * math.cos(psi),
            self.column[1] - radius_m * math.sin(psi),
        )


def on_screen(place: tuple[float, float]) -> tuple[float, float]:
    """A place in the vehicle frame as screen x (to the truck's right) and y (to the cab)."""
    return -place[1], place[0]


def outline_of(test: TestFile) -> TruckOutline:
    """The outline for a test file."""
    names = test.truck.wheels
    modelled = {s.name: s.at_m for s in test.model.supports} if test.model else {}
    if test.model is None or any(n not in modelled for n in names):
        return TruckOutline(
            wheels=_drawn_after_names(names), outriggers=(), column=(-0.6, 0.0), to_scale=False
        )
    return TruckOutline(
        wheels=tuple(modelled[n] for n in names),
        outriggers=tuple(s.at_m for s in test.model.supports if s.kind == "outrigger"),
        column=test.model.column_m,
        to_scale=True,
    )


def _drawn_after_names(names: Sequence[str]) -> tuple[tuple[float, float], ...]:
    rows: dict[str, float] = {}
    for name in names:
        rows.setdefault(_row_of(name), 0.0)
    known = [r for r in rows if r in _ROW]
    others = [r for r in rows if r not in _ROW]
    for row in known:
        rows[row] = _ROW[row] * _WHEELBASE_M
    for index, row in enumerate(others):
        # Axles without a word for their place, in the order of the file, from front to rear.
        rows[row] = _WHEELBASE_M * (1 - index / max(len(others) - 1, 1))
    taken: dict[tuple[float, float], int] = {}
    places: list[tuple[float, float]] = []
    for index, name in enumerate(names):
        x, side = rows[_row_of(name)], _side_of(name, index)
        beside = taken.get((x, side), 0)
        taken[x, side] = beside + 1
        places.append((x, side * (_HALF_TRACK_M - 0.35 * beside)))
    return tuple(places)


def _tokens(name: str) -> list[str]:
    return name.lower().replace("-", "_").replace(".", "_").split("_")


def _side_of(name: str, index: int) -> float:
    tokens = _tokens(name)
    if "left" in tokens:
        return 1.0
    if "right" in tokens:
        return -1.0
    return 1.0 if index % 2 == 0 else -1.0


def _row_of(name: str) -> str:
    tokens = [t for t in _tokens(name) if t not in ("left", "right", "inner", "outer")]
    return next((t for t in tokens if t in _ROW), "_".join(tokens) or name)
