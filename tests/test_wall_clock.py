"""The wall clock beside the monotonic one: each step and suspension told, none invented."""

from __future__ import annotations

import random
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.live.wall_clock import STEP_NS, ClockLook, WallSteps, WallWatch, boot_clock
from tests.campaigns.clock_steps import faketime_library, passes, step_the_clock

SECOND = 1_000_000_000
TICK_NS = 60_000_000
START_UTC_NS = 1_774_746_000 * SECOND  # 2026-03-29T01:00:00Z, when summer time begins in the EU


class Bench:
    """Clocks that obey: each look comes a tick later."""

    def __init__(self, *, clock_rate=1.0, boot=True, seed=1):
        self.rng = random.Random(seed)
        self.rate = clock_rate
        self.steps = WallSteps(clock_rate=clock_rate)
        self.monotonic_ns, self.utc_ns = 0, START_UTC_NS
        self.boot_ns = 7 * SECOND if boot else None
        self.pairs, self.gaps = [], []

    def run(self, seconds, *, slew=0.0):
        """Lets time pass, the wall clock slewed by a share."""
        for _ in range(round(seconds * SECOND / TICK_NS)):
            self.pass_time(TICK_NS + self.rng.randrange(-3_000_000, 3_000_000), slew=slew)
        return self

    def pass_time(self, ns, *, slew=0.0):
        """Lets time pass, then looks."""
        self.monotonic_ns += ns
        self.utc_ns += round(ns * (1 + slew))
        if self.boot_ns is not None:
            self.boot_ns += ns
        look = ClockLook(
            t_ns=round(self.monotonic_ns * self.rate),
            utc_ns=self.utc_ns,
            boot_ns=self.boot_ns,
            unsure_ns=1000,
        )
        pairs, gaps = self.steps.take(look)
        self.pairs += pairs
        self.gaps += gaps

    def suspend(self, ns):
        """The monotonic clock stands meanwhile."""
        self.utc_ns += ns
        if self.boot_ns is not None:
            self.boot_ns += ns
        return self

    def step(self, ns):
        """Someone sets the wall clock."""
        self.utc_ns += ns
        return self


def test_a_pair_comes_each_second_and_a_steady_clock_has_no_gap():
    """An hour without a step, at the kernel's utmost slewing, gives 3600 pairs and no gap."""
    for slew in (0.0, 5e-4, -5e-4):
        bench = Bench().run(3600, slew=slew)

        assert bench.gaps == []
        assert len(bench.pairs) == pytest.approx(3500, abs=110)


@pytest.mark.parametrize("clock_rate", [1.0, 20.0])
@pytest.mark.parametrize("seconds", [3600, -3600, -30, 0.05, -0.05])
def test_a_step_is_told_at_once_with_its_size(seconds, clock_rate):
    """One gap at the next look, its size right, the last pair before it and the first after."""
    bench = Bench(clock_rate=clock_rate).run(10)
    bench.step(round(seconds * SECOND)).pass_time(TICK_NS)
    at_ns, pairs = round(bench.monotonic_ns * clock_rate), bench.pairs[-2:]
    bench.run(10)
    (gap,) = bench.gaps

    assert (gap.kind, gap.source, gap.t_ns) == ("clock_step", "computer", at_ns)
    assert gap.duration_ns == pytest.approx(abs(seconds) * SECOND, abs=1_000_000)
    assert f"({seconds:+.3f} s)" in gap.text
    (before_t, before_utc), (after_t, after_utc) = pairs
    assert (after_t - before_t) / clock_rate == pytest.approx(TICK_NS, abs=2)
    assert after_utc - before_utc == TICK_NS + seconds * SECOND


def test_a_step_says_from_when_to_when():
    """The text gives both readings in UTC, so that a person sees what happened."""
    bench = Bench()
    bench.pass_time(0)
    bench.step(3600 * SECOND).pass_time(TICK_NS)

    assert "from 2026-03-29T01:00:00.060Z to 2026-03-29T02:00:00.060Z" in bench.gaps[0].text


def test_a_jump_within_what_a_busy_computer_shows_is_none():
    """A thread put aside between two readings makes them differ: that is no step."""
    bench = Bench().run(5)
    bench.step(STEP_NS - 200_000).run(5)

    assert bench.gaps == []


def test_readings_that_lie_apart_are_allowed_for():
    """Where reading the clocks itself took 300 ms, a jump of 200 ms may be that and is no step."""
    steps = WallSteps()
    steps.take(ClockLook(t_ns=0, utc_ns=0, boot_ns=0))
    apart = ClockLook(t_ns=SECOND, utc_ns=1_200_000_000, boot_ns=SECOND, unsure_ns=300_000_000)

    assert steps.take(apart).gaps == []


@pytest.mark.parametrize("seconds", [0.5, 60, 86_400])
def test_a_suspension_is_told_by_the_boot_clock(seconds):
    """The wall clock jumps with the boot clock: suspended for so long, and no step."""
    bench = Bench().run(10)
    bench.suspend(round(seconds * SECOND)).run(10)
    (gap,) = bench.gaps

    assert gap.kind == "suspended"
    assert gap.duration_ns == pytest.approx(seconds * SECOND, abs=1_000_000)


