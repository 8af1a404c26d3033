"""Record a test: from open sources to a sealed run."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from math import inf
from pathlib import Path

import pyarrow as pa

from logger.errors import BadInput, StorageFailed
from logger.events.watch import RunWatch
from logger.live.recorder import OnEvent, Recorder
from logger.readings.rig_file import RigFile
from logger.readings.test_file import TestFile, check_wheels_are_wired
from logger.recording.header import RunHeader
from logger.recording.journal import Journal
from logger.recording.run import open_run
from logger.recording.sealing import seal_journal
from logger.software import software_name
from logger.sources.arrival import Arrival, Clock, SourceNote
from logger.sources.opening import open_sources, start_sources, stop_sources

COMMIT_EVERY_S = 0.06
"""Between the 50 and 100 ms that a reading may wait for the disk."""
QUEUE_ITEMS = 100_000
WALL_PAIR_EVERY_S = 1.0

OnTick = Callable[[RunWatch, int], None]


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
    on_tick: OnTick | None = None,
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
        on_event: told each event as it happens, from this thread.
        clock_rate: run seconds in a second of wall time; 1 but in a simulation.
        on_tick: shown the watch and the time after each commit.

    Returns:
        The sealed run.

    Raises:
        SourceUnavailable: where a port or broker can't be opened; nothing is left behind.
        FileInvalid: where the test needs a wheel that the rig does not have.
        StorageFailed: where the disk refuses; the journal keeps all that was acknowledged.
    """
    check_wheels_are_wired(rig, test)
    _make_folder(folder)
    pa.array([0.0])  # the first array imports pandas, which takes seconds: not while recording
    items: queue.Queue[Arrival | SourceNote] = queue.Queue(maxsize=QUEUE_ITEMS)
    sources = open_sources(rig)
    start_sources(sources, items.put_nowait, clock)
    try:
        started = datetime.now(UTC)
        utc_start_ns = time.time_ns() - round(clock() / clock_rate)
        run_id = new_run_id(test, folder, started)
        header = RunHeader(
            run_id=run_id,
            started_utc=f"{started:%Y-%m-%dT%H:%M:%S.%fZ}",
            software=software_name(),
            rig_toml=rig_toml,
            test_toml=test_toml,
            clock_rate=clock_rate,
        )
        path = folder / f"{run_id}.journal"
        with Journal.create(path, header) as journal:
            recorder = Recorder(
                rig=rig,
                test=test,
                journal=journal,
                on_event=on_event,
                utc_start_ns=utc_start_ns,
                clock_rate=clock_rate,
            )
            on_event({"event": "recording", "run_id": run_id, "path": str(path)})
            _keep(recorder, journal, items, clock=clock, stop=stop, on_tick=on_tick)
            stop_sources(sources)
            _drain(recorder, items)
            recorder.finish(clock())
        for source, names in recorder.unknown_names.items():
            on_event({"event": "not_wired", "source": source, "names": sorted(names)})
    except StorageFailed as exc:
        on_event({"event": "storage_failed", "text": str(exc)})
        raise
    finally:
        stop_sources(sources)
    sealed = seal_journal(path)
    samples = sum(open_run(sealed).header.samples.values())
    on_event({"event": "sealed", "path": str(sealed), "samples": samples})
    return sealed


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise BadInput(
            where=str(folder), what=f"can't be made ({exc.strerror})", would_do="name a folder"
        ) from exc


def _keep(
    recorder: Recorder,
    journal: Journal,
    items: queue.Queue[Arrival | SourceNote],
    *,
    clock: Clock,
    stop: threading.Event,
    on_tick: OnTick | None,
) -> None:
    """Takes what comes, commits it in time, until told to stop."""
    commit_at_s = wall_at_s = time.monotonic()
    while not stop.is_set():
        now_s = time.monotonic()
        if now_s >= wall_at_s:
            journal.add_wall_pair(clock(), time.time_ns())
            wall_at_s = now_s + WALL_PAIR_EVERY_S
        if now_s >= commit_at_s:
            recorder.commit()
            commit_at_s = now_s + COMMIT_EVERY_S
            if on_tick is not None:
                on_tick(recorder.watch, clock())
        with contextlib.suppress(queue.Empty):
            recorder.take(items.get(timeout=max(0.0, commit_at_s - time.monotonic())))
        now_ns = clock()
        _drain(recorder, items, until_s=commit_at_s)
        # While items still wait, a sensor may have spoken: our own lateness is no silence.
        recorder.judge(now_ns if items.empty() else recorder.latest_arrival_ns)


def _drain(
    recorder: Recorder, items: queue.Queue[Arrival | SourceNote], *, until_s: float = inf
) -> None:
    """Takes what is there already, but not past a moment on the monotonic clock."""
    while time.monotonic() < until_s:
        try:
            recorder.take(items.get_nowait())
        except queue.Empty:
            return
