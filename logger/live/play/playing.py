"""A run played: every source's frames to where they go, each when it is due.

A thread makes each source's frames ahead of time, another sends them; one clock paces all. They
begin together, when every line is open and every broker has let its source in, and where the lines
are ours, when somebody reads them.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_EXCEPTION, Future, ThreadPoolExecutor, wait
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial

import numpy as np

from logger.errors import BadInput
from logger.live.play.broker_sender import BrokerSender
from logger.live.play.destinations import address_of
from logger.live.play.frames import (
    Frame,
    Marks,
    Stretch,
    line_frames,
    pack_frames,
)
from logger.live.play.lines import line_writer_of
from logger.live.play.pace import Ahead, Pace
from logger.live.play.recorded_source import RecordedSource
from logger.live.play.sent import Sent
from logger.live.play.serial_sender import LineEnd, PortEnd, send_down_line
from logger.readings.rig_file import Source as SourceTable
from logger.recording.run import Run
from logger.sources.frames import sign
from logger.sources.pack_writing import NAME, write_answer

LOOK_EVERY_S = 0.1

OnProgress = Callable[[int], None]
"""Told the playing's present, ns on the run's clock."""
OnWaiting = Callable[[], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One source and where it goes.

    Attributes:
        source: what the run knows of it.
        table: the destination.
        end: the line's end, where it is one of our own; else the port is opened.
    """

    source: RecordedSource
    table: SourceTable
    end: LineEnd | None = None


def checked_part(part: Part, *, speed: float) -> Part:
    """A part whose source can be sent to its destination.

    Raises:
        BadInput: where it can't, in one line with what would do.
    """
    table, source = part.table, part.source
    where = f"source {table.id!r}"
    if table.decode == "senml":
        bad = next((n.name for n in source.names if not NAME.fullmatch(n.name)), None)
        if bad is not None:
            raise BadInput(where=where, what=f"{bad!r} is no name that a pack may carry (RFC 8428)")
        if source.timing == "absolute" and speed != 1:
            raise BadInput(
                where=where,
                what="it told the time in UTC, which goes at its own pace only",
                would_do="play it at 1, or let it tell an uptime: --with-uptime",
            )
    elif table.decode != "text":
        raise BadInput(
            where=where,
            what=f"lines of decode = {table.decode!r} can't be rebuilt from what was recorded",
            would_do="let the destination take senml",
        )
    return part


