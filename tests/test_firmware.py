"""A whole simulated test with the reference firmware in place of the demo's own nodes.

The firmware runs under MicroPython's Unix port, its interrupts driven by what the simulated truck's
sensors do on their wires. It talks to the recorder through a pseudo-terminal and a real mosquitto,
which is stopped, killed and started again on the way.
"""

from __future__ import annotations

import os
import pty
import signal
import threading
import time
import tty
from dataclasses import dataclass

import numpy as np
import pytest

from dashboard.demo.scenario import WHEELS, Rates, Scenario
from dashboard.demo.simulation import Simulation
from dashboard.results import analyse
from logger.live.record import record
from logger.readings.block import Block
from logger.readings.rig_file import read_rig
from logger.readings.test_file import read_test
from logger.recording.header import RunHeader
from logger.recording.run import Run, open_run
from logger.recording.sealed import write_sealed
from tests.broker import Broker
from tests.firmware_signals import (
    CONTACT_HZ,
    bridge_counts,
    changes,
    mast_signals,
    wheel_signals,
    write_signals,
)
from tests.micropython import FIRMWARE, Board, needs_micropython
from tests.paced_clock import PacedClock
from tests.sample_runs import seal_sample

# All time goes slower where the machine is busy, and the first test waits for the whole of it.
pytestmark = [needs_micropython, pytest.mark.timeout(300)]

RATE = 60.0
SCENARIO = Scenario(
    name="firmware", title="wheels lift on both sides", slew_speed_dps=3.0, rest_s=2.0
)
RATES = Rates(slew_hz=50, load_hz=25, radius_hz=10, wheel_hz=200)
DRIFT_PPM = {"mast": 35, "wheels": -20}
OUTAGE_AT_S, STOPPED_S, KILLED_S = 60.0, 0.2, 0.3
LATE_US = 4000
"""``EDGE_LATE_US`` of the firmware's configuration."""


@dataclass(frozen=True, kw_only=True)
class FirmwareTest:
    """What the firmware's test left.

    Attributes:
        run: the sealed run.
        simulation: the readings that the sensors gave.
        start_ns: the test's start on the run's clock.
        reference: a run of the same readings, at their true times.
        events: what the recorder told.
        said: what each board said.
        broker_log: what the broker said.
    """

    run: Run
    simulation: Simulation
    start_ns: int
    reference: Run
    events: list[dict]
    said: dict[str, str]
    broker_log: str


@pytest.fixture(scope="module")
def tested(tmp_path_factory):
    """One test, recorded once."""
    folder = tmp_path_factory.mktemp("firmware")
    sample = seal_sample(folder, scenario=SCENARIO, rates=RATES)
    simulation = sample.simulation
    write_signals(folder / "mast", mast_signals(simulation), drift_ppm=DRIFT_PPM["mast"])
    write_signals(folder / "wheels", wheel_signals(simulation), drift_ppm=DRIFT_PPM["wheels"])
    node_end, recorder_end = pty.openpty()
    tty.setraw(recorder_end)
    # Its log tells which messages were marked as sent before.
    lines = ("max_inflight_messages 0", "log_type debug")
    broker = Broker(folder, lines=lines, saves_each_change=False).start()
    with (
        pytest.MonkeyPatch.context() as patch,
        PacedClock(folder / "clock", rate=RATE, boards=2) as clock,
    ):
        # The paced clock waits for the boards, which looks like a suspended computer.
        patch.setattr("logger.live.wall_clock.STEP_NS", 10**15)
        boards = {
            "mast": Board("mast", folder / "mast", clock, node_end, (node_end,)),
            "wheels": Board("wheels", folder / "wheels", clock, broker.port),
        }
        conductor = _Conductor(clock, boards, broker, simulation.truth.duration_s)
        rig_toml = _rig_toml(port=os.ttyname(recorder_end), url=broker.url)
        path = record(
            read_rig(rig_toml),
            read_test(simulation.test_toml),
            rig_toml,
            simulation.test_toml,
            folder / "runs",
            clock=clock,
            clock_rate=RATE,
            stop=conductor.stop,
            on_event=conductor.on_event,
        )
        said = {name: board.end() for name, board in boards.items()}
    broker.stop()
    os.close(node_end)
    os.close(recorder_end)
    return FirmwareTest(
        run=open_run(path),
        simulation=simulation,
        start_ns=conductor.start_us * 1000,
        reference=open_run(sample.path),
        events=conductor.events,
        said=said,
        broker_log=broker.log,
    )


