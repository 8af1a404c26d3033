"""What the dashboard keeps of runs, and who computes it: once, ahead of time, out of the way."""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from dashboard.kept_overviews import kept_overview
from dashboard.results import analyse
from dashboard.shelf import analyst, held_readings
from dashboard.shelf.analyst import Analyst
from dashboard.shelf.held import Held
from dashboard.shelf.held_readings import HeldReadings
from dashboard.shelf.stamps import stamp_of
from logger.errors import RunUnreadable
from logger.operating_system import start_behind
from logger.recording.run import open_run
from tests.sample_runs import seal_sample

SLEEP = [sys.executable, "-c", "import time; time.sleep(60)"]
AFTER_S = 30


@pytest.fixture
def run(tmp_path):
    """A simulated test with a lift."""
    return open_run(seal_sample(tmp_path, scenario="one-side").path)


def until(true):
    """Waits until something holds."""
    deadline = time.monotonic() + AFTER_S
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_a_process_finds_what_this_one_finds(run):
    """The result of a large run is that of the same analysis, to the last digit."""
    assert Analyst(large=0)(run) == json.loads(json.dumps(analyse(run)))


def test_a_process_runs_nothing_of_the_folder_that_it_is_started_in(run, tmp_path, monkeypatch):
    """A file among the runs that is called as one of Python's, or of ours, is no program."""
    for name in ("json", "numpy", "logger", "dashboard"):
        (tmp_path / f"{name}.py").write_text("open('was-run', 'x')\nraise SystemExit(3)\n")
    monkeypatch.chdir(tmp_path)

    assert Analyst(large=0)(run)["run_id"] == run.header.run_id
    assert not (tmp_path / "was-run").exists()


def test_a_small_run_needs_no_process(run, monkeypatch):
    """Starting one would take longer than the analysis."""
    monkeypatch.setattr(analyst, "start_behind", lambda _: pytest.fail("was started"))

    assert Analyst()(run)["run_id"] == run.header.run_id


def test_what_is_damaged_is_told_in_the_same_words(run):
    """A run that can't be read is refused as it is without a process."""
    sealed = run.path.read_bytes()
    run.path.write_bytes(sealed[:4] + bytes(2000) + sealed[2004:])
    told = []
    for analysed in (analyse, Analyst(large=0)):
        with pytest.raises(RunUnreadable) as caught:
            analysed(run)
        told.append(str(caught.value))

    assert told[0] == told[1]


def test_a_process_that_was_killed_is_told(run, monkeypatch):
    """As happens where the computer lacks memory: one line, and nothing waits for ever."""
    started = []

    def start(_):
        started.append(start_behind(SLEEP))
        started[0].kill()
        return started[0]

    monkeypatch.setattr(analyst, "start_behind", start)

    with pytest.raises(RunUnreadable, match="analysis ended early, with -9"):
        Analyst(large=0)(run)


def test_closing_ends_what_is_being_analysed(run, monkeypatch):
    """A dashboard that ends leaves no process behind."""
    started = []
    monkeypatch.setattr(
        analyst, "start_behind", lambda _: started.append(start_behind(SLEEP)) or started[0]
    )
    busy = Analyst(large=0)
    with ThreadPoolExecutor(1) as pool:
        asked = pool.submit(busy, run)
        until(lambda: started)
        busy.close()
        with pytest.raises(RunUnreadable, match="ended early"):
            asked.result(AFTER_S)

    assert started[0].returncode == -9


def test_a_process_behind_lets_others_go_first():
    """Its priority is lower than ours, and Ctrl-C in our terminal does not reach it."""
    with start_behind(SLEEP) as started:
        behind = os.getpriority(os.PRIO_PROCESS, started.pid) - os.getpriority(os.PRIO_PROCESS, 0)
        apart = os.getsid(started.pid) != os.getsid(0)
        started.kill()

    assert behind > 0
    assert apart


def test_who_asks_for_what_is_being_made_waits_for_it():
    """Two pages of one run read it once."""
    held, made, go_on = Held(2), [], threading.Event()

    def make():
        made.append(1)
        go_on.wait(AFTER_S)
        return "thing"

    with ThreadPoolExecutor(2) as pool:
        asked = [pool.submit(held.get, "key", make) for _ in range(2)]
        until(lambda: made)
        go_on.set()
        got = [a.result(AFTER_S) for a in asked]

    assert got == ["thing", "thing"]
    assert made == [1]


def test_what_could_not_be_made_is_tried_again():
    """A run that could not be read is read again by the next who asks."""
    held = Held(2)
    with pytest.raises(OSError, match="no"):
        held.get("key", lambda: (_ for _ in ()).throw(OSError("no")))

    assert held.get("key", lambda: "thing") == "thing"


def test_what_was_asked_for_longest_ago_is_given_up():
    """As many as were said are kept, the latest asked for."""
    held, made = Held(2), []
    for key in "abacab":
        held.get(key, lambda key=key: made.append(key))

    assert made == ["a", "b", "c", "b"]


@pytest.fixture
def large(run, tmp_path, monkeypatch):
    """The run, held to be a large one."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "kept"))
    monkeypatch.setattr(held_readings, "WORTH_KEEPING", 1)
    return run


def test_a_large_run_is_looked_through_before_anyone_asks(large, monkeypatch):
    """Its overview is on the disk then, its readings are not in memory; its page reads nothing."""
    held, stamp = HeldReadings(), stamp_of(large.path)
    held.look_ahead(large)
    until(lambda: kept_overview(large, stamp) is not None)
    monkeypatch.setattr(held_readings, "read_readings", lambda _: pytest.fail("was read again"))

    assert held.overview(large).span_ns == large.span_ns


@pytest.mark.parametrize("damage", ["flipped", "cut", "empty", "zeros"])
def test_a_damaged_overview_is_made_anew(large, tmp_path, damage):
    """Its page sees the run all the same, and what is kept is whole again."""
    held, stamp = HeldReadings(), stamp_of(large.path)
    first = held.overview(large)
    (kept,) = tmp_path.rglob("*.npz")
    whole = kept.read_bytes()
    flipped = whole[:999] + bytes([whole[999] ^ 1]) + whole[1000:]
    damaged = {"flipped": flipped, "cut": whole[:-1], "empty": b"", "zeros": bytes(len(whole))}
    kept.write_bytes(damaged[damage])
    seen = kept_overview(large, stamp)
    again = HeldReadings().overview(large)

    assert seen is None
    assert again.span_ns == first.span_ns
    assert kept_overview(large, stamp) is not None


def test_a_page_waits_for_the_look_ahead_that_goes_on(large, monkeypatch):
    """Whoever opens a run that is being looked through does not begin again."""
    read, real, begun, go_on = [], held_readings.read_readings, threading.Event(), threading.Event()

    def slow(run):
        read.append(run)
        begun.set()
        go_on.wait(AFTER_S)
        return real(run)

    monkeypatch.setattr(held_readings, "read_readings", slow)
    held = HeldReadings()
    held.look_ahead(large)
    assert begun.wait(AFTER_S)
    with ThreadPoolExecutor(1) as pool:
        asked = pool.submit(held.overview, large)
        time.sleep(0.2)
        go_on.set()
        assert asked.result(AFTER_S).span_ns == large.span_ns

    assert len(read) == 1


def test_an_ordinary_run_leaves_nothing_on_the_disk(run, tmp_path, monkeypatch):
    """It is looked through faster than what was kept of it would be read."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "kept"))
    held = HeldReadings()
    held.look_ahead(run)
    overview = held.overview(run)

    assert overview.span_ns == run.span_ns
    assert not list(tmp_path.rglob("*.npz"))
