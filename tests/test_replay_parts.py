"""Parts of the replay: overviews that are kept, the copy, other runs laid over, later notes."""

from __future__ import annotations

import base64
import os
import time
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import numpy as np
import pytest

from dashboard import sidecar_lines
from dashboard.figures.alignment import event_s
from dashboard.figures.angle_view import angle_figure, angle_summary, sweeps_of
from dashboard.figures.overview import overview_of
from dashboard.figures.palette import LIGHT
from dashboard.figures.readings import openings
from dashboard.figures.replay_copy import UNKNOWN, replay_copy
from dashboard.figures.trace_windows import whole_of, window_of
from dashboard.figures.units import SI, US
from dashboard.kept_overviews import LEFT_OVER_S, keep_overview, kept_overview
from dashboard.later_notes import add_later_note, notes_path, read_later_notes
from dashboard.run_readings import read_readings, times_around
from logger.errors import BadInput
from logger.recording.run import open_run
from tests.sample_runs import seal_sample
from tests.test_figures import RESULT, SECOND, made_readings


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A simulated test with lifts on both sides."""
    return open_run(seal_sample(tmp_path_factory.mktemp("run"), scenario="both-sides").path)


@pytest.fixture(scope="module")
def readings(run):
    """Its readings."""
    return read_readings(run)


def test_a_kept_overview_is_the_one_that_was_made(run, readings, tmp_path, monkeypatch):
    """What is kept draws the same figure; another stamp, a damaged file or none is no overview."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    made = overview_of(readings)
    keep_overview(run, ("a",), made)
    kept = kept_overview(run, ("a",))

    assert kept is not None
    assert (kept.span_ns, kept.hanging, kept.set_downs) == (
        made.span_ns,
        made.hanging,
        made.set_downs,
    )
    for (x0, y0), (x1, y1) in zip(whole_of(made, SI), whole_of(kept, SI), strict=True):
        np.testing.assert_array_equal(x0, x1)
        np.testing.assert_array_equal(y0, y1)
    assert replay_copy(kept, SI) == replay_copy(made, SI)
    assert kept_overview(run, ("b",)) is None
    (file,) = tmp_path.rglob("*.npz")
    file.write_bytes(file.read_bytes()[:3000])
    assert kept_overview(run, ("a",)) is None


def test_no_damage_to_a_kept_overview_reaches_its_page(run, readings, tmp_path, monkeypatch):
    """Whichever bit is flipped, there is no overview, and nothing is raised."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    keep_overview(run, ("a",), overview_of(readings))
    (file,) = tmp_path.rglob("*.npz")
    whole, random = file.read_bytes(), Random(20260501)
    places = [random.randrange(8 * len(whole)) for _ in range(200)]
    # In the archive's list of its parts each bit counts in a way of its own.
    for place in [*range(8 * (len(whole) - 150), 8 * len(whole)), *places]:
        flipped = bytearray(whole)
        flipped[place // 8] ^= 1 << place % 8
        file.write_bytes(flipped)
        assert kept_overview(run, ("a",)) is None, f"bit {place}"
    file.write_bytes(whole)
    assert kept_overview(run, ("a",)) is not None


def test_what_a_program_left_half_written_is_removed(run, readings, tmp_path, monkeypatch):
    """That of an hour ago; one that another program may still be writing stays."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    keep_overview(run, ("a",), overview_of(readings))
    (file,) = tmp_path.rglob("*.npz")
    left, going_on = (file.with_name(f"{name}.npz.{pid}") for name, pid in (("x", 11), ("y", 12)))
    left.write_bytes(b"half")
    going_on.write_bytes(b"half")
    os.utime(left, (time.time() - LEFT_OVER_S - 60,) * 2)
    keep_overview(run, ("b",), overview_of(readings))

    assert not left.exists()
    assert going_on.exists()
    assert len(list(file.parent.iterdir())) == 3


