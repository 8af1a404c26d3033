"""A recorder is killed at any moment, also while it begins a part, closes or seals.

Some kills of ``tests.campaigns.kill_recorder``. They say nothing about a power cut.
"""

from __future__ import annotations

from tests.campaign import figures_of

KILLS = 20


def test_a_kill_at_any_moment_loses_nothing_that_was_acknowledged():
    """Each run opens and holds all that was acknowledged, whatever the writer was at."""
    figures = figures_of("kill_recorder", "--kills", KILLS, "--restarts", 0)

    assert figures["cuts"] == KILLS
    assert figures["acknowledged_turns"] > 0
    assert figures["acknowledged_turns_lost"] == 0
    assert figures["runs_that_do_not_open"] == 0
    assert figures["other_trouble"] == 0, figures["examples"]


def test_a_whole_recorder_that_is_killed_is_followed_by_another():
    """What it acknowledged to the broker is in its run, and the next one records beside it."""
    figures = figures_of("kill_recorder", "--kills", 1, "--restarts", 1)

    assert figures["whole_acknowledged_packs"] > 0
    assert figures["whole_acknowledged_packs_lost"] == 0
    assert figures["whole_trouble"] == []
    assert figures["slowest_recording_again_s"] > 0
