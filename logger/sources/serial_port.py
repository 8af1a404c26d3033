"""Opening a serial port, and saying in one line why one can't be opened and what would help."""

from __future__ import annotations

import errno
import os
import re
import select
import sys
from contextlib import suppress
from pathlib import Path

import serial
from serial.tools import list_ports

from logger.errors import SourceUnavailable
from logger.operating_system import PORT_DIED, group_name

_CANT_OPEN: tuple[type[Exception], ...] = (ValueError, NotImplementedError, OSError, *PORT_DIED)

READ_TIMEOUT_S = 0.2
"""How long a read waits for a first byte; a stop is noticed within it."""

READS_PER_S = 125
"""How often a busy line is read, but for a few reads in a row."""

_PORTS_SHOWN = 6
_CHUNK_BYTES = 65_536
_WRITTEN_CODE = re.compile(r"\w+Error\((\d+),")
_UART = re.compile(r"tty(S|USB|AMA)\d+")
_READS_IN_A_ROW = 8
_LARGE_CHUNK_BYTES = 1024
_BUSY = (errno.EBUSY, errno.EAGAIN)


def open_port(port: str, baud: int, *, where: str) -> serial.Serial:
    """Opens a port for one reader only, what came before thrown away.

    Args:
        port: a device (``/dev/ttyUSB0``, ``COM3``) or a pyserial URL (``socket://host:port``,
            ``rfc2217://host:port``).
        baud: symbols a second.
        where: what to name in an error.

    Raises:
        SourceUnavailable: saying why, and what would help.
    """
    try:
        line = serial.serial_for_url(port, do_not_open=True)
        line.baudrate = baud
        line.timeout = READ_TIMEOUT_S
        if _is_device(port):
            line.exclusive = True
        if _is_device(port) or port.startswith("socket://"):
            line.write_timeout = 0  # other URLs know no limit to a write, or take 0 for never
        line.open()
    except serial.SerialException as exc:
        raise _unavailable(exc, port, where=where) from exc
    except _CANT_OPEN as exc:
        raise SourceUnavailable(where=where, what=f"{port!r} can't be opened: {exc}") from exc
    return line


class Wire:
    """An open port: bytes come in chunks, and go out without waiting.

    Where the system gives the port a file descriptor, that is read and written directly: in
    pyserial a read costs three times as much.

    Attributes:
        has_uart: whether its bytes are known to take the time that the speed says. A
            pseudo-terminal's do not, and nor may those of a device with USB of its own.

    Args:
        line: an open port; it is closed with the wire.
    """

    def __init__(self, line: serial.Serial) -> None:
        self._line = line
        self._fd = _descriptor(line)
        self.has_uart = _UART.fullmatch(Path(os.path.realpath(str(line.port))).name) is not None

    def read(self, within_s: float = READ_TIMEOUT_S) -> bytes:
        """Waits for a first byte, and takes all that came with it.

        Args:
            within_s: how long to wait, s; where the system gives no descriptor it is always
                the read timeout.

        Raises:
            OSError: where the port is lost.
        """
        if self._fd is None:
            return self._read_line()
        ready, _, _ = select.select([self._fd], [], [], within_s)
        if not ready:
            return b""
        try:
            chunk = os.read(self._fd, _CHUNK_BYTES)
        except BlockingIOError:
            return b""
        if not chunk:
            raise OSError(errno.EIO, "the device hung up")
        return chunk

    def send(self, data: bytes) -> int:
        """Hands bytes to the system, as many as it takes now.

        Returns:
            How many those were.

        Raises:
            OSError: where the port is lost.
        """
        try:
            if self._fd is not None:
                return os.write(self._fd, data)
            return self._line.write(data) or 0
        except (BlockingIOError, serial.SerialTimeoutException):
            return 0

    def close(self) -> None:
        """Closes the port, there or gone."""
        with suppress(OSError):  # it is gone, which is what was wanted
            self._line.close()

    def _read_line(self) -> bytes:
        line = self._line
        if not str(line.port).startswith("socket://"):
            return line.read(line.in_waiting or 1)
        # A socket port can't count what waits: after the first byte, take what is there.
        first = line.read(1)
        if not first:
            return first
        line.timeout = 0
        try:
            return first + line.read(_CHUNK_BYTES)
        finally:
            line.timeout = READ_TIMEOUT_S