def test_an_overview_that_can_not_be_given_its_name_leaves_nothing(
    run, readings, tmp_path, monkeypatch
):
    """Where the disk refuses, what was written so far is removed."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(Path, "replace", lambda *_: (_ for _ in ()).throw(PermissionError()))
    keep_overview(run, ("a",), overview_of(readings))

    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_the_copy_gives_back_every_value_of_its_grid():
    """16 bits hold each value to a 65,534th of the range; what is unknown stays unknown."""
    overview = overview_of(made_readings())
    packed = replay_copy(overview, SI)["grid"]["slew"]
    steps = np.frombuffer(base64.b64decode(packed["bdata"]), "<i2")
    values = packed["low"] + (steps.astype(float) + 32_767) * packed["step"]
    known = np.isfinite(overview.grid["slew"])

    assert packed["dtype"] == "i2"
    assert values[known] == pytest.approx(overview.grid["slew"][known], abs=140 / 65_534)
    assert (steps[~known] == UNKNOWN).all()


def test_one_opening_of_one_reading_among_millions_is_drawn():
    """One open reading of 7.2 million, seen over the whole run: a bar and a tick at its time."""
    t_ns = np.arange(7_200_000, dtype=np.int64) * 500_000
    closed = np.ones(t_ns.size, bool)
    closed[6_600_000] = False
    whole = made_readings(open_ns=openings(t_ns, closed))
    *_, bars, ticks = window_of(whole, 0, 3600, SI)

    assert bars[0][:2].tolist() == [3300.0, 3300.0005]
    assert ticks[0].tolist() == [3300.0]


def test_values_are_drawn_in_the_units_that_were_chosen():
    """Load in lb and radius in ft (0.45359237 kg and 0.3048 m, exact by NIST SP 811)."""
    readings = made_readings()
    _, load, radius, *_ = window_of(readings, 0, 141, US)

    assert load[1][10] == pytest.approx(1400 / 0.45359237, rel=1e-6)
    assert radius[1][10] == pytest.approx(3.87 / 0.3048, rel=1e-6)


def test_times_next_to_a_moment_are_those_of_all_channels(run, readings):
    """No reading of any channel lies between two neighbouring times, contacts included."""
    middle_ns = 100 * SECOND
    times = times_around(run, readings, middle_ns, most=30)
    every = np.unique(np.concatenate([run.raw(c).t_ns for c in run.channels]))
    low, high = np.searchsorted(every, (times[0], times[-1]))

    np.testing.assert_array_equal(times, every[low : high + 1])
    assert (times < middle_ns).sum() == 30
    assert (times > middle_ns).sum() == 30
    assert times_around(run, readings, run.span_ns[1])[-1] == run.span_ns[1]


@pytest.mark.parametrize(
    ("way", "wanted"),
    [("start", 4.0), ("lift-right", 75.31), ("sweep-right", 31.2), ("lift-left", None)],
)
def test_runs_are_aligned_by_an_event_that_both_have(way, wanted):
    """The event's time is the result's; a run without it has none, and nothing is made up."""
    assert event_s(RESULT, way, start_s=4.0) == wanted


def test_over_the_angle_only_hanging_loads_are_drawn():
    """Each sweep is a line of its own, at the slew angle of its readings, load hanging."""
    readings = made_readings()
    sweeps = sweeps_of(RESULT, readings)
    figure = angle_figure(sweeps, readings, RESULT, LIGHT)
    load = next(t for t in figure.data if t.name == "right load")
    t_s = np.array(load.customdata, float)
    known = np.isfinite(t_s)

    assert "right" in angle_summary(sweeps)
    assert np.array(load.x)[known] == pytest.approx(t_s[known] - 1, abs=0.02)
    hung = ((t_s >= 31.2) & (t_s < 80)) | ((t_s >= 95) & (t_s < 140.9))
    assert hung[known].all()
    opens = next(t for t in figure.data if t.name == "opens")
    assert opens.x[0] == pytest.approx(74.31, abs=0.03)
    assert "No sweep" in angle_summary(sweeps_of(None, readings))


def test_later_notes_lie_beside_the_run_dated_and_in_order(tmp_path):
    """A note is one line more; the run is untouched; lines that are no notes are passed over."""
    run = tmp_path / "r.parquet"
    run.write_bytes(b"sealed")
    now = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)
    add_later_note(run, t_s=12.5, text=" gust\nfrom  the left ", by="A. Tester", now=now)
    with notes_path(run).open("a") as file:
        file.write("no note\n[1]\n")
    add_later_note(run, t_s=3.0, text="<b>x</b>", now=now)
    notes = read_later_notes(run)

    assert [(n.t_s, n.text, n.by) for n in notes] == [
        (12.5, "gust from the left", "A. Tester"),
        (3.0, "<b>x</b>", ""),
    ]
    assert notes[0].written_utc == "2026-05-04T09:30:00Z"
    assert run.read_bytes() == b"sealed"
    with pytest.raises(BadInput, match="no words"):
        add_later_note(run, t_s=1.0, text="  ")
    with pytest.raises(BadInput, match="no moment"):
        add_later_note(run, t_s=float("nan"), text="x")


@pytest.mark.parametrize(
    ("cut", "left"),
    [(1, ["first", "second"]), (9, ["first"]), (len(b"\n{"), ["first"])],
    ids=["no line end", "torn", "hardly cut"],
)
def test_a_torn_last_line_spoils_no_other(tmp_path, cut, left):
    """After a power cut the next note stands on a line of its own, and whole lines are read."""
    run = tmp_path / "r.parquet"
    add_later_note(run, t_s=1.0, text="first")
    add_later_note(run, t_s=2.0, text="second")
    path = notes_path(run)
    path.write_bytes(path.read_bytes()[:-cut])
    before = [n.text for n in read_later_notes(run)]
    note = add_later_note(run, t_s=3.0, text="third")

    assert before == left
    assert [n.text for n in read_later_notes(run)] == [*left, "third"]
    assert read_later_notes(run)[-1] == note


def test_a_note_that_would_not_be_read_again_is_refused(tmp_path, monkeypatch):
    """A full file is left as it is, and whoever notes is told in one line before it is kept."""
    monkeypatch.setattr(sidecar_lines, "LARGEST_BYTES", 1000)
    run = tmp_path / "r.parquet"
    kept = [add_later_note(run, t_s=float(n), text=f"note {n}") for n in range(9)]
    before = notes_path(run).read_bytes()
    with pytest.raises(BadInput, match="the most that is read") as info:
        add_later_note(run, t_s=9.0, text="x" * (1000 - len(before)))

    assert "\n" not in str(info.value)
    assert list(read_later_notes(run)) == kept
    assert notes_path(run).read_bytes() == before


def test_of_a_file_that_is_too_large_the_end_is_read(tmp_path, monkeypatch):
    """Where others made the file too large, what was said last still counts, whole lines only."""
    run = tmp_path / "r.parquet"
    notes = [add_later_note(run, t_s=float(n), text=f"note {n}") for n in range(10)]
    line = len(notes_path(run).read_bytes()) // 10
    read = {}
    for size in (3 * line, 3 * line - 1, 10 * line - 1, 10 * line):
        monkeypatch.setattr(sidecar_lines, "LARGEST_BYTES", size)
        read[size] = list(read_later_notes(run))

    assert list(read.values()) == [notes[-3:], notes[-2:], notes[-9:], notes]


@pytest.mark.parametrize(
    "line",
    [
        b"[" * 100_000,
        b'{"t_s": 1e999, "written_utc": "", "text": "x"}',
        b'{"t_s": NaN, "written_utc": "", "text": "x"}',
        b'{"t_s": 1' + b"0" * 400 + b', "written_utc": "", "text": "x"}',
        b"\xff\xfe\x00",
    ],
)
def test_a_line_that_is_no_note_is_left_out(tmp_path, line):
    """Whatever a line holds, it costs no other one; an editor's mark at the front costs none."""
    run = tmp_path / "r.parquet"
    add_later_note(run, t_s=1.0, text="first")
    path = notes_path(run)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n") + line)
    add_later_note(run, t_s=2.0, text="half \ud800 of a sign")

    assert [n.text for n in read_later_notes(run)] == ["first", "half ? of a sign"]


def test_the_name_of_a_new_file_of_notes_is_on_the_disk(tmp_path, monkeypatch):
    """A note in a file whose name may be lost is not said to be kept."""

    def refuse(folder):
        raise OSError(5, f"no {folder.name}")

    run = tmp_path / "r.parquet"
    monkeypatch.setattr(sidecar_lines, "sync_folder", refuse)
    with pytest.raises(BadInput, match=f"no {tmp_path.name}"):
        add_later_note(run, t_s=1.0, text="x")


def test_a_note_that_cannot_be_kept_is_told(tmp_path):
    """Where the file can't be written there is one clear line, and no note is claimed."""
    run = tmp_path / "r.parquet"
    notes_path(run).mkdir()

    with pytest.raises(BadInput, match="can't be written"):
        add_later_note(run, t_s=1.0, text="x")
    assert read_later_notes(run) == ()
