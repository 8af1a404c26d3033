"""A serial line: one thread owns the port, reads in chunks and stamps what ends in them.

``read`` returns as soon as one byte is there, and takes all that came with it. The stamp is
taken right then, before anything is decoded, and holds for every frame that ends in the chunk.
A port that goes away is opened again, at first soon and then every two seconds.
"""

from __future__ import annotations

import threading
from contextlib import suppress

import serial

from logger.errors import FrameInvalid, SourceUnavailable
from logger.readings.rig_file import Source as SourceTable
from logger.sources.arrival import Arrival, Clock, Put
from logger.sources.decoding import decoder_of
from logger.sources.frames import LineSplitter
from logger.sources.outlet import Outlet
from logger.sources.serial_port import open_port, read_chunk

BITS_PER_BYTE = 10
"""Start bit, eight data bits, stop bit."""

FIRST_RETRY_S = 0.1
LONGEST_RETRY_S = 2.0
_STOP_WITHIN_S = 5.0
_PACK_BEGINS = b"["


class SerialLine:
    """A source of frames, one a line, on a serial port.

    Args:
        source: its table in the rig file.
    """

    def __init__(self, source: SourceTable) -> None:
        self._port = source.port or ""
        self._baud = source.baud
        self._id = source.id
        self._decode = decoder_of(source)
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
        line = self._open()
        self._stopping.clear()
        outlet = Outlet(self._id, put, clock)
        self._thread = threading.Thread(
            target=self._run, args=(line, outlet), name=f"serial {self._id}", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Ends the thread and closes the port."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(_STOP_WITHIN_S)
            self._thread = None

    def _open(self) -> serial.Serial:
        return open_port(self._port, self._baud, where=f"source {self._id!r}")

    def _run(self, first: serial.Serial, outlet: Outlet) -> None:
        line: serial.Serial | None = first
        while line is not None:
            try:
                self._read(line, outlet)
            except (OSError, TypeError) as exc:  # pyserial: TypeError where the port died under it
                outlet.note("lost", f"{self._port}: {exc}")
            finally:
                _close(line)
            line = self._reopened(outlet)
        outlet.flush(at_once=True)

    def _reopened(self, outlet: Outlet) -> serial.Serial | None:
        """The port once it is there again; None when it is time to stop."""
        while not self._stopping.wait(self._retry_s):
            outlet.flush()
            self._retry_s = min(self._retry_s * 2, LONGEST_RETRY_S)
            with suppress(SourceUnavailable):
                line = self._open()
                outlet.note("back", f"{self._port} is open again")
                return line
        return None

    def _read(self, line: serial.Serial, outlet: Outlet) -> None:
        splitter = LineSplitter()
        whole = False
        while not self._stopping.is_set():
            chunk = read_chunk(line)
            arrival_ns = outlet.clock()
            if not chunk:
                outlet.flush()
                continue
            self._retry_s = FIRST_RETRY_S
            too_long = splitter.discarded
            for frame in splitter.feed(chunk):
                # The first line may be the rest of one that began before we listened.
                if whole or frame.startswith(_PACK_BEGINS):
                    self._take(frame, arrival_ns, outlet)
                whole = True
            if splitter.discarded > too_long:
                outlet.bad_frame(
                    f"a line of more than {splitter.limit} bytes",
                    count=splitter.discarded - too_long,
                )

    def _take(self, frame: bytes, arrival_ns: int, outlet: Outlet) -> None:
        try:
            pack = self._decode(frame)
        except FrameInvalid as exc:
            outlet.bad_frame(str(exc))
            return
        # The line end was on the wire too: one byte, at least.
        wire_ns = (len(frame) + 1) * BITS_PER_BYTE * 1_000_000_000 // self._baud
        arrival = Arrival(source=self._id, pack=pack, arrival_ns=arrival_ns, wire_ns=wire_ns)
        if not outlet.offer(arrival):
            outlet.count_lost(len(pack.names))


def _close(line: serial.Serial) -> None:
    with suppress(OSError):  # it is gone, which is what was wanted
        line.close()