def _rig_toml(*, port, url):
    """The firmware's example rig, with ports of this machine and patience for a fast clock."""
    text = (FIRMWARE / "rig.toml").read_text()
    for old, new in (
        ("/dev/serial/by-id/mast-node", port),
        ("mqtt://127.0.0.1:1883", url),
        ('stale_after = "0.5 s"', f'stale_after = "{2 * RATE} s"'),
    ):
        assert old in text
        text = text.replace(old, new)
    return text


class _Conductor:
    """Lets the boards' time begin, has the broker fail, and ends the recording."""

    def __init__(self, clock, boards, broker, duration_s):
        self.stop = threading.Event()
        self.events = []
        self.start_us = None
        self._clock = clock
        self._boards = boards
        self._broker = broker
        self._duration_s = duration_s

    def on_event(self, event):
        self.events.append(event)
        if event["event"] == "recording":
            self.start_us = self._clock() // 1000 + 100_000
            for name, board in self._boards.items():
                board.go(self.start_us, DRIFT_PPM[name])
            threading.Thread(target=self._conduct).start()

    def _conduct(self):
        try:
            if self._wait_until(OUTAGE_AT_S):
                self._fail_the_broker()
            self._wait_until(self._duration_s + 10)
        finally:
            time.sleep(0.3)  # what was sent last is still on its way
            self.stop.set()

    def _fail_the_broker(self):
        # Else the new broker would not know who listens, and answer for packs that nobody gets.
        self._broker.save()
        # What is sent to a broker that stands still is not acknowledged, and lost with it.
        self._broker.signal(signal.SIGSTOP)
        time.sleep(STOPPED_S)
        self._broker.kill()
        time.sleep(KILLED_S)
        self._broker.start()

    def _wait_until(self, test_s):
        until_ns = self.start_us * 1000 + round(test_s * 1e9)
        while self._clock() < until_ns:
            if not all(board.runs for board in self._boards.values()):
                return False
            time.sleep(0.02)
        return True


def test_every_reading_arrives_once_though_the_broker_was_killed(tested):
    """No pack is missing, none is double, and no board had anything to complain of."""
    tested.run.verify()
    blocks = tested.simulation.blocks
    counts = {c: len(tested.run.raw(c)) for c in ("slew", "radius", "load")}

    assert tested.said == {"mast": "", "wheels": ""}
    assert {g.kind for g in tested.run.gaps} == {"lost"}  # the broker, not a pack or a frame
    assert counts == {c: len(blocks[c]) for c in counts}
    assert np.array_equal(tested.run.raw("load").value, bridge_counts(blocks["load"].value))
    for wheel in WHEELS:
        assert len(tested.run.contact(f"wheel/{wheel}")[0]) == _contact_readings(tested, wheel)


