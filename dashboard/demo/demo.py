"""The demo: a simulated truck, tested in accelerated time, recorded by the ordinary recorder.

Nothing of the recorder knows that it is a demo. Readings come as frames through a real
pseudo-terminal and a real broker; only the run's clock is ours, and runs ``speed`` times faster
than the wall's. Until the recorder says that it keeps readings, the truck stands still.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import wait as wait_for
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from dashboard.demo.broker import HOST, BrokerKind, running_broker
from dashboard.demo.nodes import MAST, PACK_S, WHEEL_NODE, Frame, Node, frames
from dashboard.demo.player import (
    Pace,
    play_to_broker,
    play_to_serial,
    pseudo_terminal,
)
from dashboard.demo.scenario import (
    TOPIC,
    ExpectedLift,
    Wiring,
    demo_chart_csv,
    expected_lifts,
)
from dashboard.demo.simulation import Simulation, simulate
from logger.live.record import record
from logger.readings.block import Block
from logger.readings.rig_file import read_rig
from logger.readings.test_file import read_test
from logger.sources.arrival import Clock

DEFAULT_SPEED = 20.0
FASTEST = 60.0
"""Beyond this a common computer's own hiccups blur the simulated times."""
IDLE_NS = 4 * 10**9
"""The truck stands still in pieces of this length, run time."""
GRACE_S = 1.5
"""Wall time after which the nodes begin even though nobody said that readings are kept."""
PACKS_A_SECOND = 80.0
"""Most packs a second of wall time from a node; a faster demo sends longer ones."""
TAIL_S = 0.25
PROGRESS_S = 0.2

Progress = Callable[[float, str], None]
Event = Mapping[str, object]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DemoRun:
    """A demo that has been recorded.

    Attributes:
        run_path: the sealed run.
        expected: the lifts that the truck's model foresees.
        simulation: what was simulated, with its truth.
        start_ns: the test's start on the run's clock, ns; add it to the truth's times.
        complete: whether the test was played to its end.
        events: what the recorder reported, in order.
    """

    run_path: Path
    expected: tuple[ExpectedLift, ...]
    simulation: Simulation
    start_ns: int
    complete: bool
    events: tuple[Event, ...]


def speed_for(duration_s: float, for_s: float | None) -> float:
    """The speed at which a test fits into a given wall time.

    Args:
        duration_s: length of the simulated test, s.
        for_s: wall time that the demo may take, s, or None for the usual speed.

    Raises:
        ValueError: where ``for_s`` is not above zero.
    """
    if for_s is None:
        return DEFAULT_SPEED
    if for_s <= 0:
        raise ValueError(f"a demo of {for_s:g} s shows nothing; give it some seconds")
    return min(FASTEST, max(1.0, duration_s / for_s))


@dataclass(slots=True, kw_only=True)
class _Stage:
    """What the demo's threads share."""

    simulation: Simulation
    clock: Clock
    speed: float
    stop: threading.Event
    ready: threading.Event = field(default_factory=threading.Event)
    idle: int | None = None
    """Pieces of standing still before the test; None until that is known."""
    events: list[Event] = field(default_factory=list)

    def on_event(self, event: Event) -> None:
        self.events.append(event)
        if event.get("event") == "recording":
            self.begin()

    def begin(self) -> None:
        if self.idle is None:
            # Both nodes are at most one piece ahead, so the one after the next suits both.
            sending = self.ready.is_set()
            self.idle = self.clock() // IDLE_NS + 2 if sending else self.clock() // IDLE_NS + 1
        self.ready.set()

    @property
    def start_ns(self) -> int:
        return (self.idle or 0) * IDLE_NS

    def test_s(self) -> float:
        """Seconds since the test's start; negative before."""
        return (self.clock() - self.start_ns) / 1e9 if self.idle is not None else -1.0


