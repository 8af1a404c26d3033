"""Record a test: from open sources to a sealed run."""

from __future__ import annotations

import queue
import select
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from functools import partial
from math import inf
from pathlib import Path
from typing import Any

from logger.errors import BadInput, StorageFailed
from logger.live.alarm_outputs import open_alarm_outputs
from logger.live.announcing import Announcer, Event, Listener, OnEvent
from logger.live.keeper import Keeper
from logger.live.live_recordings import registered
from logger.live.recorder import Recorder
from logger.live.republish import republishing
from logger.live.snapshot import Snapshot
from logger.live.wall_clock import WallWatch
from logger.readings.rig_file import RigFile
from logger.readings.test_file import TestFile, check_wheels_are_wired
from logger.readings.watched_limits import check_watched_channels_are_wired
from logger.recording.header import Note, RunHeader
from logger.recording.run import open_run
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import seal_journal
from logger.software import software_name
from logger.sources.arrival import Arrival, Clock, SourceNote
from logger.sources.opening import open_sources, start_sources, stop_sources

HAND_OVER_EVERY_S = 0.07
"""How long a reading may wait before it goes to the keeper, who commits at once."""

LOOK_EVERY_S = 0.005
"""The detectors look at most this often: a flood is judged in larger blocks, no later."""

QUEUE_ITEMS = 100_000
SETTLE_S = 1.0
PULSE_LASTS_S = 1.5
KEEP_TRYING_S = 10.0
"""How long a failing disk is tried at the end of a run."""

OnSnapshot = Callable[[Snapshot], None]


class Inlet:
    """The bounded queue between the sources' threads and the recorder's.

    Only what may be urgent wakes the recorder: what comes from a source with wheel contacts,
    and what a source says of itself. The rest is taken on the next round.

    Args:
        urgent: ids of the sources with wheel contacts.
        limit: how many items may wait.
    """

    def __init__(self, urgent: Collection[str], limit: int = QUEUE_ITEMS) -> None:
        self._items: deque[Arrival | SourceNote] = deque()
        self._urgent = frozenset(urgent)
        self._limit = limit
        # A socket, since waiting for one goes by no clock that someone may set.
        self._rings, self._bell = socket.socketpair()
        self._rings.setblocking(False)
        self._is_rung = False

    def put(self, item: Arrival | SourceNote) -> None:
        """Hands an item over; never waits.

        Raises:
            queue.Full: where the recorder is behind.
        """
        # Several sources may pass the bound together: by one item each, at most.
        if len(self._items) >= self._limit:
            raise queue.Full
        self._items.append(item)
        if not self._is_rung and (isinstance(item, SourceNote) or item.source in self._urgent):
            self._is_rung = True
            with suppress(OSError):  # it is closed at the end, or rung by many at once
                self._rings.send(b".")

    def wait(self, *, timeout_s: float) -> bool:
        """Waits for something that may be urgent; whether it came in time."""
        if not select.select([self._bell], [], [], max(0.0, timeout_s))[0]:
            return False
        self._bell.recv(1024)
        self._is_rung = False
        return True

    def close(self) -> None:
        """Takes no more notice of what comes."""
        self._rings.close()
        self._bell.close()

    def get(self) -> Arrival | SourceNote | None:
        """The next item; None where none is there."""
        try:
            return self._items.popleft()
        except IndexError:
            return None

    @property
    def empty(self) -> bool:
        """Whether nothing waits."""
        return not self._items


class Pulse:
    """Whether the recorder still makes its rounds, for outputs in other threads."""

    def __init__(self) -> None:
        self._until_s = time.monotonic() + PULSE_LASTS_S

    def beat(self) -> None:
        """A round has been made."""
        self._until_s = time.monotonic() + PULSE_LASTS_S

    def end(self) -> None:
        """No more rounds are due: the run is being sealed."""
        self._until_s = inf

    def is_there(self) -> bool:
        """Whether the last round was made a short time ago, or none is due."""
        return time.monotonic() < self._until_s


def run_clock() -> Clock:
    """A clock that starts now: ns on the monotonic clock."""
    start_ns = time.monotonic_ns()
    return lambda: time.monotonic_ns() - start_ns


