"""What differs between operating systems, in one place; all else is written for every one of them.

Tried on Linux alone. What holds for Windows is from its documentation and Python's, from memory;
the tests import every module as if they ran there, and mypy reads each with Windows' names.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Coroutine, Sequence
from pathlib import Path
from typing import Any, TypeVar

Answer = TypeVar("Answer")

if sys.platform == "win32":
    HAS_FILE_LOCKS = False
    PORT_DIED: tuple[type[Exception], ...] = ()
    # Until Python 3.13 the monotonic clock ticks there every 16 ms only, this one every 0.1 µs.
    steady_ns = time.perf_counter_ns
else:
    import fcntl
    import grp
    import termios

    HAS_FILE_LOCKS = True
    # What pyserial lets through where a port dies under it.
    PORT_DIED = (termios.error,)
    steady_ns = time.monotonic_ns
"""``steady_ns`` is the clock of runs, ns: nobody sets it, and every process reads the same one."""


_BEHIND = 10
"""Of -20, before all others, to 19."""


def lock_file(descriptor: int, *, shared: bool = False) -> None:
    """Locks an open file until it is closed; never waits; does nothing where there are no locks.

    A BSD lock (flock(2)), which goes with its process, and which SQLite's own locks on the same
    file know nothing of.

    Args:
        descriptor: of the file.
        shared: whether others may have it in the same way.

    Raises:
        BlockingIOError: where another has it.
        OSError: where the file's disk knows no such locks.
    """
    if sys.platform != "win32":
        fcntl.flock(descriptor, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)


def is_open_elsewhere(path: Path) -> bool:
    """Whether another program has a file open, where that keeps its name from being changed.

    Windows gives no file that is open another name, not even its own; elsewhere this is False.
    """
    if sys.platform != "win32":
        return False
    try:
        path.rename(path)
    except PermissionError:
        return True
    return False


def group_name(number: int) -> str:
    """The name of a group of users; its number where it has none."""
    if sys.platform != "win32":
        with contextlib.suppress(KeyError):
            return grp.getgrgid(number).gr_name
    return str(number)


def ending_signals() -> tuple[signal.Signals, ...]:
    """What asks a program to end: Ctrl-C, the system's stop, and a terminal that is closed."""
    if sys.platform == "win32":
        return signal.SIGINT, signal.SIGTERM, signal.SIGBREAK
    return signal.SIGINT, signal.SIGTERM, signal.SIGHUP


def boot_clock_number() -> int | None:
    """The clock that goes on while the computer is suspended, for ``clock_gettime``; or None.

    On macOS ``CLOCK_MONOTONIC`` goes on, while Python's monotonic clock stands (from memory).
    """
    if sys.platform == "darwin":
        return time.CLOCK_MONOTONIC
    if sys.platform == "linux":
        return time.CLOCK_BOOTTIME
    return None


def run_on_sockets(main: Coroutine[Any, Any, Answer]) -> Answer:
    """Runs a coroutine that watches a broker's socket, as the MQTT client asks of its loop.

    Windows' usual event loop can't watch one; its older one can.
    """
    if sys.platform == "win32":
        with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
            return runner.run(main)
    return asyncio.run(main)


def start_behind(command: Sequence[str]) -> subprocess.Popen[bytes]:
    """Starts a program that lets all others go first, its output and errors piped.

    It is in a session of its own, so Ctrl-C does not reach it: whoever starts it ends it. Linux
    shares its processors out among sessions first (sched(7), autogroup), so that is told too.
    """
    flags = 0
    if sys.platform == "win32":
        flags = subprocess.BELOW_NORMAL_PRIORITY_CLASS | subprocess.CREATE_NEW_PROCESS_GROUP
    started = subprocess.Popen(  # noqa: S603 - a program of ours, no shell
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        creationflags=flags,
    )
    if sys.platform != "win32":
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, started.pid, _BEHIND)
            Path(f"/proc/{started.pid}/autogroup").write_text(f"{_BEHIND}\n")
    return started


def claim_address(listening: socket.socket) -> None:
    """Makes an address that a socket will be bound to its own, also soon after another's end.

    On Windows ``SO_REUSEADDR`` would let two programs listen on one port.
    """
    if sys.platform == "win32":
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
    else:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)


def speak_every_sign() -> None:
    """Lets standard output and standard error take every sign that this program writes.

    A file or pipe on Windows has a code page that lacks most of them; it gets UTF-8. Elsewhere
    the person's locale is kept, and what it lacks is written as ``?``.
    """
    for stream in (sys.stdout, sys.stderr):
        if not isinstance(stream, io.TextIOWrapper):
            continue  # closed, or a test's
        if sys.platform == "win32":
            stream.reconfigure(encoding="utf-8", errors="replace")
        elif stream.errors == "strict":
            stream.reconfigure(errors="replace")
