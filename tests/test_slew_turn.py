"""In which turn the boom stood: stowed beyond the cab, silent for a while, geared encoders."""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.results import analyse
from logger.readings.block import Block
from logger.recording.header import RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, full_sweep

GEARED = RIG_TOML.replace("wraps_at = 4096", "wraps_at = 819.2")


@pytest.fixture
def result_of(tmp_path):
    """Seals a made run, its slew changed first, and analyses it."""

    def analysed(made, *, slew=lambda t, raw: (t, raw), rig_toml=RIG_TOML):
        signals = made.signals()
        signals["slew"] = slew(*signals["slew"])
        blocks = [
            Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64), value=raw)
            for c, (t, raw) in sorted(signals.items())
        ]
        header = RunHeader(
            run_id="made",
            started_utc=None,
            software="test",
            rig_toml=rig_toml,
            test_toml=TEST_TOML,
        )
        path = tmp_path / f"made-{len(list(tmp_path.iterdir()))}.parquet"
        write_sealed(path, header, blocks)
        return analyse(open_run(path))

    return analysed


def found(result):
    """Sectors in which something may be lifted, and the findings' codes."""
    lifting = [
        (s["side"], s["from_deg"], s["to_deg"], s["percent"])
        for s in result["sectors"]
        if s["percent"]
    ]
    return lifting, {f["code"] for f in result["findings"]}


@pytest.mark.parametrize(("stowed", "side"), [(182.0, 1), (-182.0, -1)])
def test_a_boom_that_was_stowed_a_little_beyond_the_cab_is_followed(result_of, stowed, side):
    """Stowed at 182°, unfolded by the way of that side: both sweeps are where they were."""
    made = MadeRun(slew=[stowed]).slew_to(0.0, rate_dps=6).go(5)
    full_sweep(full_sweep(made, 1, limit=171.6), -1, limit=167.5)
    lifting, _ = found(result_of(made))

    assert side * stowed == 182.0
    assert lifting == [("right", 0, 171, 100), ("left", 0, 167, 100)]


def test_readings_that_are_no_numbers_are_a_silence(result_of):
    """NaN for 4 s around a lift at 70°: told as a stale channel, and no traceback."""
    made = MadeRun().hoist().slew_to(71.0).lift("rear_left", 70.0)
    lifted_s = made.time_at(70.0)
    made.set_down().go(3, radius=3.4).go(4).hoist().slew_to(171.5).go(5).home()

    def holed(t, raw):
        return t, np.where(abs(t - lifted_s) < 2, np.nan, raw)

    lifting, codes = found(result_of(made, slew=holed))

    assert any("stale" in code for code in codes)
    assert lifting[0][2] <= 70


def test_a_geared_encoder_is_told_of(result_of):
    """Its readings come again every 72°, so nothing tells the turn in which the boom stood."""
    made = full_sweep(MadeRun(), 1, limit=171.6)

    def geared(t, raw):
        return t, (raw % 819.2)

    lifting, codes = found(result_of(made, slew=geared, rig_toml=GEARED))

    assert "slew_turn_assumed" in codes
    assert lifting[0][0] == "right"
    assert "slew_turn_assumed" not in found(result_of(made))[1]