def test_a_clock_that_was_set_during_a_suspension_is_both():
    """Suspended for a minute and set back an hour meanwhile: both are told, each with its size."""
    bench = Bench().run(10)
    bench.suspend(60 * SECOND).step(-3600 * SECOND).run(10)

    assert [(g.kind, g.duration_ns) for g in bench.gaps] == [
        ("suspended", 60 * SECOND),
        ("clock_step", 3600 * SECOND),
    ]


def test_without_a_boot_clock_a_jump_ahead_is_a_suspension_that_may_be_a_step():
    """It can't be told, and that is said; a jump back is a step."""
    bench = Bench(boot=False).run(10)
    bench.step(60 * SECOND).run(10).step(-60 * SECOND).run(10)
    ahead, back = bench.gaps

    assert (ahead.kind, back.kind) == ("suspended", "clock_step")
    assert "can't tell" in ahead.text


@given(st.lists(st.tuples(st.integers(1, 300), st.integers(-7200, 7200)), max_size=8))
def test_pairs_and_steps_tell_the_whole_story(story):
    """From the pairs alone the wall clock at the end follows, and the steps sum to its error."""
    bench = Bench()
    bench.pass_time(0)
    total_s = 0
    for ticks, step_s in story:
        for _ in range(ticks):
            bench.pass_time(TICK_NS)
        bench.step(step_s * SECOND).pass_time(TICK_NS)
        total_s += step_s
    signed_s = sum(float(g.text.split("(")[1].split(" s)")[0]) for g in bench.gaps)

    assert signed_s == pytest.approx(total_s, abs=1e-6)
    assert len(bench.gaps) == sum(step_s != 0 for _, step_s in story)
    t_ns, utc_ns = bench.pairs[-1]
    assert bench.utc_ns - utc_ns == bench.monotonic_ns - t_ns


def test_on_this_computer_nothing_is_invented_under_load():
    """Three seconds of real looks, two busy threads beside: pairs in UTC, and no gap."""
    start_ns = time.monotonic_ns()
    watch, done = WallWatch(lambda: time.monotonic_ns() - start_ns), threading.Event()

    def toil():
        while not done.is_set():
            sum(range(10_000))

    busy = [threading.Thread(target=toil) for _ in range(2)]
    for thread in busy:
        thread.start()
    pairs, gaps = [], []
    end_s = time.monotonic() + 3
    while time.monotonic() < end_s:
        news = watch.look()
        pairs += news.pairs
        gaps += news.gaps
        time.sleep(0.01)
    done.set()
    for thread in busy:
        thread.join()

    assert gaps == []
    assert len(pairs) in (3, 4)
    assert all(
        abs(utc_ns - t_ns - (time.time_ns() - (time.monotonic_ns() - start_ns))) < 50_000_000
        for t_ns, utc_ns in pairs
    )


def test_the_boot_clock_is_the_computer_s():
    """Where there is one it is never behind the monotonic clock."""
    boot = boot_clock()
    if boot is None:
        pytest.skip("this system has no clock that goes on while it is suspended")

    assert boot() >= time.monotonic_ns() - 1_000_000


def test_what_a_wild_clock_says_is_still_one_line():
    """A wall clock beyond any calendar gives a gap, not an error."""
    steps = WallSteps()
    steps.take(ClockLook(t_ns=0, utc_ns=0, boot_ns=0))
    (gap,) = steps.take(ClockLook(t_ns=TICK_NS, utc_ns=2**62, boot_ns=TICK_NS)).gaps

    assert gap.kind == "clock_step"
    far = steps.take(ClockLook(t_ns=2 * TICK_NS, utc_ns=2**68, boot_ns=2 * TICK_NS)).gaps[0]
    assert "s since 1970" in far.text


needs_faketime = pytest.mark.skipif(
    faketime_library() is None, reason="libfaketime is not installed: nothing steps the clock"
)


@needs_faketime
def test_a_clock_that_is_set_while_recording_moves_no_time(tmp_path):
    """The real recorder, its wall clock set by +1 h and −30 s: intervals right, both steps kept.

    The campaign holds arrivals to a millisecond. Here they need only be far from the smaller
    step: libfaketime takes a lock at each look at a clock, and holds threads up for a second
    and more on a busy computer (without it the recorder's rounds are never that late).
    """
    found = step_the_clock(tmp_path, steps_s=(3600, -30), between_s=2.5)

    assert found["told_s"] == pytest.approx([3600, -30], abs=0.01)
    assert found["pairs_off_s"] == pytest.approx([3600, -30], abs=0.01)
    assert found["readings"] == [found["sent"]] * 2
    assert found["off_s"]["slew"] < 1e-3
    assert found["off_s"]["wheel/rear_left"] < 10


@needs_faketime
def test_run_times_from_the_wall_clock_would_be_off_by_the_step(tmp_path):
    """The same with the fault that the test is there to see: arrivals an hour off."""
    found = step_the_clock(tmp_path, clock="wall", steps_s=(3600,), between_s=0.7)

    assert found["off_s"]["wheel/rear_left"] > 3000
    assert not passes(found)
