"""A fleet of invented trucks, each tested many times: for tests, benchmarks and a first look.

Every truck is the demo's with small differences of its own, and each build moves its body a
little, so its model says where a wheel lifts. A run is the operator's work as a script of
straight lines, read by sensors at low rates; a kit brings errors of its own, which drift. All of
it follows from the seed: run 17 of a plan is the same run wherever and whenever it is made.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dashboard.demo.scenario import (
    CELL_STEP_KG,
    CELL_ZERO_COUNTS,
    ENCODER_COUNTS,
    ENCODER_ZERO,
    RADIUS_STEP_M,
    RADIUS_ZERO_MM,
    WHEELS,
    ExpectedLift,
    Rates,
    Scenario,
    demo_rig_toml,
    demo_test_toml,
    expected_lifts,
)
from dashboard.demo.scripted_work import ScriptedWork, carry_out_by_script
from logger.readings.block import Block
from logger.recording.header import RunHeader
from logger.recording.sealed import write_sealed
from logger.software import software_name

LOW_RATES = Rates(slew_hz=10, load_hz=10, radius_hz=5, wheel_hz=25)
LIMITS_DEG = {"right": 172.0, "left": 168.0}
ABOVE_CELL_KG, TEST_LOAD_KG = 40.0, 1400.0
BROKEN_OFF = 0.03
"""Share of the runs in which the left sweep is not carried through."""
SWING_S = 3.75
"""Period of the wave in the rope's tension, a load on 14 m of rope."""

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetPlan:
    """What a fleet is made of; run n has its own truck, build, kit and date.

    Attributes:
        runs: how many runs.
        seed: another seed makes another fleet.
        trucks: how many trucks take turns.
        builds: how many builds; a truck goes from one to the next as time goes on.
        kits: how many measuring kits.
        first_day: date of the first run, UTC.
        days: over how many days the runs are spread.
        build_shift_m: how far each build moves the body's centre of mass to the right, m.
        rates: samples a second.

    Raises:
        ValueError: for a count below one.
    """

    runs: int
    seed: int = 1
    trucks: int = 12
    builds: int = 3
    kits: int = 4
    first_day: str = "2025-01-06"
    days: int = 365
    build_shift_m: float = 0.02
    rates: Rates = field(default=LOW_RATES)

    def __post_init__(self) -> None:
        if min(self.runs, self.trucks, self.builds, self.kits, self.days) < 1:
            raise ValueError("a fleet needs a run, a truck, a build, a kit and a day at least")


def synthetic_run(plan: FleetPlan, number: int) -> tuple[RunHeader, list[Block]]:
    """A run of a fleet.

    Args:
        plan: the fleet.
        number: which run, 0 for the first.

    Returns:
        Its header, without the counts and the hash that sealing finds, and its samples.
    """
    rng = np.random.default_rng([plan.seed, 1, number])
    share = number / plan.runs
    truck = int(rng.integers(plan.trucks))
    build = min(plan.builds - 1, int(share * plan.builds + rng.uniform(-0.15, 0.15)) % plan.builds)
    kit = int(rng.integers(plan.kits))
    scenario = _scenario(plan, truck)
    work = carry_out_by_script(
        _lifts(plan, truck, build),
        radius_m=scenario.radius_m,
        step_m=scenario.step_m,
        # How full the tank is and how hard the tyres are moves each lift a little, all alike.
        moved_deg=float(rng.normal(0, 0.5)),
        limits_deg=LIMITS_DEG | ({"left": 120.0} if rng.random() < BROKEN_OFF else {}),
    )
    header = RunHeader(
        run_id=f"synthetic-{plan.seed}-{number:07d}",
        started_utc=_start(plan, share, rng),
        software=software_name(),
        rig_toml=_rig_toml(kit),
        test_toml=_test_toml(plan, truck, build, number),
    )
    return header, _readings(work, _kit(plan, kit), share=share, rates=plan.rates, rng=rng)


def write_synthetic_run(folder: Path, plan: FleetPlan, number: int) -> Path:
    """Seals a run of a fleet into a folder, below the truck's own; one that is there stays.

    Returns:
        Its file.
    """
    header, blocks = synthetic_run(plan, number)
    path = folder / header.test.truck.id.replace(" ", "-").lower() / f"{header.run_id}.parquet"
    path.parent.mkdir(parents=True, exist_ok=True)
    if not path.exists():
        write_sealed(path, header, blocks)
    return path


def write_fleet(folder: Path, plan: FleetPlan, *, processes: int = 1) -> Iterator[int]:
    """Seals a whole fleet.

    Args:
        folder: where to; it is made if it is not there.
        plan: the fleet.
        processes: how many make runs at once; 1 makes them here.

    Yields:
        How many runs are made, now and then.
    """
    step = 50
    cuts = [(n, min(plan.runs, n + step)) for n in range(0, plan.runs, step)]
    if processes == 1:
        for first, end in cuts:
            yield _write_some(folder, plan, first, end)
        return
    with ProcessPoolExecutor(processes) as pool:
        rest = itertools.repeat
        firsts, ends = zip(*cuts, strict=True)
        yield from pool.map(_write_some, rest(folder), rest(plan), firsts, ends)


def _write_some(folder: Path, plan: FleetPlan, first: int, end: int) -> int:
    for number in range(first, end):
        write_synthetic_run(folder, plan, number)
    return end


def _truck_id(truck: int) -> str:
    return f"Truck {truck + 1:02d}"


