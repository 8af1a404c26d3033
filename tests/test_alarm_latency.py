"""Alarms of the real recorder while its disk hangs: the short form of the latency campaign."""

from __future__ import annotations

import shutil

import pytest

from tests.campaigns.alarm_latency import figures, measure

STALL_S = 2.0


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace holds the syncs back")
def test_alarms_keep_coming_while_the_disk_hangs(tmp_path):
    """With syncs that take two seconds, no alarm waits for one of them, and none is missing."""
    device, listener, hung = measure(tmp_path, alarms=30, stall_s=STALL_S, every=10, seal=False)
    found = figures(device, listener, hung)

    assert found["syncs_that_hung"] > 0
    assert found["suspect_missing"] == found["confirmed_missing"] == 0
    assert found["suspect_max"] < 1e3 * STALL_S / 2
    assert found["confirmed_max"] < 1e3 * STALL_S / 2
    assert found["stale_max"] < 1e3 * STALL_S / 2
    assert found["storage_alarms"] > 0
