"""The operator at the controls: two sweeps, with a stop and a reduction wherever a wheel lifts.

The test is made of stretches (rest, hoist, sweep, …), each computed whole: the operator sweeps
towards the limit, the truck is asked where on that way a wheel would open and stay open, and
the stretch is cut there, a reaction time later. Then the load is set down, the boom brought in
with the weight slack on the ground, and the load taken up again.

Everything is in the simulation's own seconds, on a grid of ``STEP_S``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dashboard.capacity.truck.truck_model import Side, load_position_m, stand
from dashboard.demo.scenario import SIDES, Scenario, read_scenario_test
from dashboard.demo.swing import ROPE_M, Hanging, natural_frequency_rads, swing
from logger.readings.model_table import TruckModel

STEP_S = 0.02
REACTION_S = 0.4
STOP_S = 0.8
SOFT_S = 2.5
HOIST_S = 3.0
SETTLE_S = 6.0
RETURN_DPS = 5.0
BOOM_MPS = 0.06
GIVE_M = 0.015
"""How much farther out the tip hangs under the load than without it."""
STAYS_S = 0.06
_FEWEST_M = 1.5

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """A stretch of the test.

    Attributes:
        name: ``rest``, ``hoist``, ``settle``, ``sweep``, ``set_down``, ``boom_in``, ``return``.
        side: the sweep it belongs to.
        start_s: first moment, s.
        end_s: end, not included, s.
    """

    name: str
    side: Side
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """The whole test as it went, on a grid of ``STEP_S``; n moments.

    Attributes:
        t_s: times, shape (n,), s.
        slew_deg: slew angle, shape (n,), deg.
        radius_m: slew axis to hoist line at the boom tip, shape (n,), m.
        hung: share of the weight on the hook, shape (n,), 0 to 1.
        pull: hoist tension over the weight hanging, shape (n,), near 1 while the load swings.
        closure_m: wheels' closures, shape (n, wheels), m; above zero is tyre on the ground.
        phases: the stretches, in order.
    """

    t_s: Numbers
    slew_deg: Numbers
    radius_m: Numbers
    hung: Numbers
    pull: Numbers
    closure_m: Numbers
    phases: tuple[Phase, ...]


@dataclass(slots=True, kw_only=True)
class _Work:
    """The operator's work so far."""

    model: TruckModel
    load_kg: float
    above_kg: float
    rng: np.random.Generator
    side: Side = "right"
    slew_deg: float = 0.0
    radius_m: float = 0.0
    """Radius without the load's give."""
    hung: float = 0.0
    hanging: Hanging = field(default_factory=Hanging)
    steps: int = 0
    phases: list[Phase] = field(default_factory=list)
    rows: list[Numbers] = field(default_factory=list)


def carry_out(scenario: Scenario, seed: int) -> Course:
    """Carries a scenario out.

    Args:
        scenario: the test.
        seed: of the load's small sideways pulls.

    Returns:
        The course of the test.

    Raises:
        ValueError: where no radius keeps every wheel down.
    """
    test, model = read_scenario_test(scenario)
    work = _Work(
        model=model,
        load_kg=test.load.mass_kg,
        above_kg=test.load.above_cell_kg,
        rng=np.random.default_rng(seed),
        radius_m=scenario.radius_m - GIVE_M,
    )
    limits = {"right": test.truck.slew_limit_right_deg, "left": -test.truck.slew_limit_left_deg}
    for side in SIDES:
        work.side = side
        _sweep_a_side(work, scenario, limits[side])
    rows = np.concatenate(work.rows)
    return Course(
        t_s=np.arange(len(rows), dtype=np.float64) * STEP_S,
        slew_deg=rows[:, 0],
        radius_m=rows[:, 1],
        hung=rows[:, 2],
        pull=rows[:, 3],
        closure_m=rows[:, 4:],
        phases=tuple(work.phases),
    )


def _sweep_a_side(work: _Work, scenario: Scenario, limit_deg: float) -> None:
    _stay(work, "rest", scenario.rest_s)
    while True:
        lifted = _hoist(work)
        if not lifted:
            _stay(work, "settle", SETTLE_S)
            lifted = _sweep(work, limit_deg, scenario.slew_speed_dps)
        if not lifted:
            break
        _set_down(work)
        _stay(work, "rest", scenario.rest_s)
        _boom(work, "boom_in", work.radius_m - scenario.step_m)
        if work.radius_m < _FEWEST_M:
            raise ValueError(f"{scenario.name}: a wheel lifts even at {work.radius_m:.2f} m")
    _stay(work, "settle", 3.0)
    _set_down(work)
    _stay(work, "rest", 2.0)
    way = _slew_way(work.slew_deg, 0.0, RETURN_DPS)
    _go(work, "return", slew_deg=way)
    _boom(work, "return", scenario.radius_m - GIVE_M)


def _stay(work: _Work, name: str, seconds: float) -> None:
    _go(work, name, slew_deg=np.full(round(seconds / STEP_S), work.slew_deg))