def new_run_id(test: TestFile, folder: Path, started: datetime) -> str:
    """The test's id and the start in UTC; a number where a run of that name is there already."""
    stem = f"{test.test.id}-{started:%Y%m%dT%H%M%SZ}"
    run_id, count = stem, 1
    while any((folder / f"{run_id}{end}").exists() for end in (".journal", ".parquet")):
        count += 1
        run_id = f"{stem}-{count}"
    return run_id


def record(
    rig: RigFile,
    test: TestFile,
    rig_toml: str,
    test_toml: str,
    folder: Path,
    *,
    clock: Clock,
    stop: threading.Event,
    on_event: OnEvent,
    clock_rate: float = 1.0,
    check: dict[str, Any] | None = None,
    notes: deque[Note] | None = None,
    on_snapshot: OnSnapshot | None = None,
) -> Path:
    """Records until told to stop, then seals.

    Args:
        rig: what is wired to what.
        test: what is tested.
        rig_toml: the rig file's text, kept verbatim.
        test_toml: the test file's text, kept verbatim.
        folder: where the journal and the sealed run go; made where it is missing.
        clock: the run's clock, near 0 now.
        stop: set it to end the run.
        on_event: told each event as it happens, from this thread; it must not wait.
        clock_rate: run seconds in a second of wall time; 1 but in a simulation.
        check: the report of the check that went before, for the header.
        notes: notes that someone at this recorder makes, appended from any thread.
        on_snapshot: shown the state after each hand-over; it must not wait.

    Returns:
        The sealed run.

    Raises:
        SourceUnavailable: where a port, a broker or an alarm's output can't be opened; nothing
            is left behind.
        FileInvalid: where the test needs a wheel that the rig does not have.
        StorageFailed: where the disk refuses to the end; the journal keeps all that was
            acknowledged.
    """
    check_wheels_are_wired(rig, test)
    check_watched_channels_are_wired(rig, test.watch)
    made_folder = _make_folder(folder)
    sources = open_sources(rig)
    with ExitStack() as ends:
        ends.callback(_remove_if_empty, made_folder)
        inlet = Inlet({c.source for c in rig.wheels})
        ends.callback(inlet.close)
        pulse, reports = Pulse(), deque[Event]()
        outputs = open_alarm_outputs(rig, report=reports.append, alive=pulse.is_there)
        alarms = Announcer(
            Listener(
                output, name=f"alarm {name}", on_failure=partial(_output_failed, name, reports)
            )
            for name, output in outputs
        )
        ends.callback(alarms.close)
        start_sources(sources, inlet.put, clock)
        ends.callback(stop_sources, sources)

        def tell(event: Event) -> None:
            on_event(event)
            alarms(event)

        header = _header(
            rig_toml, test_toml, test, folder, clock=clock, clock_rate=clock_rate, check=check
        )
        path = folder / f"{header.run_id}.journal"
        try:
            journal = RunJournal.create(path, header)
            with republishing(rig, path, tell), _keeping(journal) as keeper:
                recorder = Recorder(
                    rig=rig,
                    test=test,
                    keeper=keeper,
                    tell=tell,
                    utc_start_ns=time.time_ns() - round(clock() / clock_rate),
                    clock_rate=clock_rate,
                )
                rounds = _Rounds(
                    recorder,
                    keeper,
                    inlet,
                    clock=clock,
                    clock_rate=clock_rate,
                    notes=deque() if notes is None else notes,
                    output_reports=reports,
                    on_snapshot=on_snapshot,
                )
                with registered(header.run_id, path) as unreachable:
                    tell({"event": "recording", "run_id": header.run_id, "path": str(path)})
                    if unreachable:
                        tell({"event": "unreachable", "text": unreachable})
                    while not stop.is_set():
                        rounds.go_round()
                        pulse.beat()
                pulse.end()
                rounds.settle()
                stop_sources(sources)
                rounds.finish()
        except StorageFailed as exc:
            tell({"event": "storage_failed", "text": str(exc)})
            raise
        for source, names in recorder.unknown_names.items():
            tell({"event": "not_wired", "source": source, "names": sorted(names)})
        sealed = seal_journal(path)
        samples = sum(open_run(sealed).header.samples.values())
        tell({"event": "sealed", "path": str(sealed), "samples": samples})
    return sealed


def _output_failed(name: str, reports: deque[Event], text: str) -> None:
    reports.append({"event": "alarm_output", "output": name, "state": "lost", "text": text})


