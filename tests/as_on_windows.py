"""This project's modules read and run as if this were Windows; tells what came of it, as JSON.

What Windows lacks is made absent, what it alone has is put there, and the platform's name is
changed, after all libraries have been read: only this project's own modules meet it. So it shows
what can't be imported there, which way the code takes, and that nothing on that way needs what is
not there. It does not show that Windows answers as it is taken to.

    python -m tests.as_on_windows FOLDER
"""

from __future__ import annotations

import ast
import asyncio
import contextlib
import importlib
import io
import json
import os
import select
import signal
import sys
import threading
import time
import types
from collections.abc import Iterable
from pathlib import Path
from unittest import mock

import serial

ROOT = Path(__file__).parents[1]
OURS = {"logger", "dashboard"}
LACKING = ("fcntl", "termios", "tty", "pty", "grp", "pwd", "resource", "syslog", "curses")
LACKING_NAMES = {
    os: (
        "geteuid", "getegid", "fork", "forkpty", "killpg", "getpgrp", "tcgetpgrp", "setsid",
        "fchmod", "fchown", "chown", "ttyname", "openpty", "statvfs", "set_blocking", "sync",
        "fdatasync", "posix_fallocate", "mkfifo", "sched_setaffinity", "nice",
    ),  # and others, which the libraries of this system ask for
    signal: ("SIGHUP", "SIGKILL", "SIGUSR1", "SIGUSR2", "SIGALRM", "pthread_sigmask", "sigwait"),
    select: ("poll",),
    time: ("clock_gettime_ns", "clock_gettime", "CLOCK_BOOTTIME", "CLOCK_MONOTONIC", "tzset"),
}  # fmt: skip
RIG = """
[rig]
id = "bay"
[[source]]
id = "mast"
kind = "serial"
port = "{port}"
[[channel]]
id = "slew"
source = "mast"
name = "enc"
unit = "deg"
[[channel]]
id = "wheel/rear_left"
source = "mast"
name = "rl"
closed_when = true
[[channel]]
id = "wheel/rear_right"
source = "mast"
name = "rr"
closed_when = true
"""
TEST = """
[test]
id = "as-on-windows"
[truck]
id = "Truck"
wheels = ["rear_left", "rear_right"]
[crane]
rated_moment = "45 kN·m"
[load]
parts = [{ name = "block", mass = "1400 kg" }]
"""


def modules() -> dict[str, Path]:
    """Every module of the two packages but the one that runs the program when it is imported."""
    found = {}
    for package in ("logger", "dashboard"):
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    del found["dashboard.__main__"]
    return found


def read_libraries(paths: Iterable[Path]) -> None:
    """Imports whatever the modules import, but themselves."""
    wanted = set()
    for path in paths:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                wanted |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                wanted |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    for name in sorted(wanted):
        if name.partition(".")[0] not in OURS:
            with contextlib.suppress(ImportError):  # a name in a module, or Windows' own
                importlib.import_module(name)


def failed_imports(names: Iterable[str]) -> dict[str, str]:
    """What can't be imported, and why."""
    failed = {}
    for name in names:
        try:
            importlib.import_module(name)
        except Exception as exc:  # noqa: BLE001 - whatever it is, it is told
            failed[name] = f"{type(exc).__name__}: {exc}"
    return failed


def become_windows(typed: list[str]) -> None:
    """Makes this process look like Windows to whoever imports from now on.

    Args:
        typed: keys that wait at the console.
    """
    for name in [n for n in sys.modules if n.partition(".")[0] in OURS]:
        del sys.modules[name]
    for name in LACKING:
        sys.modules[name] = None
    for module, names in LACKING_NAMES.items():
        for name in names:
            if hasattr(module, name):
                delattr(module, name)
    console = types.ModuleType("msvcrt")
    console.kbhit = lambda: bool(typed)
    console.getwch = lambda: typed.pop(0)
    sys.modules["msvcrt"] = console
    signal.SIGBREAK = signal.Signals.SIGTERM
    sys.platform = "win32"


