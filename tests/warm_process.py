"""Processes of the program that begin warm.

Most of what a short process costs is the reading of its libraries. Where a test wants the
program in a process of its own, and not to see it start, a parent that has read them once is
forked: a process like any other, with threads, signals, pipes and a death of its own, there after
hundredths of a second instead of two seconds.

What is under test at its very start (the command as a shell runs it, what it reads, a run under
``strace``) is started cold, by ``subprocess`` itself.
"""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import importlib
import io
import json
import os
import random
import runpy
import signal
import socket
import subprocess
import sys
from pathlib import Path

COMMAND = (sys.executable, "-m", "dashboard")
"""What a warm process begins with: the command …"""
PROGRAM = (sys.executable, "-c")
"""… or a program's text."""
_READ_BEFORE = (
    "dashboard.app",
    "dashboard.cli.running",
    "dashboard.results",
    "dashboard.serving",
    "logger.live.panel",
    "logger.live.record",
    "logger.recording.sealing",
)
_SUBREAPER = 36  # PR_SET_CHILD_SUBREAPER of prctl(2)
_MOST_BYTES = 1 << 18


class WarmProcess(subprocess.Popen):
    """A ``Popen`` whose child is forked from the warm parent.

    Takes what ``Popen`` takes, where the words are python's: ``-m`` and a module, or ``PROGRAM``.
    """

    def _execute_child(self, args, *given):
        ends = given[9:15]
        theirs = [
            stream if end == -1 else end for stream, end in enumerate((ends[0], ends[3], ends[5]))
        ]
        job = {
            "words": list(map(os.fspath, args))[1:],
            "cwd": os.fspath(given[4] or Path.cwd()),
            "env": dict(os.environ if given[5] is None else given[5]),
            "new_session": given[20],
        }
        self.pid = _Parent.of_this_process().begin(job, theirs)
        self._child_created = True
        self._close_pipe_fds(*ends)


def run_warm(words, *, capture_output=False, text=None, timeout=60, check=False, env=None):
    """``subprocess.run`` with a warm process."""
    pipe = subprocess.PIPE if capture_output else None
    with WarmProcess(words, stdout=pipe, stderr=pipe, text=text, env=env) as process:
        try:
            said = process.communicate(timeout=timeout)
        except BaseException:
            process.kill()
            raise
    done = subprocess.CompletedProcess(words, process.returncode, *said)
    if check:
        done.check_returncode()
    return done


class _Parent:
    """The process that is forked; one for each process that runs tests."""

    _ours = None

    @classmethod
    def of_this_process(cls):
        if cls._ours is None or cls._ours.made_by != os.getpid():
            cls._ours = cls()
        return cls._ours

    def __init__(self):
        self.made_by = os.getpid()
        # Orphans come to us, so that a grandchild is waited for like a child.
        ctypes.CDLL(None, use_errno=True).prctl(_SUBREAPER, 1, 0, 0, 0)
        self._link, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.warm_process", str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                start_new_session=True,
            )
        atexit.register(self._end)

    def begin(self, job, descriptors):
        """Forks a process that has these as its standard streams; gives its id."""
        socket.send_fds(self._link, [json.dumps(job).encode()], descriptors)
        return int(self._link.recv(32))

    def _end(self):
        self._link.close()
        self._process.wait(10)


def _serve(link):
    """Forks for each job; returns the job in the forked process, None in the parent at its end."""
    for module in _READ_BEFORE:
        importlib.import_module(module)
    while True:
        text, descriptors, *_ = socket.recv_fds(link, _MOST_BYTES, 3)
        if not text:
            return None
        told, tell = os.pipe()
        between = os.fork()
        if between == 0:
            child = os.fork()
            if child:
                os.write(tell, str(child).encode())
                os._exit(0)
            for end in (told, tell):
                os.close(end)
            return json.loads(text), descriptors
        os.waitpid(between, 0)  # its child is an orphan now
        link.send(os.read(told, 32))
        for end in (told, tell, *descriptors):
            os.close(end)


def _become(job, descriptors):
    """Makes of a fork what ``Popen`` would have started."""
    if job["new_session"]:
        os.setsid()
    for stream, descriptor in enumerate(descriptors):
        os.dup2(descriptor, stream)
        os.close(descriptor)
    sys.stdin = os.fdopen(0)
    sys.stdout = io.TextIOWrapper(os.fdopen(1, "wb"), line_buffering=os.isatty(1))
    sys.stderr = io.TextIOWrapper(
        os.fdopen(2, "wb"), errors="backslashreplace", line_buffering=True
    )
    os.chdir(job["cwd"])
    os.environ.clear()
    os.environ.update(job["env"])
    random.seed()
    signal.signal(signal.SIGINT, signal.default_int_handler)


class _Leaving:
    """Ends a fork once all that was to run at its end has run.

    Python would go on to take apart all that the warm parent had read, for most of a second. What
    it does before (threads waited for, exit functions, what it says of an error) is left to it, and
    so is all of it where the end was a signal.
    """

    def __init__(self):
        self._code = None
        atexit.register(self._leave)  # before anything else is read: so it is the last to run

    def run(self, program):
        """Runs a program, and remembers how it ended."""
        try:
            program()
        except SystemExit as end:
            self._code = end.code if isinstance(end.code, int) else int(end.code is not None)
            raise
        except KeyboardInterrupt:
            raise
        except BaseException:
            self._code = 1
            raise
        self._code = 0

    def _leave(self):
        if self._code is None:
            return
        with contextlib.suppress(OSError, ValueError):  # Python has words and a code of its own
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(self._code & 0xFF)


def _main():
    leaving = _Leaving()
    with socket.socket(fileno=int(sys.argv[1])) as link:
        begun = _serve(link)
    if begun is None:
        return
    _become(*begun)
    how, what, *words = begun[0]["words"]
    sys.argv = [what, *words]
    if how == "-c":
        leaving.run(lambda: exec(what, {"__name__": "__main__"}))  # noqa: S102 - a test's program
    else:
        leaving.run(lambda: runpy.run_module(what, run_name="__main__", alter_sys=True))


if __name__ == "__main__":
    _main()