@contextmanager
def _keeping(journal: RunJournal) -> Iterator[Keeper]:
    """The keeper of a journal, who has made all durable when this is left."""
    keeper = Keeper(journal)
    keeper.start()
    try:
        yield keeper
    finally:
        keeper.close(within_s=KEEP_TRYING_S)


def _header(
    rig_toml: str,
    test_toml: str,
    test: TestFile,
    folder: Path,
    *,
    clock: Clock,
    clock_rate: float,
    check: dict[str, Any] | None,
) -> RunHeader:
    started = datetime.now(UTC)
    return RunHeader(
        run_id=new_run_id(test, folder, started),
        started_utc=f"{started:%Y-%m-%dT%H:%M:%S.%fZ}",
        software=software_name(),
        rig_toml=rig_toml,
        test_toml=test_toml,
        clock_rate=clock_rate,
        monotonic_start_ns=time.monotonic_ns() - round(clock() / clock_rate),
        check=check,
    )


class _Rounds:
    """The recorder's rounds: take, look, and now and then hand over."""

    def __init__(
        self,
        recorder: Recorder,
        keeper: Keeper,
        inlet: Inlet,
        *,
        clock: Clock,
        clock_rate: float,
        notes: deque[Note],
        output_reports: deque[Event],
        on_snapshot: OnSnapshot | None,
    ) -> None:
        self._recorder = recorder
        self._keeper = keeper
        self._inlet = inlet
        self._clock = clock
        self._notes = notes
        self._output_reports = output_reports
        self._on_snapshot = on_snapshot
        self._wall = WallWatch(clock, clock_rate=clock_rate)
        self._hand_over_at_s = self._look_at_s = 0.0

    def go_round(self) -> None:
        """Takes what comes, up to the next hand-over."""
        now_s = time.monotonic()
        if now_s >= self._hand_over_at_s:
            self._hand_over()
            self._hand_over_at_s = now_s + HAND_OVER_EVERY_S
        if self._inlet.wait(timeout_s=self._hand_over_at_s - time.monotonic()):
            pause_s = self._look_at_s - time.monotonic()
            if pause_s > 0:
                time.sleep(pause_s)
        now_ns = self._clock()
        self._drain(until_s=self._hand_over_at_s)
        # While items still wait, a sensor may have spoken: our own lateness is no silence.
        self._recorder.judge(now_ns if self._inlet.empty else self._recorder.latest_arrival_ns)
        self._look_at_s = time.monotonic() + LOOK_EVERY_S

    def settle(self) -> None:
        """Hands over what has come, and lets its senders hear of it before they are left."""
        self._drain(until_s=time.monotonic() + SETTLE_S)
        self._recorder.judge(self._clock())
        self._hand_over()
        until_s = time.monotonic() + SETTLE_S
        while self._keeper.waiting_s > 0 and time.monotonic() < until_s:
            time.sleep(0.005)

    def finish(self) -> None:
        """Takes what is left and hands it over."""
        self._drain(until_s=inf)
        self._take_notes()
        self._recorder.finish(self._clock())

    def _hand_over(self) -> None:
        self._take_notes()
        pairs, gaps = self._wall.look()
        for t_ns, utc_ns in pairs:
            self._recorder.add_wall_pair(t_ns, utc_ns)
        for gap in gaps:
            self._recorder.reporter.gap(gap)
        self._recorder.hand_over(self._clock())
        if self._on_snapshot is not None:
            self._on_snapshot(self._recorder.snapshot(self._clock()))

    def _take_notes(self) -> None:
        while self._notes:
            self._recorder.take_note(self._notes.popleft())
        while self._output_reports:
            self._recorder.reporter.output(self._output_reports.popleft(), now_ns=self._clock())

    def _drain(self, *, until_s: float) -> None:
        """Takes what is there already, but not past a moment on the monotonic clock."""
        while time.monotonic() < until_s:
            item = self._inlet.get()
            if item is None:
                return
            self._recorder.take(item)


def _make_folder(folder: Path) -> Path | None:
    """Makes the folder; the one that is to be removed again where nothing comes into it."""
    if folder.is_dir():
        return None
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise BadInput(
            where=str(folder), what=f"can't be made ({exc.strerror})", would_do="name a folder"
        ) from exc
    return folder


def _remove_if_empty(folder: Path | None) -> None:
    if folder is not None and not any(folder.iterdir()):
        folder.rmdir()
