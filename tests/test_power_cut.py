"""The power is cut: what was acknowledged is there when it comes back.

A few cuts of ``tests.campaigns.power_cuts``, whose text says what such a cut is and what not.
"""

from __future__ import annotations

import pytest

from tests.campaign import figures_of
from tests.loop_disk import why_no_loop_disk

WHY_NOT = why_no_loop_disk()
pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)
CUTS = 8


def test_a_power_cut_loses_nothing_that_was_acknowledged():
    """After each cut the run opens and holds all that was acknowledged.

    How much was lost before it was acknowledged depends on how busy the computer is: the
    campaign holds it to 250 ms.
    """
    figures = figures_of("power_cuts", "--cuts", CUTS, "--disks", 1)

    assert figures["cuts"] == CUTS
    assert figures["acknowledged_turns"] > 0
    assert figures["acknowledged_turns_lost"] == 0
    assert figures["runs_that_do_not_open"] == 0
    assert figures["other_trouble"] == 0, figures["examples"]


def test_the_cuts_see_a_writer_that_never_syncs():
    """With the syncs left out, the same cuts find acknowledged readings lost."""
    figures = figures_of("power_cuts", "--cuts", CUTS, "--disks", 1, "--guard", "never-sync")

    assert figures["acknowledged_turns_lost"] > 0