def _contact_readings(tested, wheel):
    """Readings of a contact: repeats, edges, and the old state where that says something new."""
    block = tested.simulation.blocks[f"wheel/{wheel}"]
    edges_us = [t // 1000 for t, _ in changes(block.t_ns, block.value > 0.5)]
    repeats_us = np.arange(10**6, int(block.t_ns[-1]), 10**9 // CONTACT_HZ) // 1000
    readings_us = np.sort([*edges_us, *repeats_us])
    before_us = [readings_us[np.searchsorted(readings_us, t) - 1] for t in edges_us[1:]]
    old = sum(t - LATE_US > b for t, b in zip(edges_us[1:], before_us, strict=True))
    return len(readings_us) + old


def test_what_the_killed_broker_had_not_acknowledged_is_marked_as_sent_again(tested):
    """The new broker is sent packs with the flag DUP, and the first one none before it died."""
    lines = [x for x in tested.broker_log.splitlines() if "Received PUBLISH from bay-2-w" in x]

    assert any("(d1, q1" in x for x in lines)
    assert any("(d0, q1" in x for x in lines)


def test_slew_and_radius_are_what_the_sensors_read(tested):
    """Counted from edges, with wraps of the encoder, each reading is the demo's own."""
    for channel in ("slew", "radius"):
        got, wanted = tested.run.calibrated(channel), tested.reference.calibrated(channel)

        assert got.value == pytest.approx(wanted.value, abs=1e-9)


def test_edges_of_contacts_keep_their_times(tested):
    """Each change of each contact, bounce and all, comes in order.

    Those of one bounce are dated among each other to 10 µs, all within what the run states.
    """
    u_ns = _u_ns(tested, "wheels")
    for wheel in WHEELS:
        block = tested.simulation.blocks[f"wheel/{wheel}"]
        wanted = changes(block.t_ns, block.value > 0.5)
        t_ns, closed = tested.run.contact(f"wheel/{wheel}")
        got = changes(t_ns, closed)
        got_ns, wanted_ns = (np.array([t for t, _ in x[1:]]) for x in (got, wanted))
        bouncing = np.diff(wanted_ns) < 50e6

        assert [state for _, state in got] == [state for _, state in wanted]
        assert (np.abs(np.diff(got_ns) - np.diff(wanted_ns))[bouncing] < 10_000).all()
        assert (np.abs(got_ns - wanted_ns - tested.start_ns) < 4 * u_ns).all()


def _u_ns(tested, source):
    """The standard uncertainty that the run states for a board's times, ns."""
    return 1e9 * _fit(tested, source).u_s


def _fit(tested, source):
    """How the recorder tied a board's clock to the run's."""
    fits = tested.run.header.clock_fits
    (fit,) = (f for name, f in fits.items() if name.startswith(f"{source}#"))
    return fit


def test_the_counters_start_anew_and_times_go_on(tested):
    """Both boards' tick counters passed their end during the test; all times are still true."""
    for channel in ("slew", "load", "radius"):
        block = tested.simulation.blocks[channel]
        error_ns = tested.run.raw(channel).t_ns - (block.t_ns + tested.start_ns)

        assert block.t_ns[-1] > 250e9  # the counters have 200 s left at the start
        assert np.abs(error_ns).max() < 4 * _u_ns(tested, "mast")


def test_the_recorder_asked_and_the_board_answered(tested):
    """The mast's clock is bounded from both sides by its answers."""
    assert _fit(tested, "mast").pairs_two_way >= 3


def test_the_recorder_alarms_for_each_lift(tested):
    """Live, each true lift is confirmed for its wheel."""
    confirmed = {
        e["wheel"]
        for e in tested.events
        if e["event"] == "wheel_lift" and e["state"] == "confirmed"
    }

    assert confirmed >= {lift.wheel for lift in tested.simulation.truth.lifts}


def test_the_result_is_that_of_the_demos_nodes(tested, tmp_path):
    """At the times of the boards' own clocks, lifts, holds and sectors are those of the demo.

    The recorder's clock went fast, which makes it unsure of the boards' clocks; so their times are
    taken as they left them.
    """
    got = analyse(_at_device_times(tested, tmp_path / "again.parquet"), explain=False)
    wanted = analyse(tested.reference, explain=False)

    for one, other in zip(got["sectors"], wanted["sectors"], strict=True):
        for key in ("side", "basis", "from_deg", "to_deg", "percent"):
            assert one[key] == other[key], key
    assert [f["code"] for f in got["findings"]] == [f["code"] for f in wanted["findings"]]
    for one, other in zip(got["sweeps"], wanted["sweeps"], strict=True):
        assert one["reached_deg"] == other["reached_deg"]
        for hold, true in zip(one["holds"], other["holds"], strict=True):
            for key in ("from_deg", "to_deg", "radius_m", "load_kg", "moment_nm", "u_moment_nm"):
                assert hold[key] == pytest.approx(true[key], rel=1e-4), key
        for lift, true in zip(_lifts(one), _lifts(other), strict=True):
            assert lift["wheel"] == true["wheel"]
            for key in ("slew_deg", "slew_low_deg", "slew_high_deg", "estimate_deg"):
                assert lift[key] == pytest.approx(true[key], abs=0.01), key


def _at_device_times(tested, path):
    """The recorded readings, sealed again with the times that the boards gave them."""
    blocks = []
    for channel in sorted(tested.simulation.blocks):
        source = "wheels" if channel.startswith("wheel/") else "mast"
        raw = tested.run.raw(channel)
        device_ns = _fit(tested, source).to_device(raw.t_ns)
        true_ns = np.round(device_ns / (1 + DRIFT_PPM[source] * 1e-6)).astype(np.int64)
        blocks.append(Block(channel=channel, t_ns=true_ns, value=raw.value))
    header = tested.run.header
    write_sealed(
        path,
        RunHeader(
            run_id="again",
            started_utc=header.started_utc,
            software=header.software,
            rig_toml=header.rig_toml,
            test_toml=header.test_toml,
        ),
        blocks,
    )
    return open_run(path)


def test_the_run_itself_says_where_wheels_lifted(tested):
    """The recorded run finds the demo's lifts, each within the interval that it states."""
    got, wanted = (analyse(run, explain=False) for run in (tested.run, tested.reference))

    assert "readings_lost" in {f["code"] for f in got["findings"]}  # the broker was away
    assert "invalid" not in {f["severity"] for f in got["findings"]}
    for one, other in zip(got["sweeps"], wanted["sweeps"], strict=True):
        for lift, true in zip(_lifts(one), _lifts(other), strict=True):
            low_deg, high_deg = lift["interval_deg"]
            assert lift["wheel"] == true["wheel"]
            assert low_deg <= true["estimate_deg"] <= high_deg


def _lifts(sweep):
    return [*([sweep["first_lift"]] if sweep["first_lift"] else []), *sweep["lifts"]]