class ReadPacing:
    """Lets bytes gather on a busy line, so that it wakes the reader a bounded number of times.

    A line that speaks seldom is read at once, and a few times in a row; only what comes more
    often than ``READS_PER_S`` waits, for ``1 / READS_PER_S`` at most. The stamp of what waited
    is late by so much, never early.
    """

    def __init__(self) -> None:
        self._paid_until_s = 0.0

    def pause_s(self, now_s: float, taken_bytes: int) -> float:
        """How long to wait before the next read, s, given how much the last one took.

        Args:
            now_s: the time on the caller's steady clock, s.
            taken_bytes: how much the last read took; after a large one the system's buffer may
                be full, and nothing waits.
        """
        self._paid_until_s = max(self._paid_until_s, now_s) + 1 / READS_PER_S
        if taken_bytes >= _LARGE_CHUNK_BYTES:
            return 0.0
        return max(0.0, self._paid_until_s - now_s - _READS_IN_A_ROW / READS_PER_S)


def _descriptor(line: serial.Serial) -> int | None:
    """The file descriptor of a device's port; None for other ports and on Windows."""
    if sys.platform == "win32" or not _is_device(str(line.port)):
        return None
    return int(line.fileno())


def _is_device(port: str) -> bool:
    return "://" not in port


def _unavailable(exc: serial.SerialException, port: str, *, where: str) -> SourceUnavailable:
    code = _code_of(exc)
    if _is_device(port) and code == errno.ENOENT:
        return SourceUnavailable(where=where, what=f"no port {port!r}", would_do=_ports_there())
    if _is_device(port) and code == errno.EACCES and sys.platform != "win32":
        return SourceUnavailable(
            where=where, what=f"no permission to open {port!r}", would_do=_way_in(port)
        )
    if code in _BUSY or (code == errno.EACCES and sys.platform == "win32"):
        return SourceUnavailable(
            where=where,
            what=f"{port!r} is busy: another program holds it",
            would_do="close that program",
        )
    if _is_device(port) and Path(port).exists() and not Path(port).is_char_device():
        return SourceUnavailable(
            where=where, what=f"{port!r} is no serial port", would_do=_ports_there()
        )
    return SourceUnavailable(where=where, what=f"{port!r} can't be opened: {exc}")


def _code_of(exc: serial.SerialException) -> int | None:
    """The system's number of an error; on Windows pyserial only writes it out in words."""
    told = _WRITTEN_CODE.search(str(exc))
    return exc.errno if exc.errno is not None or told is None else int(told[1])


def _ports_there() -> str:
    there = sorted(p.device for p in list_ports.comports())
    if not there:
        return "this computer shows no serial port: plug the adapter in"
    more = f" and {len(there) - _PORTS_SHOWN} more" if len(there) > _PORTS_SHOWN else ""
    return f"there are: {', '.join(there[:_PORTS_SHOWN])}{more}"


def _way_in(port: str) -> str:
    """The command that lets the user open the port's device file."""
    status = Path(port).stat()
    group = group_name(status.st_gid)
    if status.st_mode & 0o060 == 0o060 and group != "root":
        return (
            f"it belongs to the group {group!r}: run 'sudo usermod -a -G {group} $USER', "
            "then log out and in"
        )
    return f"it belongs to the group {group!r}, closed to it: run 'sudo chmod a+rw {port}'"


def adapter_latency_s(port: str) -> float | None:
    """How long a USB adapter may hold bytes back, s; None where the system doesn't tell.

    Linux shows it for the adapters that have such a timer; 16 ms is common, 1 ms can be set.
    """
    device = os.path.realpath(port)
    timer = Path("/sys/bus/usb-serial/devices") / Path(device).name / "latency_timer"
    try:
        return int(timer.read_text(encoding="ascii")) / 1e3
    except (OSError, ValueError):
        return None
