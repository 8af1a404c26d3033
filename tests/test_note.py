"""Notes from another terminal: found, dated, durable; and a tape radius that counts."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import stat
import subprocess
import sys
import time

import numpy as np
import pytest

from dashboard.results import analyse
from logger.cli.note import note_of
from logger.errors import BadInput
from logger.live.live_recordings import live_recordings, registered, runtime_folder
from logger.live.noting import moment_ns, take_note
from logger.readings.block import Block
from logger.readings.clock_alignment import ClockFit
from logger.recording.header import Note, RunHeader
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from logger.recording.sealing import recover
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, reduced_sweep
from tests.rig_of_a_bay import RIG, TEST, header
from tests.test_record import Recording, named, pack_of, serial_line
from tests.warm_process import COMMAND, run_warm


@pytest.fixture(autouse=True)
def runtime(tmp_path, monkeypatch):
    """A runtime folder of the test's own, also for the programs that it starts."""
    folder = tmp_path / "runtime"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    return folder


@contextlib.contextmanager
def bay_recording(folder, name):
    """A recorder on a serial line of its own: (recording, write, the folder of its runs)."""
    here = folder / name
    here.mkdir()
    with serial_line() as (write, port):
        (here / "rig.toml").write_text(RIG.replace("/dev/ttyUSB0", port))
        (here / "test.toml").write_text(TEST.replace("demo-a-1", name))
        recording = Recording(
            "--rig", here / "rig.toml", "--test", here / "test.toml", "-o", here / "runs"
        )
        try:
            recording.wait_for(named("recording"))
            yield recording, write, here / "runs"
        finally:
            recording.close()


def note(*words):
    return run_warm([*COMMAND, "note", *words], capture_output=True, text=True)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["radius", "3.49 m"], ("radius", "3.49 m", 3.49)),
        (["radius", "3.49", "m"], ("radius", "3.49 m", 3.49)),
        (["radius", "349 cm"], ("radius", "349 cm", 3.49)),
        (["text", "wind picks up"], ("text", "wind picks up", None)),
        (["wind picks up"], ("text", "wind picks up", None)),
        (["wind", "picks", "up"], ("text", "wind picks up", None)),
        (["mark"], ("mark", "", None)),
        (["mark", "second sweep"], ("mark", "second sweep", None)),
        (["acknowledge"], ("acknowledge", "", None)),
        (["text", "a\nb\x1b[2J"], ("text", "a b�[2J", None)),
    ],
)
def test_words_become_a_note(words, expected):
    """Kind, text and radius as they were typed; no control character reaches the run."""
    kind, text, value_m = note_of(words)

    assert (kind, text) == expected[:2]
    assert value_m == pytest.approx(expected[2])


@pytest.mark.parametrize(
    "words",
    [
        ["radius"],
        ["radius", "3.49"],
        ["radius", "3.49 kg"],
        ["radius", "0 m"],
        ["radius", "3 km"],
        ["radius", "came in"],
        ["text"],
        [" "],
        ["x" * 2001],
    ],
)
def test_what_is_no_note_is_refused(words):
    """A reading without a unit, of another kind, or of no crane; no words, or a book of them."""
    with pytest.raises(BadInput, match="note"):
        note_of(words)


def test_a_note_is_of_the_moment_on_the_run_s_clock():
    """By the monotonic clock × clock rate; else by the latest wall pair; else it can't be."""
    plain = header(monotonic_start_ns=5_000)
    fast = header(monotonic_start_ns=5_000, clock_rate=20.0)
    old = header()

    assert moment_ns(plain, (), monotonic_ns=7_000, utc_ns=0) == 2_000
    assert moment_ns(fast, (), monotonic_ns=7_000, utc_ns=0) == 40_000
    assert moment_ns(old, ((300, 9_000),), monotonic_ns=0, utc_ns=9_500) == 800
    with pytest.raises(BadInput, match="nothing ties"):
        moment_ns(old, (), monotonic_ns=0, utc_ns=0)


def test_a_recording_is_found_while_it_lasts_and_by_its_user_only(tmp_path):
    """The entry is there from beginning to end, in a folder that no other user can enter."""
    with registered("a-1", tmp_path / "a-1.journal") as problem:
        (found,) = live_recordings()
        (entry,) = runtime_folder().iterdir()

        assert problem == ""
        assert (found.run_id, found.journal) == ("a-1", str(tmp_path / "a-1.journal"))
        assert found.pid == os.getpid()
        assert stat.S_IMODE(entry.stat().st_mode) == 0o600
        assert stat.S_IMODE(runtime_folder().stat().st_mode) == 0o700
    assert live_recordings() == []
    assert list(runtime_folder().iterdir()) == []