def _boom(work: _Work, name: str, radius_m: float) -> None:
    steps = max(2, round(abs(radius_m - work.radius_m) / BOOM_MPS / STEP_S))
    way = work.radius_m + (radius_m - work.radius_m) * _soft(steps)
    _go(work, name, slew_deg=np.full(steps, work.slew_deg), radius_m=way)


def _hoist(work: _Work) -> bool:
    steps = round(HOIST_S / STEP_S)
    # The hook is never plumb above the weight, so the load starts with a small swing.
    pull = complex(*work.rng.uniform(-0.012, 0.012, size=2))
    work.hanging = Hanging(offset=pull)
    first = sum(len(r) for r in work.rows)
    _go(work, "hoist", slew_deg=np.full(steps, work.slew_deg), hung=_soft(steps))
    closure = np.concatenate(work.rows)[first:, 4:]
    return _first_that_stays(closure) is not None


def _set_down(work: _Work) -> None:
    steps = round(HOIST_S / STEP_S)
    slew = np.full(steps, work.slew_deg)
    _go(work, "set_down", slew_deg=slew, hung=1.0 - _soft(steps))


def _sweep(work: _Work, limit_deg: float, speed_dps: float) -> bool:
    """Sweeps towards the limit; true where a wheel lifted and the operator stopped."""
    way = _slew_way(work.slew_deg, limit_deg, speed_dps)
    rows, _ = _rows(work, slew_deg=way)
    lift = _first_that_stays(rows[:, 4:])
    if lift is not None:
        react = min(lift + round(REACTION_S / STEP_S), len(way) - 2)
        speed = (way[react + 1] - way[react]) * (1.0 - _soft(round(STOP_S / STEP_S)))
        way = np.concatenate([way[: react + 1], way[react] + np.cumsum(speed)])
    _go(work, "sweep", slew_deg=way)
    return lift is not None


def _first_that_stays(closure: Numbers) -> int | None:
    """First moment from which some wheel is open for ``STAYS_S``."""
    run = round(STAYS_S / STEP_S)
    opened = np.cumsum(np.vstack([np.zeros(closure.shape[1]), closure <= 0]), axis=0)
    stays = ((opened[run:] - opened[:-run]) == run).any(axis=1)
    return int(stays.argmax()) if stays.any() else None


def _slew_way(start_deg: float, end_deg: float, speed_dps: float) -> Numbers:
    """Angles from a start to an end, with soft starts and stops."""
    way = end_deg - start_deg
    ramp = _soft(round(SOFT_S / STEP_S))
    cruise = max(0, round((abs(way) / speed_dps - SOFT_S) / STEP_S))
    speed = np.concatenate([ramp, np.ones(cruise), 1.0 - ramp])
    return np.asarray(start_deg + way * np.cumsum(speed) / speed.sum())


def _soft(steps: int) -> Numbers:
    """From 0 to 1 without a jerk."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * (np.arange(steps) + 1) / steps))


def _go(
    work: _Work,
    name: str,
    *,
    slew_deg: Numbers,
    radius_m: Numbers | None = None,
    hung: Numbers | None = None,
) -> None:
    rows, work.hanging = _rows(work, slew_deg=slew_deg, radius_m=radius_m, hung=hung)
    work.slew_deg = float(slew_deg[-1])
    work.hung = float(rows[-1, 2])
    work.radius_m = float(rows[-1, 1]) - GIVE_M * work.hung
    end = work.steps + len(rows)
    work.phases.append(
        Phase(name=name, side=work.side, start_s=work.steps * STEP_S, end_s=end * STEP_S)
    )
    work.steps = end
    work.rows.append(rows)


def _rows(
    work: _Work,
    *,
    slew_deg: Numbers,
    radius_m: Numbers | None = None,
    hung: Numbers | None = None,
) -> tuple[Numbers, Hanging]:
    """The truck's answer to a stretch of the operator's work: rows of a ``Course``."""
    hung = np.full(slew_deg.shape, work.hung) if hung is None else hung
    radius = (work.radius_m if radius_m is None else radius_m) + GIVE_M * hung
    tip = load_position_m(work.model, slew_deg, radius)
    offset, speed, hanging = swing(tip[:, 0] + 1j * tip[:, 1], hung, STEP_S, work.hanging)
    load = work.above_kg + hung * (work.load_kg - work.above_kg)
    at = tip + np.column_stack([offset.real, offset.imag])
    wheel = np.array([s.kind == "wheel" for s in work.model.supports])
    closure = stand(work.model, slew_deg, load, at).closure_m[:, wheel]
    pull = _tension(offset, speed)
    return np.column_stack([slew_deg, radius, hung, pull, closure]), hanging


def _tension(offset: NDArray[np.complex128], speed: NDArray[np.complex128]) -> Numbers:
    """Rope tension over weight, for small swings: cos θ + v²/(gL)."""
    angle = np.abs(offset) / ROPE_M
    return np.asarray(np.cos(angle) + (np.abs(speed) / (ROPE_M * natural_frequency_rads())) ** 2)
