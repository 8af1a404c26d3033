"""The whole demo: simulated truck, real wires, the ordinary recorder, a sealed run."""

import sys
import threading
import time

import numpy as np
import pytest

from dashboard.demo.demo import DEFAULT_SPEED, FASTEST, run_demo, scene, speed_for
from dashboard.demo.player import pseudo_terminal
from dashboard.demo.simulation import simulate
from dashboard.load_charts import chart_of
from logger.errors import SourceUnavailable
from logger.recording.run import open_run

SPEED = 30.0


@pytest.fixture(scope="module")
def told():
    """What the demo told about its progress."""
    return []


@pytest.fixture(scope="module")
def demo(tmp_path_factory, told):
    """One demo in which wheels lift on both sides, recorded once."""
    return run_demo(
        tmp_path_factory.mktemp("demo"),
        scenario="both-sides",
        speed=SPEED,
        progress=lambda share, text: told.append((share, text)),
    )


@pytest.fixture(scope="module")
def run(demo):
    """The sealed run."""
    return open_run(demo.run_path)


def test_every_reading_of_the_test_is_in_the_run(demo, run):
    """Through pseudo-terminal, broker and recorder no reading is lost, added or changed."""
    run.verify()

    assert demo.complete
    assert not [g for g in run.gaps if g.kind != "stale"]
    for channel, block in demo.simulation.blocks.items():
        got = run.raw(channel)
        assert np.array_equal(got.value[len(got) - len(block) :], block.value), channel


def test_times_in_the_run_are_the_true_ones(demo, run):
    """Both nodes' clocks are aligned to the run's within 10 ms of this machine's time.

    On a machine that is busy, within four times the standard uncertainty that the run states.
    The nodes' clocks differ from the run's by minutes and drift by tens of parts in a million.
    """
    for channel, block in demo.simulation.blocks.items():
        t_ns = run.raw(channel).t_ns
        error_ns = t_ns[len(t_ns) - len(block) :] - (block.t_ns + demo.start_ns)

        stated_ns = 4e9 * max(fit.u_s for fit in run.header.clock_fits.values())
        assert np.abs(error_ns).max() < max(10e6 * SPEED, stated_ns), channel


def test_lifts_in_the_run_are_where_the_model_puts_them(demo, run):
    """The first contact to open for good on each hold is the model's wheel, at its angle."""
    slew = run.calibrated("slew")
    found = []
    for hold in demo.simulation.truth.holds:
        start = demo.start_ns + round(hold.start_s * 1e9)
        end = demo.start_ns + round((hold.end_s + 1.0) * 1e9)
        for wheel in run.header.test.truck.wheels:
            t_ns, closed = run.contact(f"wheel/{wheel}")
            inside = (t_ns >= start) & (t_ns < end)
            steady = np.convolve(~closed[inside], np.ones(40), mode="valid") == 40
            if steady.any():
                opened = int(t_ns[inside][steady.argmax()])
                found.append((hold.side, wheel, float(np.interp(opened, slew.t_ns, slew.value))))
    expected = [(e.side, e.wheel) for e in demo.expected]

    assert [f[:2] for f in found] == expected
    assert [f[2] for f in found] == pytest.approx([e.slew_deg for e in demo.expected], abs=1.2)


def test_the_recorder_alarms_for_each_lift(demo):
    """Live, each true lift is confirmed for its wheel."""
    confirmed = [
        e["wheel"] for e in demo.events if e["event"] == "wheel_lift" and e["state"] == "confirmed"
    ]

    for lift in demo.simulation.truth.lifts:
        assert lift.wheel in confirmed


def test_the_header_tells_the_accelerated_clock(run):
    """The run says how fast its clock ran and keeps both files."""
    assert run.header.clock_rate == SPEED
    assert run.header.test.truck.id == "Demo truck A"
    assert run.header.rig.rig.id == "demo-bay"
    assert "stale_after is 2 s of this machine's time" in run.header.rig_toml


def test_progress_rises_and_says_what_happens(demo, told):
    """The progress never falls, reaches the end and names the work."""
    shares = [share for share, _ in told]
    texts = " ".join(text for _, text in told)

    assert shares == sorted(shares)
    assert shares[-1] > 0.98
    for words in ("right sweep", "left sweep", "returning to the rear"):
        assert words in texts


@pytest.mark.parametrize("broker", ["mosquitto", "amqtt"])
def test_a_demo_cut_short_is_sealed_too(tmp_path, broker):
    """After the given wall time the demo ends, with either broker, and its run is whole."""
    began = time.monotonic()
    demo = run_demo(tmp_path, scenario="steady", speed=20.0, for_s=2.0, broker=broker)
    run = open_run(demo.run_path)
    run.verify()

    assert not demo.complete
    assert time.monotonic() - began < 20
    assert not [g for g in run.gaps if g.kind != "stale"]
    for channel, rate_hz in (("slew", 50), ("wheel/rear_left", 200)):
        t_ns = run.raw(channel).t_ns
        test_ns = t_ns[t_ns >= demo.start_ns]
        assert np.diff(test_ns).max() < 2e9 / rate_hz, channel  # nothing is missing before the cut
        assert np.ptp(test_ns) > 5e9, channel  # how far a slow machine comes is its own affair


def test_a_demo_can_be_stopped(tmp_path):
    """Setting ``stop`` ends the demo at once and seals what was recorded."""
    stop = threading.Event()
    threading.Timer(2.5, stop.set).start()
    demo = run_demo(tmp_path, scenario="steady", stop=stop)

    assert not demo.complete
    assert open_run(demo.run_path).channels


def test_no_thread_and_no_broker_is_left(demo):
    """When the demo is over its threads are gone."""
    left = [t.name for t in threading.enumerate() if t.name.startswith("demo")]

    assert left == []


def test_speed_fits_the_test_into_the_time_given():
    """A test of 450 s in 30 s runs at 15 times; neither slower than the wall nor too fast."""
    assert speed_for(450.0, 30.0) == 15.0
    assert speed_for(450.0, None) == DEFAULT_SPEED
    assert speed_for(450.0, 1.0) == FASTEST
    assert speed_for(450.0, 4500.0) == 1.0
    with pytest.raises(ValueError, match="shows nothing"):
        speed_for(450.0, 0.0)


def test_scene_in_words():
    """The progress line names the stretch, the angle and the radius."""
    simulation = simulate("one-side")
    lift = simulation.truth.lifts[0]

    assert scene(simulation, -1.0) == "the truck stands ready"
    assert scene(simulation, lift.t_s) == "right sweep; slew 92°, radius 3.92 m"
    assert scene(simulation, 1e6) == "the test is over"


@pytest.mark.parametrize("speed", [-1.0, 0.0, 1e6])
def test_a_speed_that_makes_no_sense_is_refused(tmp_path, speed):
    """Speeds are above zero and below a thousand."""
    with pytest.raises(ValueError, match="speed"):
        run_demo(tmp_path, speed=speed)


def test_windows_is_told_why_not(monkeypatch):
    """Without pseudo-terminals the demo says in one line what it needs."""
    monkeypatch.setattr(sys, "platform", "win32")

    with pytest.raises(SourceUnavailable, match="needs a pseudo-terminal"), pseudo_terminal():
        pass


def test_the_demos_chart_is_kept_in_its_run(run):
    """The demo's crane has a load chart, no line of which is beyond its rated moment."""
    chart = chart_of(run)

    assert chart is not None
    assert run.header.test.crane.chart == "demo-chart.csv"
    assert all(
        row.load_kg * 9.80665 * row.radius_m <= run.header.test.crane.rated_moment_nm
        for row in chart.rows
    )
