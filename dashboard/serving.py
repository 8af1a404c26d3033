"""The dashboard's server: on this machine only, until it is interrupted."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
import webbrowser
from pathlib import Path

import uvicorn

from logger.errors import SourceUnavailable

ADDRESS = "127.0.0.1"
DEFAULT_PORT = 8420
_SECONDS_TO_START = 20.0


def serve(folder: Path, *, port: int | None = None, open_browser: bool = True) -> None:
    """Serves the dashboard on this machine until it is interrupted.

    Args:
        folder: the folder of runs.
        port: where to listen; None takes the usual port or, where it is taken, a free one.
        open_browser: whether to open the page.

    Raises:
        SourceUnavailable: where the port can't be had.
    """
    listening = listen(port)
    with contextlib.suppress(KeyboardInterrupt):
        from dashboard.app import make_app  # noqa: PLC0415 - Dash takes a second; a bad port need not

        app = make_app(folder)
        server = uvicorn.Server(uvicorn.Config(app.server, log_level="warning", lifespan="on"))
        url = f"http://{ADDRESS}:{listening.getsockname()[1]}/"
        told = (server, f"Dashboard of {folder}: {url}   (Ctrl-C ends it)", open_browser, url)
        threading.Thread(target=_tell_when_ready, args=told, daemon=True).start()
        server.run(sockets=[listening])
    listening.close()


def listen(port: int | None) -> socket.socket:
    """A socket on this machine's own address, listening.

    Args:
        port: the port; 0 takes any free one; None the usual one, or any where it is taken.

    Raises:
        SourceUnavailable: where it can't be had.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((ADDRESS, DEFAULT_PORT if port is None else port))
        listening.listen()
    except (OSError, OverflowError) as exc:
        listening.close()
        if port is None:
            return listen(0)
        raise SourceUnavailable(
            where=f"port {port}",
            what=f"can't be listened on ({getattr(exc, 'strerror', None) or exc})",
            would_do="take another with --port, or 0 for any that is free",
        ) from exc
    return listening


def _tell_when_ready(server: uvicorn.Server, words: str, open_browser: bool, url: str) -> None:  # noqa: FBT001 - a thread's arguments
    deadline = time.monotonic() + _SECONDS_TO_START
    while not server.started and time.monotonic() < deadline:
        time.sleep(0.02)
    print(words, flush=True)  # noqa: T201 - the command's answer
    if open_browser:
        webbrowser.open(url)
