"""The dashboard's server: this machine only, and only for pages that it served itself.

Listening on the loopback address does not stop a page of some other site from asking: its name
may be made to point here (DNS rebinding). So every request, of whatever route, must name this
server in its Host header, and in Origin where a browser sends one. A content security policy
keeps pages from loading anything from elsewhere.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
import webbrowser
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import uvicorn
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse

from logger.errors import SourceUnavailable

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

ADDRESS = "127.0.0.1"
DEFAULT_PORT = 8420
_NAMES = ("127.0.0.1", "localhost", "[::1]")
_SECONDS_TO_START = 20.0


class OwnPagesOnly:
    """ASGI middleware that refuses requests meant for another host, or sent by another site.

    Args:
        app: what is guarded.
        script_hashes: hashes of the inline scripts that pages may run.
    """

    def __init__(self, app: ASGIApp, *, script_hashes: Sequence[str]) -> None:
        self._app = app
        self._policy = _policy(script_hashes)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answers one request."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        if not _is_for_us(scope):
            await _refuse(scope, receive, send)
            return
        await self._app(scope, receive, self._guarded(send))

    def _guarded(self, send: Send) -> Send:
        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers["Content-Security-Policy"] = self._policy
                headers["X-Content-Type-Options"] = "nosniff"
                headers["Referrer-Policy"] = "no-referrer"
                headers["Cross-Origin-Resource-Policy"] = "same-origin"
            await send(message)

        return guarded


def _is_for_us(scope: Scope) -> bool:
    port = scope["server"][1]
    hosts = {f"{name}:{port}" for name in _NAMES}
    if port == 80:
        hosts |= set(_NAMES)
    headers = Headers(scope=scope)
    hosts_asked = [h.lower() for h in headers.getlist("host")]
    if len(hosts_asked) != 1 or hosts_asked[0] not in hosts:
        return False
    return all(o.lower().removeprefix("http://") in hosts for o in headers.getlist("origin"))


async def _refuse(scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
        return
    text = "This dashboard answers only to pages of its own, at http://127.0.0.1.\n"
    await PlainTextResponse(text, status_code=400)(scope, receive, send)


def _policy(script_hashes: Sequence[str]) -> str:
    return "; ".join(
        (
            "default-src 'self'",
            f"script-src 'self' {' '.join(script_hashes)}".strip(),
            "style-src 'self' 'unsafe-inline'",  # figures and components set styles in place
            "img-src 'self' data: blob:",
            "connect-src 'self'",
            "font-src 'self'",
            "worker-src 'self' blob:",
            "object-src 'none'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


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
