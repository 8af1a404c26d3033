"""The disk refuses, is full, stands still or spoils a bit: never claimed, told, and gone on.

Small forms of the campaigns ``storage_faults``, ``disk_full``, ``stalls`` and ``bit_flips``.
"""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.campaign import figures_of
from tests.campaigns.storage_faults import Point, last_number, list_calls, strike
from tests.loop_disk import why_no_loop_disk

WHY_NOT = why_no_loop_disk()
needs_strace = pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
needs_root = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)

KILLED_AT = {
    "openat": (0.1, 0.6),
    "pwrite64": (0.1, 0.5, 0.9),
    "fdatasync": (0.5,),
    "unlink": (0.9,),
}
"""How far into the calls of that name of a whole run, from making to sealing."""

REFUSED_AT = {
    ("EIO", "pwrite64"): (0.25,),
    ("ENOSPC", "pwrite64"): (0.25, 0.8),
    ("EIO", "fdatasync"): (0.4,),
    ("EIO-on", "fdatasync"): (0.6,),
    ("ENOSPC-on", "pwrite64"): (0.7,),
}


@pytest.fixture(scope="module")
def calls():
    """The storage calls of a whole run."""
    return list_calls()


def point(calls, fault, call, share):
    """The point that lies so far into the calls of that name."""
    count = sum(name == call for name, _ in calls)
    return Point(fault=fault, call=call, number=max(1, round(share * count)))


def struck_at(points, *, guard="none-removed"):
    """Strikes at all points, two at a time."""
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(lambda p: strike(p, guard=guard), points))


@needs_strace
def test_a_kill_at_a_storage_call_leaves_a_run_that_recovers(calls):
    """Killed at a call of making, writing, beginning a part or sealing, the run recovers whole."""
    struck = struck_at(
        [point(calls, "kill", call, share) for call in KILLED_AT for share in KILLED_AT[call]]
    )

    assert all(s.reached for s in struck)
    assert {str(s.point): s.wrong for s in struck if s.wrong} == {}


@needs_strace
def test_a_refused_storage_call_is_never_claimed_and_recording_goes_on(calls):
    """A refused call is told; all that was said to be kept is there; a new part takes the rest."""
    struck = struck_at([point(calls, *at, share) for at in REFUSED_AT for share in REFUSED_AT[at]])

    assert all(s.reached for s in struck)
    assert sum(s.refused for s in struck) > 1
    assert {str(s.point): s.wrong for s in struck if s.wrong} == {}


@needs_strace
def test_a_part_that_could_not_be_read_while_sealing_is_not_removed(calls):
    """A read that fails once, as a run is sealed, costs nothing that was acknowledged."""
    number = last_number(calls, "openat", on='a.3.journal"')
    struck = strike(Point(fault="EIO", call="openat", number=number), guard="none-removed")

    assert struck.reached
    assert struck.found.lost == 0


@needs_strace
def test_a_folder_that_can_not_be_read_is_told_in_one_line():
    """Where not even the folder's list can be read, the run is refused without a traceback."""
    struck = strike(Point(fault="EIO", call="openat", number=1), guard="none-removed")

    assert struck.reached
    assert struck.wrong == []


@needs_strace
def test_the_faults_see_a_recorder_that_claims_too_early(calls):
    """With the guards removed, the same faults find acknowledged readings lost."""
    kills = [point(calls, "kill", "pwrite64", share) for share in (0.22, 0.25, 0.28)]
    early = struck_at(kills, guard="acknowledge-first")
    anyway = strike(point(calls, "EIO-on", "pwrite64", 0.25), guard="claim-anyway")

    assert any(s.found.lost for s in early)
    assert anyway.found.lost > 0


@needs_root
def test_a_disk_that_fills_up_is_told_at_once_and_nothing_is_missing_when_it_has_room_again():
    """Little room and no room are told, lifts too; with room again every reading is in the run."""
    figures = figures_of("disk_full", "--cases", "space comes back", "--small-bytes", 1 << 20)

    assert figures["wrong"] == []


def test_a_reader_that_stands_still_costs_no_reading():
    """With the pipe of events full for ten seconds, every reading and every lift is in the run."""
    figures = figures_of("stalls", "--reader-s", 10, "--disk-s", 0)

    assert figures["wrong"] == []


@needs_strace
def test_a_disk_that_stands_still_costs_no_reading_and_delays_no_alarm():
    """While syncs take 1.5 s each, lifts are told as soon as ever, and so is the disk."""
    figures = figures_of("stalls", "--reader-s", 0, "--disk-s", 1.5)

    assert figures["wrong"] == []


def test_a_flipped_bit_is_found():
    """One bit flipped anywhere in a sealed run is found; the command says so in one line."""
    figures = figures_of("bit_flips", "--copies", 100, "--by-command", 1, "--samples", 4000)

    assert figures["found"] == figures["copies"] == 100
    assert figures["found_by_command"] == 1
    assert figures["untouched_copy_passes"]


def test_page_checksums_alone_would_miss_some_flipped_bits():
    """Without the file's own hashes, the same flips are not all found."""
    figures = figures_of(
        "bit_flips", "--copies", 100, "--by-command", 0, "--samples", 400, "--guard", "pages-only"
    )

    assert figures["found"] < figures["copies"]
    assert figures["untouched_copy_passes"]
