"""The dashboard, served for a test by a process of its own on a free port of this machine."""

from __future__ import annotations

import random
import re
import signal
import subprocess
from contextlib import contextmanager, suppress

from dashboard.serving import listen
from logger.errors import SourceUnavailable
from tests.warm_process import PROGRAM, WarmProcess

_SERVE = (
    "import sys; from pathlib import Path; from dashboard.serving import serve; "
    "serve(Path(sys.argv[1]), port=int(sys.argv[2]), open_browser=False)"
)
_PORTS = []
"""Those of dashboards that have ended: the next takes one, since a browser keeps compiled what it
read at an address."""


@contextmanager
def served(folder):
    """The address of a dashboard on a folder, as ``http://127.0.0.1:port``."""
    with served_by(folder) as (address, _):
        yield address


@contextmanager
def served_by(folder):
    """The address of a dashboard on a folder, and its process."""
    port = _PORTS.pop() if _PORTS else _free_port()
    process = WarmProcess(
        [*PROGRAM, _SERVE, str(folder), str(port)], stdout=subprocess.PIPE, text=True
    )
    try:
        told = process.stdout.readline()
        yield re.search(r"http://127\.0\.0\.1:\d+", told).group(), process
    finally:
        process.send_signal(signal.SIGCONT)
        process.send_signal(signal.SIGINT)
        try:
            process.wait(20)
        finally:
            process.kill()
            process.stdout.close()
            _PORTS.append(port)


def _free_port():
    """A port below those that the system gives to whoever asks for any."""
    while True:
        port = random.randrange(20_000, 32_000)
        with suppress(SourceUnavailable):
            listen(port).close()
            return port
