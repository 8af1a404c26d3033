"""A program of the user's that is run when an alarm becomes active, such as one that phones.

No shell takes part. The program is told by its environment: ``SLEWTRACE_CONDITION``,
``SLEWTRACE_STATE`` (confirmed or unknown), ``SLEWTRACE_TEXT`` and ``SLEWTRACE_T_S``; the
variables that hold passwords of the rig file are left out. One runs at a time; alarms that come
meanwhile wait, the latest of each condition. One that takes too long is killed with all that it
started.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Collection, Mapping
from contextlib import suppress

from logger.errors import SourceUnavailable
from logger.events.standing_alarms import AlarmChange
from logger.live.alarm_view import AlarmView
from logger.live.announcing import Event
from logger.live.output_reports import OutputReports

WITHIN_S = 10.0
CLOSE_WITHIN_S = 2.0
KILLED_WITHIN_S = 1.0
_LOOK_EVERY_S = 0.02


class AlarmCommand:
    """Runs a program for each alarm that becomes active; all calls come from one thread.

    Args:
        command: program and arguments.
        view: what stands.
        reports: told the first failure, and when the program works again.
        environment: what the program is given, besides the alarm.
        secrets: names of variables that it is not given.
        within_s: how long the program may take, s.
    """

    def __init__(
        self,
        command: tuple[str, ...],
        view: AlarmView,
        reports: OutputReports,
        *,
        environment: Mapping[str, str],
        secrets: Collection[str] = (),
        within_s: float = WITHIN_S,
    ) -> None:
        self._command = command
        self._view = view
        self._reports = reports
        self._environment = {k: v for k, v in environment.items() if k not in secrets}
        self._within_s = within_s
        self._waiting: dict[str, AlarmChange] = {}
        self._running: subprocess.Popen[bytes] | None = None
        self._kill_at_s = 0.0

    def open(self) -> None:
        """Sees that the program is there.

        Raises:
            SourceUnavailable: where it is not.
        """
        program = self._command[0]
        if shutil.which(program, path=self._environment.get("PATH")) is None:
            raise SourceUnavailable(
                where="[alarm] command",
                what=f"no program {program!r} can be run",
                would_do='name one with its path, as in ["/usr/bin/aplay", "alarm.wav"]',
            )

    def take(self, event: Event) -> None:
        """Takes the next event, and starts the program where it is an alarm become active."""
        change = self._view.take(event)
        if change is None:
            return
        if change.state.is_loud and change.active and not change.acknowledged:
            self._waiting.pop(change.condition, None)
            self._waiting[change.condition] = change
        self.beat()

    def beat(self) -> None:
        """Looks after the program that runs, and starts the next."""
        self._look_after()
        if self._running is None and self._waiting:
            condition = next(iter(self._waiting))
            self._start(self._waiting.pop(condition))

    def close(self) -> None:
        """Gives what runs and waits a short while, then ends it."""
        until_s = time.monotonic() + CLOSE_WITHIN_S
        while (self._running or self._waiting) and time.monotonic() < until_s:
            self.beat()
            time.sleep(_LOOK_EVERY_S)
        self._waiting.clear()
        self._kill()

    def _start(self, change: AlarmChange) -> None:
        told = {
            "SLEWTRACE_CONDITION": change.condition,
            "SLEWTRACE_STATE": str(change.state),
            "SLEWTRACE_TEXT": change.text,
            "SLEWTRACE_T_S": f"{change.t_ns * 1e-9:.3f}",
        }
        try:
            self._running = subprocess.Popen(  # noqa: S603 - the program that the rig file names, no shell
                self._command,
                env=self._environment | told,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        except (OSError, ValueError) as exc:
            self._reports.lost(f"{self._command[0]} can't be run: {exc}")
            return
        self._kill_at_s = time.monotonic() + self._within_s

    def _look_after(self) -> None:
        if self._running is None:
            return
        code = self._running.poll()
        if code is None and time.monotonic() >= self._kill_at_s:
            self._kill()
            self._reports.lost(f"{self._command[0]} took over {self._within_s:g} s, killed")
        elif code is not None:
            self._running = None
            if code == 0:
                self._reports.back(f"{self._command[0]} works again")
            else:
                self._reports.lost(f"{self._command[0]} ended with {code}")

    def _kill(self) -> None:
        running, self._running = self._running, None
        if running is None:
            return
        with suppress(OSError):  # gone already, or another user's by now
            if sys.platform == "win32":
                running.kill()
            else:
                os.killpg(running.pid, signal.SIGKILL)
        with suppress(subprocess.TimeoutExpired):
            running.wait(KILLED_WITHIN_S)