def test_what_a_killed_recorder_left_is_ignored_and_cleaned(tmp_path):
    """After kill -9 the entry is stale, also where its process number lives on in another."""
    program = (
        "import sys, time, pathlib\n"
        "from logger.live.live_recordings import registered\n"
        "with registered('a-1', pathlib.Path('a-1.journal')):\n"
        "    print('there', flush=True)\n"
        "    time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE) as process:
        process.stdout.readline()
        living = live_recordings()
        process.kill()
        process.wait(10)
    (entry,) = runtime_folder().iterdir()
    entry.write_text(entry.read_text().replace(f'"pid":{process.pid}', f'"pid":{os.getpid()}'))

    assert [e.run_id for e in living] == ["a-1"]
    assert live_recordings() == []
    assert list(runtime_folder().iterdir()) == []


def test_a_folder_that_another_could_have_laid_is_not_used(tmp_path, runtime):
    """A symbolic link in its place: the run is recorded all the same, and why is said."""
    (tmp_path / "elsewhere").mkdir()
    runtime_folder().symlink_to(tmp_path / "elsewhere")
    with registered("a-1", tmp_path / "a-1.journal") as problem:
        assert "no note from another terminal" in problem
        assert live_recordings() == []
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_an_entry_that_is_none_is_passed_over(tmp_path):
    """Garbage under a lock, or without one, hides no run."""
    with registered("a-1", tmp_path / "a-1.journal"):
        (runtime_folder() / "1-00.recording").write_text("{")

        assert [e.run_id for e in live_recordings()] == ["a-1"]


def test_notes_of_a_run_that_nobody_records_are_refused(tmp_path):
    """No run, or one whose recorder was killed: one line and exit code 2, nothing written."""
    killed = tmp_path / "b.journal"
    killed.write_bytes(b"x")
    nobody = note("mark")

    assert nobody.returncode == 2
    assert nobody.stdout == ""
    assert len(nobody.stderr.splitlines()) == 1
    assert "slewtrace record" in nobody.stderr
    with pytest.raises(BadInput, match="slewtrace recover"):
        take_note("mark", run=killed)
    assert killed.read_bytes() == b"x"


def test_notes_go_into_the_running_recording(tmp_path):
    """Two recordings: it must be said which; then each kind is kept at its moment, sealed."""
    with bay_recording(tmp_path, "bay-a") as (first, write, runs):
        with bay_recording(tmp_path, "bay-b"):
            with pytest.raises(BadInput, match=r"bay-a.* and .*bay-b.*--run"):
                take_note("mark")
            before_ns = time.monotonic_ns()
            named_run = note("radius", "3.49 m", "--run", runs, "--json")
            after_ns = time.monotonic_ns()
        write(pack_of([{"n": "enc", "v": 1}], seq=0, up=0.0) + b"\n")
        only_one = note("wind picks up")
        earlier = take_note("mark", at_s=0.1)
        with pytest.raises(BadInput, match="outside the run"):
            take_note("mark", at_s=3600)
        take_note("acknowledge")
        sealed = first.end()
    told = json.loads(named_run.stdout)
    run = open_run(sealed["path"])
    start_ns = run.header.monotonic_start_ns

    assert (told["kind"], told["value_m"]) == ("radius", 3.49)
    assert before_ns - start_ns <= told["t_s"] * 1e9 <= after_ns - start_ns
    assert only_one.stdout.startswith("noted: 'wind picks up' at ")
    assert earlier.note.t_ns == 100_000_000
    kept = {n.kind: n for n in run.notes}
    assert kept["radius"] == Note(
        t_ns=kept["radius"].t_ns, kind="radius", text="3.49 m", value_m=3.49
    )
    assert kept["radius"].t_ns * 1e-9 == pytest.approx(told["t_s"], abs=1e-6)
    assert set(kept) == {"radius", "text", "mark", "acknowledge"}


def test_a_note_outlives_the_recorder_s_death(tmp_path):
    """What the command said was noted is there after kill -9 in the next moment."""
    with bay_recording(tmp_path, "bay-a") as (recording, write, runs):
        write(pack_of([{"n": "enc", "v": 1}], seq=0, up=0.0) + b"\n")
        noted = take_note("text", text="kept")
        recording.process.send_signal(signal.SIGKILL)
        recording.process.wait(10)
    (journal,) = runs.glob("*.journal")
    run = open_run(recover(journal).path)

    assert noted.note in run.notes


# A tape radius in the result.


def made_with_tape(tmp_path, *, sensor, taped, clock_fits=None):
    """A right sweep: 3.92 m, a lift at 74.6°, set down, 3.50 m, on to 167.4°; with tape notes.

    ``taped`` are the radii noted before the first hoist and after bringing the load in, m.
    """
    made = MadeRun()
    reduced_sweep(made, 1, lift_at=74.6, wheel="rear_left", radius_m=3.50, limit=167.4)
    lift_ns = round(made.openings[0][1] * 1e9)
    moments_ns = (2_000_000_000, lift_ns + 14_000_000_000)
    notes = tuple(
        Note(t_ns=t_ns, kind="radius", text=f"{radius_m} m", value_m=radius_m)
        for t_ns, radius_m in zip(moments_ns, taped, strict=True)
        if radius_m is not None
    )
    rig = RIG_TOML if sensor else RIG_TOML.replace('id = "radius"', 'id = "boom_length"')
    blocks = [
        Block(channel=c, t_ns=np.round(t * 1e9).astype(np.int64), value=raw)
        for c, (t, raw) in sorted(made.signals().items())
        if sensor or c != "radius"
    ]
    run = RunHeader(
        run_id="taped",
        started_utc=None,
        software="test",
        rig_toml=rig,
        test_toml=TEST_TOML,
        notes=notes,
        clock_fits=clock_fits or {},
    )
    path = tmp_path / f"taped-{len(list(tmp_path.glob('*.parquet')))}.parquet"
    write_sealed(path, run, blocks)
    return analyse(open_run(path))


def found(result, code):
    return [f for f in result["findings"] if f["code"] == code]


def test_a_tape_reading_after_a_re_lift_is_a_radius_change(tmp_path):
    """Without a sensor, tape notes give the holds' radii, the change, and the reduced sector."""
    result = made_with_tape(tmp_path, sensor=False, taped=(3.92, 3.50))
    (sweep,) = result["sweeps"]
    (change,) = sweep["radius_changes"]

    assert {(h["radius_by"], h["radius_m"]) for h in sweep["holds"]} == {
        ("tape", 3.92),
        ("tape", 3.5),
    }
    assert (change["from_m"], change["to_m"], change["by"]) == (3.92, 3.5, "tape")
    assert change["set_down"] is True
    assert change["u_t_s"] is None
    assert change["t_s"] > sweep["first_lift"]["t_s"]
    # Reduced: 1400 kg · g · 3.50 m less its uncertainty against 53 100 N·m is 90 %.
    assert [
        (s["from_deg"], s["percent"], s["basis"])
        for s in result["sectors"]
        if s["side"] == "right" and s["percent"]
    ] == [(0, 100, "proved"), (74, 90, "reduced")]
    assert not found(result, "radius_unknown")


def test_without_a_tape_reading_after_the_re_lift_nothing_is_reduced(tmp_path):
    """The first note does not count beyond the set-down: no percentage there, and it is said."""
    result = made_with_tape(tmp_path, sensor=False, taped=(3.92, None))

    assert [s["percent"] for s in result["sectors"] if s["side"] == "right"] == [100, 0]
    assert found(result, "radius_unknown")
    assert result["sweeps"][0]["radius_changes"] == []


def test_the_sensor_wins_over_the_tape_and_a_disagreement_is_told(tmp_path):
    """A tape 60 mm off is a caution and changes no sector; one within both uncertainties is not."""
    agreed = made_with_tape(tmp_path, sensor=True, taped=(3.92, 3.50))
    off = made_with_tape(tmp_path, sensor=True, taped=(3.92, 3.56))
    silent = made_with_tape(tmp_path, sensor=True, taped=(None, None))
    (finding,) = found(off, "tape_disagrees")

    assert not found(agreed, "tape_disagrees")
    assert finding["severity"] == "caution"
    assert "3.560 m" in finding["text"]
    assert off["sectors"] == agreed["sectors"] == silent["sectors"]
    assert off["sweeps"] == silent["sweeps"]
    assert {h["radius_by"] for h in off["sweeps"][0]["holds"]} == {"sensor"}


def test_every_event_carries_the_uncertainty_of_its_channel_s_clock(tmp_path):
    """A lift has its switch's, a radius change its sensor's and its slice's; the worst boot's."""
    fits = {
        clock: ClockFit(offset_ns=0, rate=1.0, u_s=u_s, residual_s=0.0, pairs=9)
        for clock, u_s in (("wheels#a", 1e-3), ("wheels#b", 2e-3), ("mast#a", 5e-4))
    }
    known = made_with_tape(tmp_path, sensor=True, taped=(None, None), clock_fits=fits)
    unknown = made_with_tape(tmp_path, sensor=True, taped=(None, None))
    (sweep,), (other,) = known["sweeps"], unknown["sweeps"]

    assert sweep["first_lift"]["u_t_s"] == 2e-3
    # A quarter of a second, rectangular (JCGM 100:2008, 4.3.7; from memory).
    assert sweep["radius_changes"][0]["u_t_s"] == pytest.approx(
        np.hypot(5e-4, 0.25 / np.sqrt(12)), abs=1e-6
    )
    assert other["first_lift"]["u_t_s"] is None
    assert other["radius_changes"][0]["u_t_s"] is None
