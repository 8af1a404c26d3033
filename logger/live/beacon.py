"""A lamp or horn on a serial line that is told the recorder's state, one byte a second.

The byte is one ASCII digit, sent at once where the state changes and again each second::

    0  nothing stands
    1  suspect: a contact is open, a reading is beyond its limit
    2  confirmed, and until it is acknowledged
    3  unknown: a wheel's data is stale, or the recorder can't vouch for its state
    9  the recording has ended and is sealed

A beacon that has heard nothing for three seconds must show what it shows for ``3``: the
recorder is dead, or the cable is off. Nothing is read from the line.
"""

from __future__ import annotations

import time
from contextlib import suppress

import serial

from logger.errors import SourceUnavailable
from logger.live.alarm_view import AlarmView
from logger.live.announcing import Event
from logger.live.output_reports import OutputReports
from logger.operating_system import PORT_DIED
from logger.readings.output_tables import Beacon
from logger.sources.serial_port import open_port

_GONE: tuple[type[Exception], ...] = (OSError, TypeError, *PORT_DIED)
_GONE_OR_NOT_THERE: tuple[type[Exception], ...] = (*_GONE, SourceUnavailable)

DIGITS = {"cleared": b"0", "suspect": b"1", "confirmed": b"2", "unknown": b"3", "ended": b"9"}
HEARTBEAT_S = 1.0
EARLY_S = 0.1
"""A beat that comes this much early is taken: the next one would be late."""
WRITE_WITHIN_S = 0.2
FIRST_RETRY_S = 0.25
LONGEST_RETRY_S = 2.0


class SerialBeacon:
    """Tells a beacon the state; all calls come from one thread.

    Args:
        table: the ``beacon`` of the rig file's ``[alarm]``.
        view: what is to be shown.
        reports: told where the line is lost and when it is back.
    """

    def __init__(self, table: Beacon, view: AlarmView, reports: OutputReports) -> None:
        self._table = table
        self._view = view
        self._reports = reports
        self._line: serial.Serial | None = None
        self._said = ""
        self._said_at_s = 0.0
        self._retry_at_s = 0.0
        self._retry_s = FIRST_RETRY_S

    def open(self) -> None:
        """Opens the line and says the state for the first time.

        Raises:
            SourceUnavailable: where the line can't be opened or written.
        """
        self._line = self._opened()
        try:
            self._say(self._view.word)
        except _GONE as exc:
            self._close_line()
            raise SourceUnavailable(
                where="[alarm] beacon", what=f"{self._table.port!r} can't be written: {exc}"
            ) from exc

    def take(self, event: Event) -> None:
        """Takes the next event."""
        self._view.take(event)
        if self._view.word != self._said:
            self._send()

    def beat(self) -> None:
        """Says the state again where its second is over, and looks for a lost line."""
        due = time.monotonic() - self._said_at_s >= HEARTBEAT_S - EARLY_S
        if due or self._view.word != self._said:
            self._send()

    def close(self) -> None:
        """Says the last state, which is unknown but for a sealed run, and closes the line."""
        self._view.fail()
        if self._line is not None:
            with suppress(*_GONE):
                self._say(self._view.word)
            self._close_line()

    def _send(self) -> None:
        if self._line is None and time.monotonic() < self._retry_at_s:
            return
        try:
            if self._line is None:
                self._line = self._opened()
            self._say(self._view.word)
        except _GONE_OR_NOT_THERE as exc:
            self._close_line()
            self._retry_at_s = time.monotonic() + self._retry_s
            self._retry_s = min(2 * self._retry_s, LONGEST_RETRY_S)
            self._reports.lost(f"{self._table.port}: {exc}")
            return
        self._retry_s = FIRST_RETRY_S
        self._reports.back(f"{self._table.port} takes bytes again")

    def _say(self, word: str) -> None:
        if self._line is not None:
            self._line.write(DIGITS[word])
            self._said, self._said_at_s = word, time.monotonic()

    def _opened(self) -> serial.Serial:
        line = open_port(self._table.port, self._table.baud, where="[alarm] beacon")
        line.write_timeout = WRITE_WITHIN_S
        return line

    def _close_line(self) -> None:
        line, self._line, self._said = self._line, None, ""
        if line is None:
            return
        with suppress(*_GONE):  # gone is what was wanted
            until_s = time.monotonic() + WRITE_WITHIN_S
            while line.out_waiting and time.monotonic() < until_s:
                time.sleep(WRITE_WITHIN_S / 20)
            if line.out_waiting:
                line.reset_output_buffer()  # else closing waits for a beacon that takes nothing
        with suppress(*_GONE):
            line.close()