def refused(what) -> str:
    """The one line that something is refused with."""
    try:
        with what():
            return "not refused"
    except Exception as exc:  # noqa: BLE001 - whatever it is, it is told
        return f"{type(exc).__name__}: {exc}"


def ways(folder: Path) -> dict[str, object]:
    """Which way the code takes where the systems differ."""
    from dashboard.demo.player import pseudo_terminal
    from logger import operating_system
    from logger.live.keys import Keys
    from logger.recording.in_use import run_in_hand
    from logger.sources.serial_port import open_port

    def opening(error: str):
        failing = mock.patch.object(
            serial.Serial, "open", side_effect=serial.SerialException(error)
        )
        with failing:
            return open_port("COM5", 9600, where="source 'mast'")

    class OlderLoop(asyncio.SelectorEventLoop):
        pass

    async def which_loop() -> str:
        return type(asyncio.get_running_loop()).__name__

    journal = folder / "a.journal"
    journal.touch()
    with mock.patch.object(Path, "rename", side_effect=PermissionError(13, "in use")):
        in_use = refused(lambda: run_in_hand(journal))
    with mock.patch.object(sys, "stdin", mock.Mock(isatty=lambda: True)), Keys() as keys:
        pressed = keys.pressed()
    with mock.patch.object(asyncio, "SelectorEventLoop", OlderLoop):
        loop = operating_system.run_on_sockets(which_loop())
    page = io.TextIOWrapper(io.BytesIO(), encoding="cp1252")
    with mock.patch.object(sys, "stdout", page):
        operating_system.speak_every_sign()
    no_file = "could not open port 'COM5': FileNotFoundError(2, 'not found', None, 2)"
    denied = "could not open port 'COM5': PermissionError(13, 'Access is denied.', None, 5)"
    return {
        "clock": operating_system.steady_ns is time.perf_counter_ns,
        "keys": pressed,
        "in_use": in_use,
        "loop": loop,
        "encoding": page.encoding,
        "missing": refused(lambda: opening(no_file)),
        "busy": refused(lambda: opening(denied)),
        "demo": refused(pseudo_terminal),
    }


def recorded(folder: Path, device: int, port: str) -> dict[str, object]:
    """A recording from a line, its seal and its result, all without what Windows lacks."""
    from dashboard.result_text import result_text
    from dashboard.results import analyse
    from logger.live.record import record, run_clock
    from logger.readings.rig_file import read_rig
    from logger.readings.test_file import read_test
    from logger.recording.run import open_run

    stop, events = threading.Event(), []
    rig = RIG.format(port=port)

    def send() -> None:
        for count in range(1000):
            pack = [{"n": "enc", "v": count, "seq": count, "boot": "a", "up": count / 100},
                    {"n": "rl", "vb": True}, {"n": "rr", "vb": True}]  # fmt: skip
            os.write(device, json.dumps(pack).encode() + b"\n")
            if stop.wait(0.01):
                return

    def tell(event) -> None:
        events.append(event["event"])

    sender = threading.Thread(target=send)
    sender.start()
    timer = threading.Timer(0.7, stop.set)
    timer.start()
    path = record(
        read_rig(rig), read_test(TEST), rig, TEST, folder,
        clock=run_clock(), stop=stop, on_event=tell,
    )  # fmt: skip
    sender.join()
    run = open_run(path)
    run.verify()
    return {
        "events": events,
        "samples": sum(run.header.samples.values()),
        "left": sorted(p.name for p in folder.glob("*.journal*")),
        "result": result_text(analyse(run)).splitlines()[0],
    }


def main() -> None:
    folder = Path(sys.argv[1])
    os.environ["XDG_RUNTIME_DIR"] = str(folder)
    device, line = os.openpty()
    port = os.ttyname(line)
    names = modules()
    read_libraries(names.values())
    become_windows(["a", "\xe0", "H", "r"])
    seen: dict[str, object] = {"modules": len(names), "windows": failed_imports(names)}
    runs = folder / "runs"
    runs.mkdir()
    seen |= recorded(runs, device, port)
    seen |= ways(folder)
    print(json.dumps(seen))


main()
