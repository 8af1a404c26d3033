"""A serial line: one thread owns the port, reads in chunks and stamps what ends in them.

A read returns as soon as one byte is there, and takes all that came with it. The stamp is
taken right then, before anything is decoded. A line that ended further up in the chunk came
earlier, by the time that the bytes after it were on the wire, but not before the last read.
A line that is busy is let gather for a moment between reads.

A port that goes away, or falls silent for longer than its channels may, is opened again, at
first soon and then at a steady pace.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from contextlib import suppress

from logger.errors import SourceUnavailable
from logger.readings.pack import Pack
from logger.readings.rig_file import Source as SourceTable
from logger.sources.arrival import Arrival, Clock, Put
from logger.sources.decoding import line_decoder_of
from logger.sources.frames import LineSplitter
from logger.sources.outlet import Outlet
from logger.sources.quiet_port import QUIET_S, QuietPort
from logger.sources.serial_characters import set_characters
from logger.sources.serial_port import ReadPacing, Wire, open_port
from logger.sources.uptime_questions import BITS_PER_BYTE, UptimeQuestions

FIRST_RETRY_S = 0.1
LONGEST_RETRY_S = 0.5
_STOP_WITHIN_S = 5.0


class SerialLine:
    """A source of frames, one a line, on a serial port.

    Args:
        source: its table in the rig file.
        quiet_s: how long the port may be silent before it is opened again, s; None for ever.
        crc_demanded: whether each SenML pack must carry a checksum from the first on; where
            not, it must from the first on that does.
    """

    def __init__(
        self, source: SourceTable, *, quiet_s: float | None = QUIET_S, crc_demanded: bool = False
    ) -> None:
        self._table = source
        self._port = source.port or ""
        self._id = source.id
        self._quiet_s = quiet_s
        self._crc_demanded = crc_demanded
        self._retry_s = FIRST_RETRY_S
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def id(self) -> str:
        """Id of the source in the rig file."""
        return self._id

    def start(self, put: Put, clock: Clock) -> None:
        """Opens the port and begins to hand over.

        Raises:
            SourceUnavailable: where the port can't be opened.
        """
        wire = self._open()
        self._stopping.clear()
        outlet = Outlet(self._id, put, clock)
        self._thread = threading.Thread(
            target=self._run, args=(wire, outlet), name=f"serial {self._id}", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Ends the thread and closes the port."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(_STOP_WITHIN_S)
            self._thread = None

    def _open(self) -> Wire:
        line = open_port(self._port, self._table.baud, where=f"source {self._id!r}")
        set_characters(line, self._table)
        return Wire(line)

    def _run(self, first: Wire, outlet: Outlet) -> None:
        wire: Wire | None = first
        quiet = QuietPort(self._quiet_s, time.monotonic())
        connection: _Connection | None = None
        while wire is not None:
            if connection is None:
                connection = _Connection(self._table, outlet, crc_demanded=self._crc_demanded)
            lost = False
            try:
                self._read(wire, connection, outlet, quiet)
            except (OSError, TypeError) as exc:  # pyserial: TypeError where the port died under it
                outlet.note("lost", f"{self._port}: {exc}")
                lost = True
            finally:
                wire.close()
            wire = self._reopened(outlet, quiet, lost=lost)
            if not quiet.tries:
                connection = None  # else it is the same line: what it said before still counts
        outlet.flush(at_once=True)

    def _reopened(self, outlet: Outlet, quiet: QuietPort, *, lost: bool) -> Wire | None:
        """The port once it is there again; None when it is time to stop.

        A lost port is waited for; one that is silent is opened at once, since it waited before.
        """
        while not self._stopping.wait(self._retry_s if lost else 0.0):
            outlet.flush()
            with suppress(SourceUnavailable):
                wire = self._open()
                if lost:
                    outlet.note("back", f"{self._port} is open again")
                    quiet.begin(time.monotonic())
                else:
                    self._tell_quiet(outlet, quiet, "opened again")
                    quiet.opened_again(time.monotonic())
                return wire
            self._retry_s = min(self._retry_s * 2, LONGEST_RETRY_S)
            if not lost:
                self._tell_quiet(outlet, quiet, "and can't be opened again")
                lost = True
        return None

    def _read(self, wire: Wire, connection: _Connection, outlet: Outlet, quiet: QuietPort) -> None:
        """Reads until it is time to stop or to open the port again."""
        pacing = ReadPacing()
        while not self._stopping.is_set():
            chunk = wire.read()
            arrival_ns = outlet.clock()
            now_s = time.monotonic()
            if chunk:
                self._retry_s = FIRST_RETRY_S
                self._tell_heard(outlet, quiet, now_s)
                connection.take(chunk, arrival_ns)
            elif quiet.is_overdue(now_s):
                return
            else:
                connection.pass_time(arrival_ns)
                outlet.flush()
            connection.ask(wire, now_s)
            if chunk and (pause_s := pacing.pause_s(now_s, len(chunk))):
                time.sleep(pause_s)

    def _tell_quiet(self, outlet: Outlet, quiet: QuietPort, what_then: str) -> None:
        """Tells of a silence once, not with each try."""
        if not quiet.tries:
            silent_s = time.monotonic() - quiet.since_s
            outlet.note("lost", f"{self._port}: silent for {silent_s:.0f} s, {what_then}")

    def _tell_heard(self, outlet: Outlet, quiet: QuietPort, now_s: float) -> None:
        if quiet.tries:
            outlet.note("back", f"{self._port} speaks after {now_s - quiet.since_s:.0f} s")
        quiet.begin(now_s)


class _Connection:
    """One connection's lines, from when its port is opened to when it is lost."""

    def __init__(self, source: SourceTable, outlet: Outlet, *, crc_demanded: bool) -> None:
        self._id = source.id
        self._baud = source.baud
        self._outlet = outlet
        self._decoder = line_decoder_of(source, crc_demanded=crc_demanded)
        self._splitter = LineSplitter()
        self._has_seen_a_line_end = False
        self._last_read_ns = outlet.clock()
        self._questions = (
            UptimeQuestions(baud=source.baud, clock=outlet.clock) if source.time_exchange else None
        )

    def ask(self, wire: Wire, now_s: float) -> None:
        """Asks the device for its uptime where that is wanted and due."""
        if self._questions is not None:
            self._questions.ask(wire, now_s)

    def pass_time(self, now_ns: int) -> None:
        """Takes note that up to now no byte has come."""
        self._last_read_ns = now_ns

    def take(self, chunk: bytes, arrival_ns: int) -> None:
        """Takes what one read gave."""
        too_long = self._splitter.discarded
        lines = self._splitter.feed(chunk)
        if lines and not self._has_seen_a_line_end:
            self._has_seen_a_line_end = True
            # The first line may be the rest of one that began before we listened.
            if not self._decoder.whole_from_its_start(lines[0]):
                lines = lines[1:]
        if lines:
            self._take_lines(lines, arrival_ns)
        self._last_read_ns = arrival_ns
        if self._splitter.discarded > too_long:
            self._outlet.bad_frame(
                f"a line of more than {self._splitter.limit} bytes",
                count=self._splitter.discarded - too_long,
            )

    def _take_lines(self, lines: Sequence[bytes], arrival_ns: int) -> None:
        decoded = self._decoder.decode_lines(lines, self._ages_ns(lines, arrival_ns))
        if decoded.refused:
            self._outlet.bad_frame(decoded.refused[-1], count=len(decoded.refused))
        for pack, number in decoded.packs:
            self._hand_over(pack, arrival_ns, frame_bytes=len(lines[number]) + 1)

    def _hand_over(self, pack: Pack, arrival_ns: int, *, frame_bytes: int) -> None:
        arrival = Arrival(
            source=self._id,
            pack=pack,
            arrival_ns=arrival_ns,
            wire_ns=_wire_ns(frame_bytes, self._baud),
            asked_ns=None if self._questions is None else self._questions.asked_ns(pack.reply),
        )
        if not self._outlet.offer(arrival):
            self._outlet.count_lost(len(pack.names))

    def _ages_ns(self, lines: Sequence[bytes], arrival_ns: int) -> list[int]:
        """How long before the chunk's last byte each line ended, at the least, ns."""
        most_ns = arrival_ns - self._last_read_ns
        after = self._splitter.waiting_bytes
        ages_ns = []
        for line in reversed(lines):
            ages_ns.append(min(_wire_ns(after, self._baud), most_ns))
            after += len(line) + 1
        return ages_ns[::-1]


def _wire_ns(count: int, baud: int) -> int:
    """How long so many bytes take on the wire, ns."""
    return count * (BITS_PER_BYTE * 1_000_000_000) // baud
