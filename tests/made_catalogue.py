"""Catalogues with made rows, for tests and campaigns of the fleet's page.

Rows are drawn, not analysed: what a page does with ten thousand rows doesn't depend on where they
came from. Trucks differ, builds shift the lift, some runs lift no wheel, some skip a side.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa

from dashboard.capacity.result import METHOD_VERSION
from dashboard.catalogue.columns import RUNS, SECTORS, TABLES
from dashboard.catalogue.places import catalogue_place, place_of
from dashboard.catalogue.snapshot import write_snapshot

FIRST_DAY = datetime(2026, 1, 5, 8, tzinfo=UTC)
HOSTILE = "<img src=x onerror=alert(1)> \u202eright to left " + "L" * 150


def fleet_rows(count, *, trucks=12, builds=3, kits=4, seed=1, hostile=False):
    """Rows of runs and of their sectors, as plain values."""
    rng = np.random.default_rng(seed)
    usual = rng.normal(78, 5, trucks)
    runs, sectors = [], []
    for number in range(count):
        truck = int(rng.integers(trucks))
        build = min(builds - 1, number * builds // count)
        row = dict.fromkeys(RUNS.names) | {
            "run_id": f"made-{number:06d}",
            "path": f"made-{number:06d}.parquet",
            "sha256": f"{number:064x}",
            "corrections_sha256": "",
            "method_version": METHOD_VERSION,
            "truck": HOSTILE if hostile and truck == 0 else f"Truck {truck + 1:02d}",
            "crane": "Demo crane",
            "test": f"{HOSTILE if hostile else 'test'} {number}",
            "build": f"<b>build {build + 1}</b>" if hostile else f"build {build + 1}",
            "kit": f"kit-{int(rng.integers(kits)) + 1}",
            "started_utc": started(number, count),
            "duration_s": 240.0,
            "samples": 20_000,
            "test_load_kg": 1400.0,
            "required_moment_nm": 53100.0,
            "guarded_radius_m": 3.9,
            "verdict": "full in part",
            **dict.fromkeys(("invalid", "cautions", "notes"), 0),
        }
        for side in ("right", "left"):
            lift_deg = None if rng.random() < 0.1 else usual[truck] - 1.5 * build + rng.normal(0, 1)
            if side == "right" or rng.random() > 0.02:
                sectors += _side(row, side, lift_deg, rng)
        runs.append(row)
    return runs, sectors


def started(number, count):
    """Starts spread over a year, in order."""
    at = FIRST_DAY + timedelta(days=300 * number / count, seconds=number)
    return at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _side(row, side, lift_deg, rng):
    """Fills in a side of a run; its sectors."""
    reduced = float(np.floor(rng.normal(88, 2)))
    full_to = 171.0 if lift_deg is None else float(np.floor(lift_deg - 0.5))
    least = 100.0 if lift_deg is None else reduced
    values = {"reached_deg": 171.5, "full_to_deg": full_to, "least_percent": least}
    values["proved_moment_nm"] = least * 531.0 + float(rng.uniform(0, 400))
    if lift_deg is not None:
        values |= {"lift_deg": float(lift_deg), "lift_wheel": f"rear_{side}", "lift_t_s": 75.0}
    row.update({f"{side}_{name}": value for name, value in values.items()})
    cuts = [(0.0, full_to, 100.0, "proved"), (full_to, 171.0, least, "reduced")]
    cuts = [*cuts[: 1 if lift_deg is None else 2], (171.0, 180.0, 0.0, "untested")]
    shared = {name: row[name] for name in SECTORS.names if name in row}
    return [
        dict.fromkeys(SECTORS.names)
        | shared
        | {"side": side, "from_deg": a, "to_deg": b, "percent": percent, "basis": basis}
        for a, b, percent, basis in cuts
    ]


def write_fleet(folder, runs, sectors=(), *, set_aside=(), files=()):
    """Writes rows as the catalogue of a folder; files as the folder has them, by path."""
    rows = {
        "runs": runs,
        "sectors": list(sectors),
        "set_aside": [dict.fromkeys(TABLES["set_aside"].names, "") | r for r in set_aside],
        "files": [dict.fromkeys(TABLES["files"].names, "") | f for f in files],
    }
    tables = {name: pa.Table.from_pylist(rows[name], schema=TABLES[name]) for name in TABLES}
    write_snapshot(catalogue_place(folder), tables, method_version=METHOD_VERSION)


def files_of(folder):
    """What the files of a folder are now, for a catalogue that is up to date."""
    return [{"path": path, "stamp": stamp} for path, stamp in place_of(folder).runs().items()]
