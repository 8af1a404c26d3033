"""Record a test: from open sources to a sealed run."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from logger.errors import BadInput, StorageFailed
from logger.live.alarm_outputs import alarm_sessions, open_alarm_outputs
from logger.live.announcing import Announcer, Event, Listener, OnEvent
from logger.live.claims import claimed
from logger.live.keeper import Keeper
from logger.live.live_recordings import registered
from logger.live.recorder import Recorder
from logger.live.republish import republisher_of, republishing
from logger.live.rounds import Inlet, OnSnapshot, Pulse, Rounds
from logger.live.snapshot import Snapshot
from logger.live.viewer_link import NoLink, ViewerLink, open_link
from logger.operating_system import steady_ns
from logger.readings.rig_file import RigFile
from logger.readings.test_file import TestFile, check_wheels_are_wired
from logger.readings.watched_limits import check_watched_channels_are_wired
from logger.recording.header import Note, RunHeader
from logger.recording.run import open_run
from logger.recording.run_journal import RunJournal
from logger.recording.sealing import seal_journal
from logger.software import software_name
from logger.sources.arrival import Clock
from logger.sources.opening import (
    open_sources,
    recorder_sessions,
    start_sources,
    stop_sources,
)

KEEP_TRYING_S = 10.0
"""How long a failing disk is tried at the end of a run."""


def run_clock(*, rate: float = 1.0) -> Clock:
    """A clock that starts now: ns on the monotonic clock.

    Args:
        rate: run seconds in a second of wall time; 1 but where a run is played fast.
    """
    start_ns = steady_ns()
    if rate == 1:
        return lambda: steady_ns() - start_ns
    return lambda: round((steady_ns() - start_ns) * rate)


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
    load_chart_csv: str = "",
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
        load_chart_csv: the crane's load chart, kept verbatim; empty where there is none.
        notes: notes that someone at this recorder makes, appended from any thread.
        on_snapshot: shown the state after each hand-over; it must not wait.

    Returns:
        The sealed run.

    Raises:
        SourceUnavailable: where a port, a broker or an alarm's output can't be opened, or another
            recorder of this computer has its session; nothing is left behind.
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
        ends.enter_context(claimed((*recorder_sessions(rig), *alarm_sessions(rig))))
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

        link: ViewerLink | NoLink = NoLink()
        notes = deque() if notes is None else notes

        def tell(event: Event) -> None:
            on_event(event)
            alarms(event)
            link.offer(event)

        def show(snapshot: Snapshot) -> None:
            link.show(snapshot)
            if on_snapshot is not None:
                on_snapshot(snapshot)

        republisher = republisher_of(rig, tell)
        header = _header(
            rig_toml,
            test_toml,
            test,
            folder,
            clock=clock,
            clock_rate=clock_rate,
            check=check,
            load_chart_csv=load_chart_csv,
        )
        path = folder / f"{header.run_id}.journal"
        try:
            journal = RunJournal.create(path, header)
            with republishing(republisher, path), _keeping(journal) as keeper:
                recorder = Recorder(
                    rig=rig,
                    test=test,
                    keeper=keeper,
                    tell=tell,
                    utc_start_ns=time.time_ns() - round(clock() / clock_rate),
                    clock_rate=clock_rate,
                )
                rounds = Rounds(
                    recorder,
                    keeper,
                    inlet,
                    clock=clock,
                    clock_rate=clock_rate,
                    notes=notes,
                    output_reports=reports,
                    on_snapshot=show,
                )
                link, no_link = open_link(header, path, clock=clock, notes=notes, tell=tell)
                ends.callback(link.close)
                with registered(
                    header.run_id, path, port=link.port, token=link.token
                ) as unregistered:
                    _tell_start(tell, header.run_id, path, problems=(no_link, unregistered))
                    while not stop.is_set():
                        rounds.go_round()
                        pulse.beat()
                pulse.end()
                link.sealing()
                rounds.settle()
                stop_sources(sources)
                rounds.finish()
        except StorageFailed as exc:
            tell({"event": "storage_failed", "text": str(exc)})
            raise
        _tell_unknown_names(tell, recorder)
        return _sealed(path, tell)


def _sealed(path: Path, tell: OnEvent) -> Path:
    sealed = seal_journal(path)
    samples = open_run(sealed, corrected=False).sample_count
    tell({"event": "sealed", "path": str(sealed), "samples": samples})
    return sealed


def _tell_start(tell: OnEvent, run_id: str, path: Path, *, problems: tuple[str, ...]) -> None:
    tell({"event": "recording", "run_id": run_id, "path": str(path)})
    for text in filter(None, problems):
        tell({"event": "unreachable", "text": text})


def _tell_unknown_names(tell: OnEvent, recorder: Recorder) -> None:
    for source, names in recorder.unknown_names.items():
        tell({"event": "not_wired", "source": source, "names": sorted(names)})


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
    load_chart_csv: str,
) -> RunHeader:
    started = datetime.now(UTC)
    return RunHeader(
        run_id=new_run_id(test, folder, started),
        started_utc=f"{started:%Y-%m-%dT%H:%M:%S.%fZ}",
        software=software_name(),
        rig_toml=rig_toml,
        test_toml=test_toml,
        clock_rate=clock_rate,
        monotonic_start_ns=steady_ns() - round(clock() / clock_rate),
        check=check,
        load_chart_csv=load_chart_csv,
    )


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
    if folder is not None:
        with suppress(OSError):  # what is not empty, or gone, is left as it is
            folder.rmdir()
