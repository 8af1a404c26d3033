"""Findings about calibrations: what a sensor was not calibrated for, what was taken as stiff."""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.results import analyse
from logger.readings.block import Block
from logger.readings.rig_file import read_rig
from logger.recording.header import RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun

CALIBRATED = """
[channel.calibrated]
on = "2026-05-04"
reference = "block set 2, certificate 123"
range = ["0 kg", "{most} kg"]
"""


@pytest.fixture
def codes_of(tmp_path):
    """The codes found in a made right sweep, by the rig file."""

    def found(rig_toml, test_toml=TEST_TOML):
        made = MadeRun().hoist().slew_to(171.5).go(5)
        blocks = [
            Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64), value=raw)
            for c, (t, raw) in sorted(made.signals().items())
            if read_rig(rig_toml).wired(c)
        ]
        header = RunHeader(
            run_id="made",
            started_utc=None,
            software="test",
            rig_toml=rig_toml,
            test_toml=test_toml,
        )
        path = tmp_path / "made.parquet"
        path.unlink(missing_ok=True)
        write_sealed(path, header, blocks)
        return [f["code"] for f in analyse(open_run(path))["findings"]]

    return found


def rig_with(most_kg):
    """The made rig with a cell calibrated from 0 to a load."""
    return RIG_TOML.replace('u = "1 kg"\n', f'u = "1 kg"\n{CALIBRATED.format(most=most_kg)}')


def test_a_load_beyond_the_calibrated_range_is_told(codes_of):
    """1360 kg in the cell (1400 less what hangs above it) outside 0 to 1359 kg is a finding."""
    assert "outside_calibration" in codes_of(rig_with(1350))


def test_a_load_within_the_calibrated_range_is_not(codes_of):
    """What hangs above the cell does not count: 1360 kg lie within 0 to 1370 kg."""
    assert "outside_calibration" not in codes_of(rig_with(1370))


def test_a_deflection_that_nobody_could_fit_is_told(codes_of):
    """A boom whose deflection is to be fitted, and no tape reading: taken as stiff, and said."""
    fixed = (
        'foot_pin_offset = "0.2 m"\nlength = "4.2 m"\nangle = "30 deg"\ndeflection_by_tape = true\n'
    )
    test = TEST_TOML.replace("[load]", f"[crane.geometry]\n{fixed}[load]")
    no_sensor = RIG_TOML.replace('id = "radius"', 'id = "hook_height"')

    assert "boom_taken_as_stiff" in codes_of(no_sensor, test)
    assert "boom_taken_as_stiff" not in codes_of(RIG_TOML, test)
