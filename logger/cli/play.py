"""The command ``play``."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import FASTEST, SLOWEST, JsonOption, read_option, read_rig_file
from logger.cli.play_text import progress, say, say_end, say_start
from logger.errors import BadInput
from logger.operating_system import ending_signals
from logger.readings.quantity import Kind

if TYPE_CHECKING:
    from logger.live.play.frames import Stretch
    from logger.live.play.playing import Part, Playing
    from logger.live.play.sent import Sent
    from logger.readings.rig_file import Source
    from logger.recording.run import Run

INTERRUPTED = 130
NOT_ALL_TAKEN = 1
SHORTEST_PACK_S, LONGEST_PACK_S = 0.001, 60.0
USUAL_PACK_S = 0.1
PACKS_A_SECOND = 80.0
"""Most packs a second of wall time from a source; a faster playing sends longer ones."""

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
    say_end(ending.sent, complete=ending.complete, shown=not as_json)
    if not ending.complete:
        raise typer.Exit(INTERRUPTED)
    if any(sent.refused for sent in ending.sent):
        raise typer.Exit(NOT_ALL_TAKEN)


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
    say_start(run, playing, stretch, speed=wishes.speed, bench=wishes.bench)
    with _stopped_by_signals(playing), progress(stretch) as on_progress:
        complete = playing.play(
            environment=os.environ,
            wait_s=wait_s,
            on_progress=on_progress,
            on_waiting=lambda: say("waiting until every line is read (Ctrl-C ends)"),
        )
    return _Ending(sent=playing.sent, complete=complete)


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