class Playing:
    """A run that is being played.

    Attributes:
        pace: its clock; set ``pace.stop`` to end it early.
        sent: what was sent, source by source.

    Args:
        run: the run.
        parts: its sources and where they go.
        stretch: what is played.
        speed: seconds of the run in a second of wall time.
        marks: what is new in its frames.

    Raises:
        BadInput: where lines can't be rebuilt.
    """

    def __init__(
        self, run: Run, parts: tuple[Part, ...], stretch: Stretch, *, speed: float, marks: Marks
    ) -> None:
        self.pace = Pace(start_ns=stretch.start_ns, speed=speed)
        self._run, self._parts, self._stretch, self._marks = run, parts, stretch, marks
        self._writers = {
            p.table.id: line_writer_of(p.table, p.source, run)
            for p in parts
            if p.table.decode == "text"
        }
        self.sent = tuple(_sent(p, is_lines=p.table.id in self._writers) for p in parts)

    @property
    def filled(self) -> Mapping[str, Mapping[str, str]]:
        """By source, what stands in groups of its lines that nothing was recorded of."""
        return {s: w.filled for s, w in self._writers.items() if w.filled}

    def play(
        self,
        *,
        environment: Mapping[str, str],
        wait_s: float,
        on_progress: OnProgress,
        on_waiting: OnWaiting,
    ) -> bool:
        """Plays to the end, or until ``pace.stop`` is set.

        Args:
            environment: where passwords may be.
            wait_s: wall time between the moment when all is open and the first frame, s.
            on_progress: told how far it is, ten times a second.
            on_waiting: told that nobody reads a line of ours yet.

        Returns:
            Whether it was played to its end.

        Raises:
            SourceUnavailable: where a line or broker can't be opened, or goes away.
        """
        with ExitStack() as ends:
            senders = [self._sender(p, s, environment, ends) for p, s in self._zipped()]
            pool = ends.enter_context(
                ThreadPoolExecutor(max_workers=len(senders), thread_name_prefix="play")
            )
            ends.callback(self.pace.stop.set)
            connected: queue.Queue[None] = queue.Queue()
            running = [pool.submit(send, connected) for send in senders]
            if self._is_open(running, connected) and self._is_read(on_waiting):
                self.pace.stop.wait(wait_s)
                self.pace.begin()
            self._watch(running, on_progress)
            return not self.pace.stop.is_set()

    def _zipped(self) -> Iterator[tuple[Part, Sent]]:
        return zip(self._parts, self.sent, strict=True)

    def _sender(
        self, part: Part, sent: Sent, environment: Mapping[str, str], ends: ExitStack
    ) -> Callable[[queue.Queue[None]], None]:
        """Opens one destination; what it gives sends all."""
        where = f"source {part.table.id!r}"
        frames = Ahead(self._frames(part), name=f"frames of {part.table.id}")
        ends.callback(frames.close)
        if part.table.kind == "mqtt":
            broker = BrokerSender(part.table, environment)
            return lambda connected: broker.run(frames, self.pace, sent, connected)
        end = part.end
        if end is None:
            end = PortEnd(part.table.port or "", part.table.baud, where=where)
            ends.callback(end.close)
        return partial(self._send_line, end, frames, part=part, sent=sent)

    def _send_line(
        self, end: LineEnd, frames: Ahead, connected: queue.Queue[None], *, part: Part, sent: Sent
    ) -> None:
        frames.wait_for_first()
        connected.put(None)
        answer = partial(self._answer, part.source)
        where = f"source {part.table.id!r}"
        if _has_begun(self.pace.begun, self.pace.stop):
            send_down_line(end, frames, self.pace, sent, answer=answer, where=where)

    def _frames(self, part: Part) -> Iterator[Frame]:
        on_line = part.table.kind == "serial"
        writer = self._writers.get(part.table.id)
        if writer is not None:
            return line_frames(self._run, part.source, self._stretch, writer, ended=on_line)
        return pack_frames(self._run, part.source, self._stretch, self._marks, signed=on_line)

    def _answer(self, source: RecordedSource, number: int, now_ns: int) -> bytes:
        """What the device would have answered: its uptime at a moment of the run."""
        start = source.start_at(now_ns)
        if start.clock is None:
            return b""
        up_ns = int(start.clock.to_device(np.array([now_ns], dtype=np.int64))[0])
        answer = write_answer(number=number, boot=self._marks.boot(start), up_ns=up_ns)
        return sign(answer) + b"\r\n"

    def _is_open(self, running: list[Future[None]], connected: queue.Queue[None]) -> bool:
        """Waits until every sender has its line or broker; False where one fails or all ends."""
        missing = len(running)
        while missing:
            if self.pace.stop.is_set() or any(f.done() for f in running):
                return False
            try:
                connected.get(timeout=LOOK_EVERY_S)
            except queue.Empty:
                continue
            missing -= 1
        return True

    def _is_read(self, on_waiting: OnWaiting) -> bool:
        """Waits until somebody reads each line of ours; False where all ends."""
        ends = [p.end for p in self._parts if p.end is not None]
        if not all(end.is_read() for end in ends):
            on_waiting()
        while not all(end.is_read() for end in ends):
            if self.pace.stop.wait(LOOK_EVERY_S):
                return False
        return True

    def _watch(self, running: list[Future[None]], on_progress: OnProgress) -> None:
        """Tells the progress until all have ended; raises what one of them raised."""
        while True:
            done, pending = wait(running, timeout=LOOK_EVERY_S, return_when=FIRST_EXCEPTION)
            failed = next((f for f in done if f.exception() is not None), None)
            if failed is not None:
                self.pace.stop.set()
                self.pace.begun.set()
                failed.result()
            if not pending:
                if not self.pace.stop.is_set():
                    on_progress(self._stretch.end_ns)
                return
            on_progress(self.pace.now_ns())


def _has_begun(begun: threading.Event, stop: threading.Event) -> bool:
    while not stop.is_set():
        if begun.wait(LOOK_EVERY_S):
            return True
    return False


def _sent(part: Part, *, is_lines: bool) -> Sent:
    return Sent(
        source=part.table.id,
        to=address_of(part.table),
        form="lines" if is_lines else "packs",
        times="arrival" if is_lines else part.source.timing,
    )