def _start(plan: FleetPlan, share: float, rng: np.random.Generator) -> str:
    first = datetime.fromisoformat(plan.first_day).replace(tzinfo=UTC)
    begun = first + timedelta(days=int(share * plan.days), seconds=int(rng.integers(25200, 61200)))
    return begun.strftime("%Y-%m-%dT%H:%M:%SZ")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kit:
    """A kit's own errors; the encoder's drifts over the fleet's days."""

    zero_deg: float
    drift_deg: float
    gain: float
    radius_off_m: float


def _kit(plan: FleetPlan, kit: int) -> _Kit:
    rng = np.random.default_rng([plan.seed, 3, kit])
    return _Kit(
        zero_deg=float(rng.normal(0, 0.08)),
        drift_deg=float(rng.normal(0, 0.1)),
        gain=float(rng.normal(1, 0.0004)),
        radius_off_m=float(rng.normal(0, 0.0015)),
    )


@lru_cache(maxsize=4096)
def _scenario(plan: FleetPlan, truck: int) -> Scenario:
    """A truck's own ballast: some lift on both sides, some on one, some on none."""
    rng = np.random.default_rng([plan.seed, 2, truck])
    ballast_kg = float(rng.choice([0.0, 0.0, 200.0, 400.0, 1200.0])) + float(rng.uniform(1, 80))
    return Scenario(
        name=f"fleet-{truck}",
        title="a run of a fleet",
        ballast_kg=round(ballast_kg),
        ballast_at_m=(0.8, round(float(rng.uniform(-0.2, 0.2)), 2)),
        step_m=0.45,
    )


@lru_cache(maxsize=16384)
def _lifts(plan: FleetPlan, truck: int, build: int) -> tuple[ExpectedLift, ...]:
    """Where the model has wheels lift for a truck as built; each build moves its ballast."""
    scenario = _scenario(plan, truck)
    x_m, y_m = scenario.ballast_at_m
    # The body's 6300 kg moved are as good as the ballast moved the farther.
    moved_m = build * plan.build_shift_m * 6300 / scenario.ballast_kg
    return expected_lifts(replace(scenario, ballast_at_m=(x_m, y_m - moved_m)))


def _rig_toml(kit: int) -> str:
    return demo_rig_toml().replace('id = "demo-bay"', f'id = "kit-{kit + 1}"', 1)


def _test_toml(plan: FleetPlan, truck: int, build: int, number: int) -> str:
    scenario = _scenario(plan, truck)
    text = demo_test_toml(scenario)
    for old, new in (
        (f'id = "demo-{scenario.name}"', f'id = "fleet-{plan.seed}-{number:07d}"'),
        ('id = "Demo truck A"', f'id = "{_truck_id(truck)}"\nbuild = "build {build + 1}"'),
        ('chart = "demo-chart.csv"\n', ""),
    ):
        text = text.replace(old, new, 1)
    return text


def _readings(
    work: ScriptedWork, kit: _Kit, *, share: float, rates: Rates, rng: np.random.Generator
) -> list[Block]:
    """What a kit's sensors read, by channel in order of their ids."""
    end_s = work.t_s[-1]
    t_s = _times(end_s, rates.load_hz, rng)
    swing = 1 + 0.003 * np.sin(2 * np.pi * t_s / SWING_S + rng.uniform(0, 6))
    load_kg = (TEST_LOAD_KG - ABOVE_CELL_KG) * kit.gain * np.interp(t_s, work.t_s, work.hung)
    load_kg = load_kg * swing + rng.normal(0, 1.2, t_s.size)
    blocks = [_block("load", t_s, np.round(load_kg / CELL_STEP_KG) + CELL_ZERO_COUNTS)]
    t_s = _times(end_s, rates.radius_hz, rng)
    radius_m = np.interp(t_s, work.t_s, work.radius_m) + kit.radius_off_m
    radius_m += rng.normal(0, 0.003, t_s.size)
    blocks.append(_block("radius", t_s, np.round(radius_m / RADIUS_STEP_M) - RADIUS_ZERO_MM))
    t_s = _times(end_s, rates.slew_hz, rng)
    off_deg = kit.zero_deg + share * kit.drift_deg
    slew_deg = np.interp(t_s, work.t_s, work.slew_deg) + off_deg
    counts = slew_deg * (ENCODER_COUNTS / 360) + ENCODER_ZERO + rng.normal(0, 0.15, t_s.size)
    blocks.append(_block("slew", t_s, np.round(counts) % ENCODER_COUNTS))
    return [*blocks, *_contacts(work, rates.wheel_hz, rng)]


def _contacts(work: ScriptedWork, rate_hz: float, rng: np.random.Generator) -> Iterator[Block]:
    for wheel in WHEELS:
        t_s = _times(work.t_s[-1], rate_hz, rng)
        closed = np.ones(t_s.size)
        for opened in work.opened:
            if opened.wheel == wheel:
                closed[(t_s >= opened.start_s) & (t_s < opened.end_s)] = 0
        yield _block(f"wheel/{wheel}", t_s, closed)


def _times(end_s: float, rate_hz: float, rng: np.random.Generator) -> Numbers:
    first_s = float(rng.uniform(0, 1 / rate_hz))
    return np.asarray(first_s + np.arange(int((end_s - first_s) * rate_hz)) / rate_hz)


def _block(channel: str, t_s: Numbers, raw: Numbers) -> Block:
    return Block(channel=channel, t_ns=np.round(t_s * 1e9).astype(np.int64), value=raw)
