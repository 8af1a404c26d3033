"""A whole simulated test without a wire or a wall clock: its readings and what truly happened.

The truth holds what a real test never tells: the moment a tyre left the ground, the angle then,
and every stretch of the operator's work, all on one clock without drift.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from dashboard.capacity.truck.truck_model import Side
from dashboard.demo.operator import STAYS_S, Course, Phase, carry_out
from dashboard.demo.scenario import (
    SCENARIOS,
    SIDES,
    WHEELS,
    Rates,
    Scenario,
    Wiring,
    demo_rig_toml,
    demo_test_toml,
    read_scenario_test,
)
from dashboard.demo.sensors import contact_changes_s, nanoseconds, read_sensors
from logger.readings.block import Block, Nanoseconds


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueLift:
    """A tyre that left the ground and stayed off with the load hanging.

    Attributes:
        side: the sweep.
        wheel: which wheel.
        t_s: the moment its contact opened, s.
        slew_deg: slew angle then, deg (negative on the left).
        radius_m: radius then, m.
    """

    side: Side
    wheel: str
    t_s: float
    slew_deg: float
    radius_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueRadiusChange:
    """A change of radius between two takings-up of the load.

    Attributes:
        side: the sweep.
        start_s: when the boom began to come in, s.
        end_s: when the load hung again, s.
        slew_deg: slew angle, deg.
        from_m: radius before, load hanging, m.
        to_m: radius after, load hanging, m.
    """

    side: Side
    start_s: float
    end_s: float
    slew_deg: float
    from_m: float
    to_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueHold:
    """A stretch of a sweep at one radius, load hanging, up to the lift or the limit.

    Attributes:
        side: the sweep.
        start_s: when the load hung, s.
        end_s: when a wheel lifted or the sweep ended, s.
        from_deg: slew angle at the start, deg.
        to_deg: slew angle at the end, deg.
        radius_m: radius, m.
    """

    side: Side
    start_s: float
    end_s: float
    from_deg: float
    to_deg: float
    radius_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What truly happened.

    Attributes:
        duration_s: length of the test, s.
        lifts: the lift that ended each hold, in order.
        radius_changes: in order.
        holds: in order.
        phases: every stretch of the operator's work.
        contact_changes_ns: for each wheel the moments its contact opened and closed, in turn
            (opening first), shape (k,), ns.
        reached_deg: farthest slew angle of each sweep with the load hanging, deg.
        load_kg: all that hangs below the boom tip, kg.
        course: the motion behind it all.
    """

    duration_s: float
    lifts: tuple[TrueLift, ...]
    radius_changes: tuple[TrueRadiusChange, ...]
    holds: tuple[TrueHold, ...]
    phases: tuple[Phase, ...]
    contact_changes_ns: Mapping[str, Nanoseconds]
    reached_deg: Mapping[Side, float]
    load_kg: float
    course: Course

    def first_lift(self, side: Side) -> TrueLift | None:
        """The first lift of a sweep, or None."""
        return next((lift for lift in self.lifts if lift.side == side), None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Simulation:
    """A simulated test: raw readings by channel, the truth, and both files."""

    scenario: Scenario
    blocks: Mapping[str, Block]
    truth: Truth
    rig_toml: str
    test_toml: str


def simulate(
    scenario: str | Scenario = "both-sides",
    seed: int = 1,
    *,
    rates: Rates | None = None,
    wiring: Wiring | None = None,
) -> Simulation:
    """Simulates a whole test.

    Args:
        scenario: one of ``SCENARIOS`` by name, or one of your own.
        seed: the same seed gives the same readings.
        rates: samples a second; by default those of the demo.
        wiring: ports for the rig file.

    Returns:
        The test. Its blocks are in the time of the truth: zero at the test's start.

    Raises:
        ValueError: for an unknown scenario.
    """
    if isinstance(scenario, str):
        if scenario not in SCENARIOS:
            raise ValueError(f"no scenario {scenario!r}; there are {', '.join(SCENARIOS)}")
        scenario = SCENARIOS[scenario]
    test, _ = read_scenario_test(scenario)
    course = carry_out(scenario, seed)
    weight_kg = test.load.mass_kg - test.load.above_cell_kg
    return Simulation(
        scenario=scenario,
        blocks=read_sensors(course, weight_kg=weight_kg, rates=rates or Rates(), seed=seed),
        truth=_truth(course, test.load.mass_kg),
        rig_toml=demo_rig_toml(wiring),
        test_toml=demo_test_toml(scenario),
    )


def csv_rows(simulation: Simulation) -> Iterator[str]:
    """The readings as lines of CSV (``t_s,channel,value``), header first, in order of time."""
    yield "t_s,channel,value"
    blocks = list(simulation.blocks.values())
    t_ns = np.concatenate([b.t_ns for b in blocks])
    names = np.repeat([b.channel for b in blocks], [len(b) for b in blocks])
    values = np.concatenate([b.value for b in blocks])
    for i in np.argsort(t_ns, kind="stable").tolist():
        yield f"{t_ns[i] / 1e9:.9f},{names[i]},{values[i]:.15g}"


def _truth(course: Course, load_kg: float) -> Truth:
    changes = {
        wheel: contact_changes_s(course.t_s, course.closure_m[:, i])
        for i, wheel in enumerate(WHEELS)
    }
    holds: list[TrueHold] = []
    lifts: list[TrueLift] = []
    for start, phase in _sweeping(course.phases):
        lift = _lift_within(course, changes, start_s=start, phase=phase)
        end = lift.t_s if lift else phase.end_s
        lifts += [lift] if lift else []
        holds.append(
            TrueHold(
                side=phase.side,
                start_s=start,
                end_s=end,
                from_deg=_at(course, course.slew_deg, start),
                to_deg=_at(course, course.slew_deg, end),
                radius_m=_at(course, course.radius_m, end),
            )
        )
    return Truth(
        duration_s=float(course.t_s[-1]),
        lifts=tuple(lifts),
        radius_changes=_radius_changes(course.phases, holds),
        holds=tuple(holds),
        phases=course.phases,
        contact_changes_ns={wheel: nanoseconds(t) for wheel, t in changes.items()},
        reached_deg={side: _reached_deg(course, side) for side in SIDES},
        load_kg=load_kg,
        course=course,
    )


def _sweeping(phases: tuple[Phase, ...]) -> Iterator[tuple[float, Phase]]:
    """Each sweep with the moment from which its load hung."""
    hung_s = 0.0
    for phase in phases:
        if phase.name == "hoist":
            hung_s = phase.end_s
        elif phase.name == "sweep":
            yield hung_s, phase


def _lift_within(
    course: Course, changes: Mapping[str, np.ndarray], *, start_s: float, phase: Phase
) -> TrueLift | None:
    openings = sorted(
        (opened, wheel)
        for wheel, t in changes.items()
        for opened, closed in zip(t[::2], [*t[1::2], np.inf][: len(t[::2])], strict=True)
        if start_s <= opened < phase.end_s and closed - opened >= STAYS_S
    )
    if not openings:
        return None
    t_s, wheel = openings[0]
    return TrueLift(
        side=phase.side,
        wheel=wheel,
        t_s=float(t_s),
        slew_deg=_at(course, course.slew_deg, t_s),
        radius_m=_at(course, course.radius_m, t_s),
    )


def _radius_changes(
    phases: tuple[Phase, ...], holds: list[TrueHold]
) -> tuple[TrueRadiusChange, ...]:
    boomed = [p.start_s for p in phases if p.name == "boom_in"]
    return tuple(
        TrueRadiusChange(
            side=after.side,
            start_s=next(t for t in boomed if before.end_s < t < after.start_s),
            end_s=after.start_s,
            slew_deg=after.from_deg,
            from_m=before.radius_m,
            to_m=after.radius_m,
        )
        for before, after in itertools.pairwise(holds)
        if before.side == after.side
    )


def _at(course: Course, values: np.ndarray, t_s: float) -> float:
    return float(np.interp(t_s, course.t_s, values))


def _reached_deg(course: Course, side: Side) -> float:
    slew = course.slew_deg[course.hung > 0.95]
    return float(slew.max() if side == "right" else slew.min())
