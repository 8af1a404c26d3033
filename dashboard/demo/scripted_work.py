"""An operator's work as corners of straight lines: quick to make, for fleets of invented runs.

Where each wheel lifts is known before, so nothing is simulated: the boom goes there, a little
farther, the load is set down and brought in, and the sweep goes on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from dashboard.capacity.truck.truck_model import Side
from dashboard.demo.scenario import SIDES, ExpectedLift

SLEW_DPS = 2.6
OVERRUN_DEG = 1.0
"""How far the boom goes on after a wheel has lifted."""
_SIGN = {"right": 1.0, "left": -1.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A wheel's contact that is open from one time to another, s."""

    wheel: str
    start_s: float
    end_s: float


@dataclass(slots=True, kw_only=True)
class ScriptedWork:
    """Work so far; a value at each corner, straight lines between.

    Attributes:
        t_s: times, s.
        slew_deg: slew angle, deg.
        radius_m: radius, m.
        hung: share of the load on the hook.
        opened: contacts that opened.
    """

    t_s: list[float] = field(default_factory=lambda: [0.0])
    slew_deg: list[float] = field(default_factory=lambda: [0.0])
    radius_m: list[float]
    hung: list[float] = field(default_factory=lambda: [0.0])
    opened: list[Opened] = field(default_factory=list)

    def go(
        self,
        seconds: float,
        *,
        slew_deg: float | None = None,
        radius_m: float | None = None,
        hung: float | None = None,
    ) -> None:
        """Adds a corner; what is not named stays as it is."""
        self.t_s.append(self.t_s[-1] + seconds)
        rows = ((self.slew_deg, slew_deg), (self.radius_m, radius_m), (self.hung, hung))
        for row, value in rows:
            row.append(row[-1] if value is None else value)

    def slew_to(self, slew_deg: float, *, dps: float = SLEW_DPS) -> None:
        """Slews at a steady rate."""
        self.go(max(0.1, abs(slew_deg - self.slew_deg[-1]) / dps), slew_deg=slew_deg)

    def hoist(self) -> None:
        """Takes the load up and lets it calm down."""
        self.go(4)
        self.go(2, hung=1.0)
        self.go(4)

    def set_down(self) -> None:
        """Sets the load down."""
        self.go(1.5)
        self.go(2, hung=0.0)
        self.go(3)


def carry_out_by_script(
    lifts: Sequence[ExpectedLift],
    *,
    radius_m: float,
    step_m: float,
    moved_deg: float,
    limits_deg: Mapping[str, float],
) -> ScriptedWork:
    """A whole test.

    Args:
        lifts: where wheels lift, in order; each one asks for a smaller radius.
        radius_m: radius that each sweep begins at, m.
        step_m: how much the load comes in after a lift, m.
        moved_deg: how much farther from the rear than foreseen each lift comes, deg.
        limits_deg: how far each side is swept, deg from over the rear.
    """
    work = ScriptedWork(radius_m=[radius_m])
    for side in SIDES:
        angles = [(x.wheel, abs(x.slew_deg) + moved_deg) for x in lifts if x.side == side]
        _sweep(work, side, angles, step_m=step_m, limit_deg=limits_deg[side])
        work.go(8, radius_m=radius_m)
    return work


def _sweep(
    work: ScriptedWork,
    side: Side,
    lifts: list[tuple[str, float]],
    *,
    step_m: float,
    limit_deg: float,
) -> None:
    sign = _SIGN[side]
    work.hoist()
    for wheel, lift_deg in lifts:
        if not abs(work.slew_deg[-1]) + 2 < lift_deg < limit_deg - 3:
            continue
        work.slew_to(sign * lift_deg)
        lifted_s = work.t_s[-1]
        work.slew_to(sign * (lift_deg + OVERRUN_DEG))
        work.set_down()
        work.opened.append(Opened(wheel=wheel, start_s=lifted_s, end_s=work.t_s[-2] - 0.3))
        work.go(6, radius_m=work.radius_m[-1] - step_m)
        work.hoist()
    work.slew_to(sign * limit_deg)
    work.set_down()
    work.slew_to(0.0, dps=8)
