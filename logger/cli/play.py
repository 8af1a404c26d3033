"""The command ``play``."""

from __future__ import annotations

import json
import math
import os
import shlex
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import FASTEST, SLOWEST, JsonOption, read_option, read_rig_file
from logger.errors import BadInput
from logger.operating_system import ending_signals
from logger.readings.quantity import Kind

if TYPE_CHECKING:
    from logger.live.play.frames import Stretch
    from logger.live.play.playing import OnProgress, Part, Playing
    from logger.live.play.sent import Sent
    from logger.readings.rig_file import Source
    from logger.recording.run import Run

INTERRUPTED = 130
NOT_ALL_TAKEN = 1
SHORTEST_PACK_S, LONGEST_PACK_S = 0.001, 60.0
USUAL_PACK_S = 0.1
PACKS_A_SECOND = 80.0
"""Most packs a second of wall time from a source; a faster playing sends longer ones."""
LATE_S = 0.1
"""A sender that was later than this says so."""

Many = list[str]


def play_command(  # noqa: PLR0917 - typer's options
    run: Annotated[Path, typer.Argument(help="The sealed run (.parquet).")],
    bench: Annotated[
        Path | None,
        typer.Option(
            "--bench", help="Make pseudo-terminals and a fitting rig file in this folder."
        ),
    ] = None,
    rig: Annotated[
        Path | None,
        typer.Option("--rig", help="A rig file whose sources of the same ids say where to."),
    ] = None,
    serial: Annotated[Many | None, typer.Option("--serial", help="SOURCE=PORT")] = None,
    mqtt: Annotated[
        Many | None, typer.Option("--mqtt", help="SOURCE=URL of a broker without login.")
    ] = None,
    topic: Annotated[
        Many | None, typer.Option("--topic", help="SOURCE=TOPIC, by default the run's.")
    ] = None,
    speed: Annotated[
        float, typer.Option("--speed", help="Times faster than it happened, 0.1 to 1000.")
    ] = 1.0,
    from_: Annotated[
        str | None, typer.Option("--from", help='Begin here in the run, such as "30 s".')
    ] = None,
    for_: Annotated[
        str | None, typer.Option("--for", help='So much of the run, such as "2 min".')
    ] = None,
    pack: Annotated[
        str | None,
        typer.Option("--pack", help='So much of the run in a pack; "100 ms", longer when fast.'),
    ] = None,
    wait: Annotated[
        str, typer.Option("--wait", help="Pause before the first frame, when all is open.")
    ] = "1 s",
    without: Annotated[Many | None, typer.Option("--without", help="Leave SOURCE out.")] = None,
    senml: Annotated[
        Many | None, typer.Option("--senml", help="Send SOURCE as packs whatever it spoke.")
    ] = None,
    *,
    with_uptime: Annotated[
        bool, typer.Option("--with-uptime", help="Tell an uptime also where a sensor told none.")
    ] = False,
    keep_boot: Annotated[
        bool, typer.Option("--keep-boot", help="Keep each device's mark of its start as it was.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Send a recorded run again, as the bytes that its sensors sent.

    To serial ports, brokers, or pseudo-terminals of its own (--bench).

    Raw values bit for bit, the devices' own clocks, and the run's gaps as gaps.

    Example: slewtrace play runs/demo-a-1.parquet --bench bench --speed 20
    """
    from logger.live.play.destinations import known_sources, wanted_sources  # noqa: PLC0415
    from logger.recording.run import open_run  # noqa: PLC0415 - pulls in pyarrow

    if not SLOWEST <= speed <= FASTEST:
        raise BadInput(
            where="--speed",
            what=f"{speed:g} won't do",
            would_do=f"give {SLOWEST:g} to {FASTEST:g}",
        )
    opened = open_run(run, corrected=False)
    wishes = _Wishes(
        bench=bench,
        rig=rig,
        serial=serial or [],
        mqtt=mqtt or [],
        topic=topic or [],
        senml=frozenset(senml or []),
        with_uptime=with_uptime,
        speed=speed,
    )
    known_sources(opened, sorted(wishes.senml), option="--senml")
    sources = wanted_sources(opened, without or [])
    stretch = _stretch(opened, from_, for_, pack, speed=speed)
    wait_s = read_option(wait, Kind.TIME, option="--wait")
    with ExitStack() as ends:
        parts = _parts(opened, sources, wishes, ends)
        ending = _play(opened, parts, stretch, wishes, keep_boot=keep_boot, wait_s=wait_s)
    if as_json:
        typer.echo(json.dumps(ending.to_json(opened, stretch, speed), ensure_ascii=False))
    _end(ending, shown=not as_json)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wishes:
    """What the options ask for."""

    bench: Path | None
    rig: Path | None
    serial: Many
    mqtt: Many
    topic: Many
    senml: frozenset[str]
    with_uptime: bool
    speed: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ending:
    """How it ended."""

    sent: tuple[Sent, ...]
    complete: bool

    def to_json(self, run: Run, stretch: Stretch, speed: float) -> dict[str, object]:
        return {
            "format": "slewtrace.play/1",
            "run_id": run.header.run_id,
            "speed": speed,
            "from_s": stretch.start_ns / 1e9,
            "to_s": stretch.end_ns / 1e9,
            "complete": self.complete,
            "sources": [s.to_json() for s in self.sent],
        }


def _stretch(
    run: Run, from_: str | None, for_: str | None, pack: str | None, *, speed: float
) -> Stretch:
    from logger.live.play.frames import Stretch  # noqa: PLC0415 - pulls in pyarrow

    first_ns, last_ns = run.span_ns
    start_ns, end_ns = first_ns, last_ns + 1
    if from_ is not None:
        start_ns = max(first_ns, round(read_option(from_, Kind.TIME, option="--from") * 1e9))
    if start_ns > last_ns:
        raise BadInput(
            where="--from", what=f"{from_!r} is beyond the run's end", would_do=_span_words(run)
        )
    if for_ is not None:
        for_s = read_option(for_, Kind.TIME, option="--for")
        if not for_s > 0:
            raise BadInput(where="--for", what=f"{for_!r} is nothing to play", would_do="give more")
        end_ns = min(end_ns, start_ns + round(for_s * 1e9))
    pack_s = max(USUAL_PACK_S, speed / PACKS_A_SECOND)
    if pack is not None:
        pack_s = read_option(pack, Kind.TIME, option="--pack")
        if not SHORTEST_PACK_S <= pack_s <= LONGEST_PACK_S:
            raise BadInput(where="--pack", what=f"{pack!r} won't do", would_do="give 1 ms to 60 s")
    return Stretch(start_ns=start_ns, end_ns=end_ns, pack_ns=round(pack_s * 1e9))


def _span_words(run: Run) -> str:
    first_ns, last_ns = run.span_ns
    return f"it has readings from {first_ns / 1e9:.1f} s to {last_ns / 1e9:.1f} s"


def _parts(
    run: Run, sources: tuple[Source, ...], wishes: _Wishes, ends: ExitStack
) -> tuple[Part, ...]:
    """Each source with its destination; what a bench needs is made and written."""
    from logger.live.play.bench import pseudo_terminals, write_bench  # noqa: PLC0415
    from logger.live.play.destinations import by_rig, one_by_one  # noqa: PLC0415
    from logger.live.play.playing import Part, checked_part  # noqa: PLC0415
    from logger.live.play.recorded_source import recorded_source  # noqa: PLC0415

    if wishes.rig is not None:
        if wishes.bench or wishes.serial or wishes.mqtt:
            raise BadInput(
                where="--rig",
                what="says where every source goes, and other options say it too",
                would_do="keep --rig, or --bench with --serial and --mqtt",
            )
        tables = by_rig(sources, read_rig_file(wishes.rig)[0], name=str(wishes.rig))
    else:
        tables = one_by_one(
            sources,
            run,
            serial=wishes.serial,
            mqtt=wishes.mqtt,
            topic=wishes.topic,
            senml=wishes.senml,
        )
    nowhere = [s for s in sources if s.id not in tables]
    if nowhere and wishes.bench is None:
        first = nowhere[0].id
        raise BadInput(
            where=f"source {first!r}",
            what="goes nowhere",
            would_do=f"give --bench FOLDER, --rig FILE, --serial {first}=PORT, "
            f"--mqtt {first}=URL, or --without {first}",
        )
    recorded = {
        s.id: recorded_source(run, s.id, with_uptime=wishes.with_uptime or s.kind == "modbus")
        for s in sources
    }
    made = {}
    if wishes.bench is not None:
        made = ends.enter_context(pseudo_terminals(wishes.bench, nowhere, senml=wishes.senml))
        tables |= {source_id: table for source_id, (table, _) in made.items()}
        write_bench(wishes.bench, run.header, tables, speed=wishes.speed)
    return tuple(
        checked_part(
            Part(
                source=recorded[s.id],
                table=tables[s.id],
                end=made[s.id][1] if s.id in made else None,
            ),
            speed=wishes.speed,
        )
        for s in sources
    )


def _play(
    run: Run,
    parts: tuple[Part, ...],
    stretch: Stretch,
    wishes: _Wishes,
    *,
    keep_boot: bool,
    wait_s: float,
) -> _Ending:
    from logger.live.play.frames import Marks  # noqa: PLC0415 - pulls in pyarrow
    from logger.live.play.playing import Playing  # noqa: PLC0415 - as above

    marks = Marks.new(keep_boot=keep_boot, utc_ns=time.time_ns() + round(wait_s * 1e9))
    playing = Playing(run, parts, stretch, speed=wishes.speed, marks=marks)
    _say_start(run, playing, stretch, wishes)
    with _stopped_by_signals(playing), _progress(stretch) as on_progress:
        complete = playing.play(
            environment=os.environ,
            wait_s=wait_s,
            on_progress=on_progress,
            on_waiting=lambda: _say("waiting until every line is read (Ctrl-C ends)"),
        )
    return _Ending(sent=playing.sent, complete=complete)


def _say_start(run: Run, playing: Playing, stretch: Stretch, wishes: _Wishes) -> None:
    length_s = (stretch.end_ns - stretch.start_ns) / 1e9
    _say(
        f"{run.header.run_id}: {length_s:.1f} s of the run at {wishes.speed:g} × "
        f"in {length_s / wishes.speed:.1f} s"
    )
    for sent in playing.sent:
        _say(f"  {sent.source}: {sent.form} to {sent.to}, {_TIMES[sent.times]}")
    for source, filled in playing.filled.items():
        for name, text in filled.items():
            _say(f"  {source}: group {name!r} was not recorded and is sent as {text!r}")
    if run.notes:
        _say(f"  not sent: {len(run.notes)} notes, which were made at the recorder")
    if wishes.bench is not None:
        words = ["slewtrace", "record", "--rig", str(wishes.bench / "rig.toml")]
        words += ["--test", str(wishes.bench / "test.toml"), "-o", "runs"]
        words += ["--played-speed", f"{wishes.speed:g}"] if wishes.speed != 1 else []
        _say(f"  record it with: {shlex.join(words)}")
    elif wishes.speed != 1:
        _say(
            f"  its devices' clocks go {wishes.speed:g} times as fast as this room's: "
            f"record with --played-speed {wishes.speed:g}"
        )


_TIMES = {
    "uptime": "times by the device's uptime",
    "absolute": "times in UTC, moved to now",
    "arrival": "times by arrival, as good as this computer's pace",
}


def _end(ending: _Ending, *, shown: bool) -> None:
    for sent in ending.sent:
        if shown:
            left_out = f", {sent.left_out} packs left out as then" if sent.left_out else ""
            typer.echo(
                f"{sent.source}: {sent.frames} {sent.form}, {sent.readings} readings{left_out}"
            )
        if sent.late_s > LATE_S:
            _say(f"{sent.source}: at worst {sent.late_s:.2f} s late; a slower --speed would fit")
        if sent.refused:
            _say(f"{sent.source}: {sent.refused} {sent.form} that nobody took from {sent.to}")
    if not ending.complete:
        _say("ended before the run's end")
        raise typer.Exit(INTERRUPTED)
    if any(sent.refused for sent in ending.sent):
        raise typer.Exit(NOT_ALL_TAKEN)


@contextmanager
def _stopped_by_signals(playing: Playing) -> Iterator[None]:
    """What ends a program ends the playing in good order: what is under way is acknowledged."""

    def end(_number: int, _frame: FrameType | None) -> None:
        playing.pace.stop.set()

    before = {number: signal.signal(number, end) for number in ending_signals()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _progress(stretch: Stretch) -> Iterator[OnProgress]:
    """A bar in a terminal, else a line for each tenth."""
    from rich.console import Console  # noqa: PLC0415 - only a playing needs it
    from rich.progress import BarColumn, Progress, TextColumn  # noqa: PLC0415

    length_s = (stretch.end_ns - stretch.start_ns) / 1e9
    if not sys.stderr.isatty():
        yield _Tenths(stretch)
        return
    columns = (BarColumn(), TextColumn("{task.completed:.1f} of {task.total:.1f} s"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=length_s)
        yield lambda now_ns: bar.update(task, completed=(now_ns - stretch.start_ns) / 1e9)


class _Tenths:
    """Says how far it is at each tenth."""

    def __init__(self, stretch: Stretch) -> None:
        self._stretch = stretch
        self._told = 0

    def __call__(self, now_ns: int) -> None:
        length_ns = self._stretch.end_ns - self._stretch.start_ns
        tenth = min(10, math.floor(10 * (now_ns - self._stretch.start_ns) / length_ns))
        if tenth > self._told:
            self._told = tenth
            _say(f"{10 * tenth} %")


def _say(text: str) -> None:
    typer.echo(text, err=True)
