"""The dashboard, served for a test by a process of its own on a free port of this machine."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from contextlib import contextmanager

_PROGRAM = (
    "import sys; from pathlib import Path; from dashboard.serving import serve; "
    "serve(Path(sys.argv[1]), port=0, open_browser=False)"
)


@contextmanager
def served(folder):
    """The address of a dashboard on a folder, as ``http://127.0.0.1:port``."""
    process = subprocess.Popen(
        [sys.executable, "-c", _PROGRAM, str(folder)], stdout=subprocess.PIPE, text=True
    )
    try:
        told = process.stdout.readline()
        yield re.search(r"http://127\.0\.0\.1:\d+", told).group()
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(20)
        finally:
            process.kill()
            process.stdout.close()