def run_demo(
    folder: Path,
    *,
    scenario: str = "both-sides",
    speed: float | None = None,
    for_s: float | None = None,
    progress: Progress | None = None,
    seed: int = 1,
    broker: BrokerKind | None = None,
    stop: threading.Event | None = None,
) -> DemoRun:
    """Runs and records a demo; blocks until the run is sealed.

    Args:
        folder: where the run is kept.
        scenario: one of ``SCENARIOS``.
        speed: how many times faster than the wall's the run's clock is; by default 20, or what
            lets the whole test fit into ``for_s``.
        for_s: most wall time for the test, s; with a given ``speed`` the test is cut there.
        progress: told how far the demo is, 0 to 1, and what the truck does.
        seed: of all that is random.
        broker: which broker; by default mosquitto where it is installed.
        stop: set it to end the demo early; what was recorded is sealed.

    Raises:
        BadInput: in one line, where the system lacks what the demo needs.
        ValueError: for an unknown scenario, or a speed or time that is not above zero.
    """
    if speed is not None and not 0 < speed <= 1000:
        raise ValueError(f"a speed of {speed:g} won't do; between 0 and 1000")
    plain = simulate(scenario, seed)
    speed = speed or speed_for(plain.truth.duration_s, for_s)
    cut_s = None if for_s is None or for_s * speed > plain.truth.duration_s - 1 else for_s * speed
    stop = stop or threading.Event()
    with pseudo_terminal() as line, running_broker(broker) as port:
        wiring = Wiring.accelerated(port=line.port, url=f"mqtt://{HOST}:{port}", speed=speed)
        simulation = simulate(scenario, seed, wiring=wiring)
        stage = _Stage(
            simulation=simulation, clock=accelerated_clock(speed), speed=speed, stop=stop
        )
        pace = Pace(clock=stage.clock, speed=speed, stop=stop)
        with ThreadPoolExecutor(max_workers=3, thread_name_prefix="demo") as pool:
            players = [
                pool.submit(lambda: play_to_serial(_sending(stage, MAST), line, pace)),
                pool.submit(
                    lambda: play_to_broker(
                        _sending(stage, WHEEL_NODE), port=port, topic=TOPIC, pace=pace
                    )
                ),
            ]
            conductor = pool.submit(_conduct, stage, players, cut_s, progress)
            try:
                path = record(
                    read_rig(simulation.rig_toml),
                    read_test(simulation.test_toml),
                    simulation.rig_toml,
                    simulation.test_toml,
                    folder,
                    clock=stage.clock,
                    clock_rate=speed,
                    stop=stop,
                    on_event=stage.on_event,
                    load_chart_csv=demo_chart_csv(),
                )
            finally:
                stop.set()
                stage.ready.set()
            for player in players:
                player.result()
    return DemoRun(
        run_path=path,
        expected=expected_lifts(simulation.scenario),
        simulation=simulation,
        start_ns=stage.start_ns,
        complete=conductor.result(),
        events=tuple(stage.events),
    )


def accelerated_clock(speed: float) -> Clock:
    """A run's clock that starts now and runs ``speed`` times faster than the wall's."""
    start_ns = time.monotonic_ns()
    return lambda: int((time.monotonic_ns() - start_ns) * speed)


def _sending(stage: _Stage, node: Node) -> Iterator[Frame]:
    """A node's frames: standing still until the test may begin, then the test."""
    stage.ready.wait(GRACE_S)
    stage.ready.set()
    blocks = stage.simulation.blocks
    still = {c: _until(b, IDLE_NS) for c, b in blocks.items()}
    send = partial(
        frames,
        node,
        pack_s=max(PACK_S, stage.speed / PACKS_A_SECOND),
        counter=itertools.count(),
    )
    piece = stage.clock() // IDLE_NS + 1
    while stage.idle is None or piece < stage.idle:
        if stage.stop.is_set():
            return
        yield from send(still, seed=piece, shift_ns=piece * IDLE_NS)
        piece += 1
    yield from send(blocks, seed=0, shift_ns=stage.start_ns)


def _until(block: Block, end_ns: int) -> Block:
    kept = block.t_ns < end_ns
    return Block(channel=block.channel, t_ns=block.t_ns[kept], value=block.value[kept])


def _conduct(
    stage: _Stage,
    players: list[Future[int]],
    cut_s: float | None,
    progress: Progress | None,
) -> bool:
    """Tells the progress and ends the recording; true where the test was played to its end."""
    whole_s = stage.simulation.truth.duration_s
    while not stage.stop.is_set():
        done, _ = wait_for(players, timeout=PROGRESS_S)
        test_s = stage.test_s()
        if progress is not None:
            progress(min(max(test_s / whole_s, 0.0), 1.0), scene(stage.simulation, test_s))
        failed = any(p.exception() for p in done)
        late = cut_s is not None and test_s > cut_s
        if failed or late or len(done) == len(players):
            complete = not failed and not late and not stage.stop.is_set()
            # What was sent last is still on its way through the broker.
            stage.stop.wait(TAIL_S)
            stage.stop.set()
            return complete
    return False


def scene(simulation: Simulation, test_s: float) -> str:
    """What the truck does at a moment of the test, in words for the progress line."""
    phase = next((p for p in simulation.truth.phases if p.start_s <= test_s < p.end_s), None)
    if phase is None:
        return "the truck stands ready" if test_s < 0 else "the test is over"
    course = simulation.truth.course
    i = min(int(test_s / (course.t_s[1] - course.t_s[0])), len(course.t_s) - 1)
    words = {
        "rest": "load on the ground",
        "hoist": "taking up the load",
        "settle": "load hanging, waiting for the swing to die down",
        "sweep": f"{phase.side} sweep",
        "set_down": "setting the load down",
        "boom_in": "bringing the load in",
        "return": "returning to the rear without load",
    }[phase.name]
    return f"{words}; slew {course.slew_deg[i]:.0f}°, radius {course.radius_m[i]:.2f} m"
