"""Measures the catalogue of a fleet: workers, a rebuild with nothing changed, questions.

Not part of the suite. A fleet comes from ``make_fleet``::

    python -m tests.campaigns.make_fleet /tmp/fleet --runs 1000
    python -m tests.campaigns.fleet_benchmark /tmp/fleet --analyse 400 --rows 10000

``--analyse`` runs are analysed by one worker and by two, in turn, so that other work on the
machine falls on both. The catalogue of ``--rows`` is made by repeating analysed rows under new
ids, and its files are links to the fleet's: what is measured there does not look into them. The
load that the machine had besides is printed with each figure.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import psutil
import pyarrow as pa

from dashboard.capacity.method_version import METHOD_VERSION
from dashboard.catalogue.analysing import analyse_file
from dashboard.catalogue.building import build_catalogue
from dashboard.catalogue.columns import RUNS, TABLES
from dashboard.catalogue.places import Folder, catalogue_place
from dashboard.catalogue.queries import Filters, open_catalogue
from dashboard.catalogue.snapshot import read_snapshot, write_snapshot
from dashboard.catalogue.tasks import Task
from dashboard.fleet.workers import analyse_on, workers


def load():
    """Load averages, as a word."""
    return "load " + " ".join(f"{x:.1f}" for x in os.getloadavg()[:2])


def links(fleet, folder, count):
    """Links to ``count`` runs of a fleet, as often as it takes."""
    paths = sorted(p for p in fleet.rglob("*.parquet") if ".slewtrace" not in p.parts)
    for number in range(count):
        path = paths[number % len(paths)]
        name = folder / path.parent.name / f"{path.stem}-{number // len(paths)}.parquet"
        name.parent.mkdir(parents=True, exist_ok=True)
        os.link(path, name)
    return folder


def processor_s(process):
    """Processor seconds of a process and those below it."""
    times = [p.cpu_times() for p in [process, *process.children(recursive=True)]]
    return sum(t.user + t.system for t in times)


def built_by(count, runs, out):
    """Wall and processor seconds of a building by some workers, from the first task on."""
    me = psutil.Process()
    with workers(count=count, scheduler=None) as client:
        client.run(warm_up)
        begun_s, spent_s = time.monotonic(), processor_s(me)
        built = build_catalogue(
            Folder(runs),
            Folder(out),
            analyse=lambda tasks: analyse_on(client, tasks),
            method_version=METHOD_VERSION,
        )
        wall_s, spent_s = time.monotonic() - begun_s, processor_s(me) - spent_s
    print(
        f"{count} worker{'s' if count > 1 else ''}: {built.analysed} runs in {wall_s:.1f} s, "
        f"{1000 * spent_s / built.analysed:.0f} ms of processor a run, {load()}",
        flush=True,
    )
    return wall_s, spent_s


def warm_up():
    """Loads on a worker what analysis needs, so that starting is not measured as working."""
    import dashboard.catalogue.analysing  # noqa: F401


def bare(count, runs):
    """The same by plain processes without dask or a catalogue: what the machine itself gives."""
    tasks = [Task(runs=str(runs), path=path) for path in Folder(runs).runs()]
    me = psutil.Process()
    with ProcessPoolExecutor(count) as pool:
        for _ in pool.map(time.sleep, [1.0] * count):
            pass
        list(pool.map(analyse_file, tasks[: 2 * count]))
        begun_s, spent_s = time.monotonic(), processor_s(me)
        list(pool.map(analyse_file, tasks, chunksize=4))
        wall_s, spent_s = time.monotonic() - begun_s, processor_s(me) - spent_s
    each_ms = 1000 * spent_s / len(tasks)
    print(f"{count} bare: {len(tasks)} runs in {wall_s:.1f} s, {each_ms:.0f} ms a run, {load()}")
    return wall_s, spent_s


def efficiency(fleet, count, rounds):
    """Runs a second by two workers against twice those by one, and against bare processes."""
    found = {(kind, n): [] for kind in ("bare", "workers") for n in (1, 2)}
    with tempfile.TemporaryDirectory(dir=fleet.parent) as folder:
        runs = links(fleet, Path(folder) / "runs", count)
        for number in range(rounds):
            for n in (1, 2):
                found["bare", n].append(bare(n, runs))
                out = Path(folder) / f"catalogue-{n}-{number}"
                found["workers", n].append(built_by(n, runs, out))
    wall = {key: min(w for w, _ in times) for key, times in found.items()}
    spent = {key: min(s for _, s in times) for key, times in found.items()}
    for kind in ("bare", "workers"):
        share = 100 * wall[kind, 1] / (2 * wall[kind, 2])
        print(f"{kind}: efficiency of two by the wall {share:.0f} %")
    for n in (1, 2):
        share = 100 * spent["bare", n] / spent["workers", n]
        print(f"{n}: processor time, bare against workers and catalogue {share:.0f} %")


def many_rows(fleet, folder, count):
    """A fleet of ``count`` files with its catalogue, rows repeated."""
    snapshot = read_snapshot(catalogue_place(fleet))
    if snapshot is None:
        sys.exit(f"{fleet} has no catalogue yet: slewtrace fleet {fleet}")
    known = {r["sha256"]: r for r in snapshot.tables["runs"].to_pylist()}
    rows = sorted(known.values(), key=lambda r: r["path"])
    runs = Folder(links(fleet, folder, count)).runs()
    made = [
        rows[n % len(rows)] | {"run_id": f"r{n:07d}", "path": path, "sha256": f"{n:064x}"}
        for n, path in enumerate(runs)
    ]
    return write_rows(folder, made, runs)


def write_rows(folder, made, runs):
    """Writes a catalogue of made rows; two sectors of each."""
    names = TABLES["sectors"].names
    sectors = [
        {n: r.get(n) for n in names}
        | {"side": side, "from_deg": 0.0, "to_deg": 171.0, "percent": 100.0, "basis": "proved"}
        for r in made
        for side in ("right", "left")
    ]
    files = [
        {
            **{n: r[n] for n in ("path", "sha256", "run_id")},
            "corrections_sha256": "",
            "stamp": runs[r["path"]],
        }
        for r in made
    ]
    tables = {
        "runs": pa.Table.from_pylist(made, RUNS),
        "sectors": pa.Table.from_pylist(sectors, TABLES["sectors"]),
        "set_aside": TABLES["set_aside"].empty_table(),
        "files": pa.Table.from_pylist(files, TABLES["files"]),
    }
    write_snapshot(catalogue_place(folder), tables, method_version=METHOD_VERSION)
    return folder


@contextmanager
def told(what):
    """Prints how long something took."""
    begun_s, spent_s = time.perf_counter(), time.process_time()
    yield
    wall_s, spent_s = time.perf_counter() - begun_s, time.process_time() - spent_s
    print(f"{what}: {wall_s:.3f} s, {spent_s:.3f} s of processor, {load()}", flush=True)


def rebuild(folder):
    """The command with nothing changed, as a person starts it."""
    for _ in range(3):
        begun_s = time.perf_counter()
        command = [sys.executable, "-m", "dashboard", "fleet", str(folder)]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        _, _, usage = os.wait4(process.pid, 0)
        process.returncode = 0
        spent_s = usage.ru_utime + usage.ru_stime
        wall_s = time.perf_counter() - begun_s
        print(f"rebuild, nothing changed: {wall_s:.2f} s, {spent_s:.2f} s of processor, {load()}")


def questions(folder):
    """What a page asks."""
    with told("opening the catalogue"):
        catalogue = open_catalogue(folder)
    trucks = [t for t, _ in catalogue.distinct("truck")]
    asked = Filters(trucks=tuple(trucks[:2]), from_utc="2025-03-01")
    with told("a filtered count, three lists of values, a span of time"):
        catalogue.count(asked)
        for column in ("truck", "build", "kit"):
            catalogue.distinct(column, asked)
        catalogue.span_utc(asked)
    with told("100 rows of it, the newest first"):
        catalogue.runs(asked, newest_first=True, limit=100).to_pylist()
    with told("a histogram of lifts"):
        catalogue.histogram("right_lift_deg", asked, width=1.0)
    with told("the lifts of all runs of a truck, for a control chart"):
        catalogue.runs(Filters(trucks=(trucks[0],)), columns=["started_utc", "right_lift_deg"])
    with told("all sectors of it"):
        catalogue.sectors(asked)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("fleet", type=Path)
    parser.add_argument("--analyse", type=int, default=0, help="runs for one worker against two")
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--rows", type=int, default=0, help="rows for a rebuild and questions")
    asked = parser.parse_args()
    if asked.analyse:
        efficiency(asked.fleet, asked.analyse, asked.rounds)
    if asked.rows:
        folder = asked.fleet.parent / f"{asked.fleet.name}-{asked.rows}"
        shutil.rmtree(folder, ignore_errors=True)
        many_rows(asked.fleet, folder, asked.rows)
        rebuild(folder)
        questions(folder)
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
