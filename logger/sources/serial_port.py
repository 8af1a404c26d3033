"""Opening a serial port, and saying in one line why one can't be opened and what would help."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import serial
from serial.tools import list_ports

from logger.errors import SourceUnavailable

if sys.platform == "win32":
    _NOT_TRANSLATED: tuple[type[Exception], ...] = ()
else:
    import termios

    # Where a port goes away while it is being opened, pyserial lets this one through.
    _NOT_TRANSLATED = (termios.error,)

READ_TIMEOUT_S = 0.2
"""How long a read waits for a first byte; a stop is noticed within it."""

_PORTS_SHOWN = 6
_SOCKET_CHUNK_BYTES = 65_536
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
        line.open()
    except serial.SerialException as exc:
        raise _unavailable(exc, port, where=where) from exc
    except (ValueError, NotImplementedError, OSError, *_NOT_TRANSLATED) as exc:
        raise SourceUnavailable(where=where, what=f"{port!r} can't be opened: {exc}") from exc
    return line


def read_chunk(line: serial.Serial) -> bytes:
    """Waits for a first byte, up to the read timeout, and takes all that came with it.

    Raises:
        OSError: where the port is lost.
    """
    if not str(line.port).startswith("socket://"):
        return line.read(line.in_waiting or 1)
    # A socket port can't count what waits: after the first byte, take what is there.
    first = line.read(1)
    if not first:
        return first
    line.timeout = 0
    try:
        return first + line.read(_SOCKET_CHUNK_BYTES)
    finally:
        line.timeout = READ_TIMEOUT_S


def _is_device(port: str) -> bool:
    return "://" not in port


def _unavailable(exc: serial.SerialException, port: str, *, where: str) -> SourceUnavailable:
    code = exc.errno
    if _is_device(port) and code == errno.ENOENT:
        return SourceUnavailable(where=where, what=f"no port {port!r}", would_do=_ports_there())
    if _is_device(port) and code == errno.EACCES:
        return SourceUnavailable(
            where=where, what=f"no permission to open {port!r}", would_do=_way_in(port)
        )
    if code in _BUSY:
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


def _ports_there() -> str:
    there = sorted(p.device for p in list_ports.comports())
    if not there:
        return "this computer shows no serial port: plug the adapter in"
    more = f" and {len(there) - _PORTS_SHOWN} more" if len(there) > _PORTS_SHOWN else ""
    return f"there are: {', '.join(there[:_PORTS_SHOWN])}{more}"


def _way_in(port: str) -> str:
    """The command that lets the user open the port's device file."""
    if sys.platform == "win32":
        return "close the program that holds it, or start as administrator"
    import grp  # noqa: PLC0415 - not there on Windows

    status = Path(port).stat()
    try:
        group = grp.getgrgid(status.st_gid).gr_name
    except KeyError:
        group = str(status.st_gid)
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
