"""Sealed runs of simulated tests, for tests of the dashboard."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dashboard.demo.simulation import Simulation, simulate
from logger.recording.header import RunHeader
from logger.recording.sealed import write_sealed


@dataclass(frozen=True)
class SampleRun:
    """A sealed run and the simulated test it came from."""

    path: Path
    run_id: str
    simulation: Simulation


def seal_sample(
    folder: Path,
    *,
    scenario="both-sides",
    run_id=None,
    seed=1,
    rates=None,
    truck=None,
    started_utc="2026-05-04T09:30:00Z",
) -> SampleRun:
    """Simulates a test and seals it into a folder."""
    simulation = simulate(scenario, seed=seed, rates=rates)
    test_toml = simulation.test_toml
    if truck is not None:
        head, tail = test_toml.split("[truck]\nid = ", 1)
        test_toml = f"{head}[truck]\nid = {truck}\n{tail.split(chr(10), 1)[1]}"
    name = run_id or str(getattr(scenario, "name", scenario))
    header = RunHeader(
        run_id=name,
        started_utc=started_utc,
        software="tests",
        rig_toml=simulation.rig_toml,
        test_toml=test_toml,
    )
    path = folder / f"{name}.parquet"
    write_sealed(path, header, [simulation.blocks[c] for c in sorted(simulation.blocks)])
    return SampleRun(path=path, run_id=name, simulation=simulation)
