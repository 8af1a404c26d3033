"""The catalogue's tables and what their columns hold.

A row of a run is what a quality team asks of it among thousands; everything else stands in the
run's result, which the row leads to by run id and path. Angles count from over the rear on
their side, 0 to 180 deg, on the left too, so that both sides can be compared. What a run does
not tell is null, never zero.
"""

from __future__ import annotations

from types import MappingProxyType

import pyarrow as pa

FORMAT = "slewtrace.catalogue/1"
SIDES = ("right", "left")

_RUN = [
    pa.field("run_id", pa.string(), nullable=False),
    pa.field("path", pa.string(), nullable=False),  # from the fleet's folder on, with slashes
    pa.field("sha256", pa.string(), nullable=False),  # content hash of the sealed run
    pa.field("corrections_sha256", pa.string(), nullable=False),  # of its layers; empty for none
    pa.field("method_version", pa.string(), nullable=False),
    pa.field("truck", pa.string(), nullable=False),
    pa.field("crane", pa.string(), nullable=False),
    pa.field("test", pa.string(), nullable=False),
    pa.field("build", pa.string(), nullable=False),  # empty where the test file names none
    pa.field("kit", pa.string(), nullable=False),  # the rig that measured
    pa.field("started_utc", pa.string()),  # 2026-05-04T09:30:00.000000Z, so that text sorts by time
    pa.field("duration_s", pa.float64(), nullable=False),
    pa.field("samples", pa.int64(), nullable=False),
    pa.field("test_load_kg", pa.float64(), nullable=False),
    pa.field("required_moment_nm", pa.float64(), nullable=False),
    pa.field("guarded_radius_m", pa.float64()),
    pa.field("verdict", pa.string(), nullable=False),  # the standing, such as "full in part"
    pa.field("invalid", pa.int64(), nullable=False),  # findings of each severity
    pa.field("cautions", pa.int64(), nullable=False),
    pa.field("notes", pa.int64(), nullable=False),
]
SIDE_COLUMNS = (
    ("reached_deg", pa.float64()),  # the sweep that counts; null where no sweep of the side does
    ("lift_wheel", pa.string()),  # its first lift; null where no wheel lifted
    ("lift_deg", pa.float64()),  # best estimate
    ("lift_low_deg", pa.float64()),  # 95 % interval of the estimate, nearer to over the rear
    ("lift_high_deg", pa.float64()),  # and farther
    ("lift_u_deg", pa.float64()),  # standard uncertainty
    ("lift_t_s", pa.float64()),  # on the run's clock, for a link to that second
    ("full_to_deg", pa.float64()),  # 100 % proved from over the rear to here; 0 where nowhere
    ("least_percent", pa.float64()),  # of the sectors that were tested; null without any
    ("reduced_radius_m", pa.float64()),  # radius of the last hold; null where it began with it
    ("proved_moment_nm", pa.float64()),  # least proved over the sectors that were tested
)
"""Columns that a run has for each side, ``right_`` or ``left_`` before the name."""

RUNS = pa.schema(
    _RUN + [pa.field(f"{side}_{name}", kind) for side in SIDES for name, kind in SIDE_COLUMNS]
)
SECTORS = pa.schema(
    [
        *(
            RUNS.field(name)
            for name in ("run_id", "sha256", "method_version", "truck", "build", "kit")
        ),
        RUNS.field("started_utc"),
        pa.field("side", pa.string(), nullable=False),
        pa.field("from_deg", pa.float64(), nullable=False),
        pa.field("to_deg", pa.float64(), nullable=False),
        pa.field("percent", pa.float64(), nullable=False),
        pa.field("basis", pa.string(), nullable=False),  # proved, reduced or untested
        pa.field("proved_moment_nm", pa.float64()),  # least proved in it; null where untested
    ]
)
SET_ASIDE = pa.schema(
    [
        pa.field("path", pa.string(), nullable=False),
        pa.field("sha256", pa.string(), nullable=False),  # empty where the file states none
        pa.field("reason", pa.string(), nullable=False),  # one line
    ]
)
FILES = pa.schema(
    [
        pa.field("path", pa.string(), nullable=False),
        pa.field("stamp", pa.string(), nullable=False),  # sizes and times of change, one text
        pa.field("sha256", pa.string(), nullable=False),
        pa.field("corrections_sha256", pa.string(), nullable=False),
        pa.field("run_id", pa.string(), nullable=False),  # empty where the file is set aside
    ]
)
"""What each file was when it was last looked at; that of it which changes is looked at again."""

TABLES = MappingProxyType(
    {"runs": RUNS, "sectors": SECTORS, "set_aside": SET_ASIDE, "files": FILES}
)
