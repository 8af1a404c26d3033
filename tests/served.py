"""The dashboard, served for a test by a process of its own on a free port of this machine."""

from __future__ import annotations

import re
import signal
import subprocess
from contextlib import contextmanager

from tests.warm_process import PROGRAM, WarmProcess

_SERVE = (
    "import sys; from pathlib import Path; from dashboard.serving import serve; "
    "serve(Path(sys.argv[1]), port=0, open_browser=False)"
)


@contextmanager
def served(folder):
    """The address of a dashboard on a folder, as ``http://127.0.0.1:port``."""
    with served_by(folder) as (address, _):
        yield address


@contextmanager
def served_by(folder):
    """The address of a dashboard on a folder, and its process."""
    process = WarmProcess([*PROGRAM, _SERVE, str(folder)], stdout=subprocess.PIPE, text=True)
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
