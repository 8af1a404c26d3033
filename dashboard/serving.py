"""The dashboard's server, until it is interrupted: on this machine only, or opened to others."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import sys
import threading
import time
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING, Any

import uvicorn

from dashboard.access.reach import THIS_MACHINE
from logger.errors import SourceUnavailable
from logger.operating_system import claim_address

if TYPE_CHECKING:
    from dashboard.access.access import Access
    from dashboard.access.opening import Opening

ADDRESS = "127.0.0.1"
DEFAULT_PORT = 8420
_SECONDS_TO_START = 20.0
_FAREWELL_S = 1.0


def serve(
    folder: Path,
    *,
    port: int | None = None,
    open_browser: bool = True,
    opening: Opening | None = None,
) -> None:
    """Serves the dashboard until it is interrupted.

    Args:
        folder: the folder of runs.
        port: where to listen; None takes the usual port or, where it is taken, a free one.
        open_browser: whether to open the page.
        opening: how it is opened to other machines, with the port in it; None serves this
            machine only.

    Raises:
        SourceUnavailable: where the port can't be had.
    """
    listening = listen(port) if opening is None else listen_at(opening.address, opening.port)
    listened = listening.getsockname()[1]
    with contextlib.suppress(KeyboardInterrupt):
        from dashboard.app import make_app  # noqa: PLC0415 - Dash takes a second; a bad port need not

        app = make_app(folder, access=None if opening is None else _access(opening, listened))
        server = Server(
            uvicorn.Config(app.server, log_level="warning", lifespan="on", **_config(opening))
        )
        url = (THIS_MACHINE if opening is None else opening.reach).url(listened)
        words = [f"Dashboard of {folder}: {url}   (Ctrl-C ends it)"]
        words += () if opening is None else opening.said
        told = (server, "\n".join(words), open_browser, url)
        threading.Thread(target=_tell_when_ready, args=told, daemon=True).start()
        server.run(sockets=[listening])
    listening.close()


class Server(uvicorn.Server):
    """A server that ends soon after it is told to.

    A browser leaves the farewell of an idle line over TLS unanswered, and for that the event loop
    waits half a minute: what is still there after a second is cut.
    """

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Ends all lines, then the application."""
        cutting = asyncio.get_running_loop().call_later(_FAREWELL_S, self._cut)
        await super().shutdown(sockets)
        cutting.cancel()

    def _cut(self) -> None:
        for line in list(self.server_state.connections):
            transport = getattr(line, "transport", None)
            if transport is not None:
                transport.abort()


def listen(port: int | None) -> socket.socket:
    """A socket on this machine's own address, listening.

    Args:
        port: the port; 0 takes any free one; None the usual one, or any where it is taken.

    Raises:
        SourceUnavailable: where it can't be had.
    """
    try:
        return _bound(ADDRESS, DEFAULT_PORT if port is None else port)
    except (OSError, OverflowError) as exc:
        if port is None:
            return listen(0)
        raise SourceUnavailable(
            where=f"port {port}",
            what=f"can't be listened on ({getattr(exc, 'strerror', None) or exc})",
            would_do="take another with --port, or 0 for any that is free",
        ) from exc


def listen_at(address: str, port: int | None) -> socket.socket:
    """A socket that other machines reach, listening.

    Args:
        address: of this machine, or a name that means one.
        port: the port; None the usual one, no other in its place, since people know it.

    Raises:
        SourceUnavailable: where it can't be had.
    """
    wanted = DEFAULT_PORT if port is None else port
    try:
        return _bound(address, wanted)
    except OSError as exc:
        raise SourceUnavailable(
            where=f"--listen {address}, port {wanted}",
            what=f"can't be listened on ({exc.strerror or exc})",
            would_do="write an address of this machine, and a port from 1024 that is free",
        ) from exc


def _bound(address: str, port: int) -> socket.socket:
    family, kind, _, _, place = socket.getaddrinfo(address, None, type=socket.SOCK_STREAM)[0]
    listening = socket.socket(family, kind)
    claim_address(listening)
    try:
        listening.bind((place[0], port, *place[2:]))
        listening.listen()
    except (OSError, OverflowError):
        listening.close()
        raise
    return listening


def _access(opening: Opening, port: int) -> Access:
    from dashboard.access.access import Access  # noqa: PLC0415 - only where others come in

    return Access(reach=opening.reach, accounts=opening.accounts, port=port, tell=_tell)


def _tell(line: str) -> None:
    print(time.strftime("%Y-%m-%d %H:%M:%S"), line, file=sys.stderr, flush=True)  # noqa: T201 - progress


def _config(opening: Opening | None) -> dict[str, Any]:
    """What the server is to know: whose word on where a request comes from it takes, and TLS."""
    if opening is None:
        return {"proxy_headers": False}
    config: dict[str, Any] = {"server_header": False, "proxy_headers": opening.proxy is not None}
    if opening.proxy is not None:
        config["forwarded_allow_ips"] = [str(ipaddress.ip_address(opening.proxy))]
    if opening.certificate is not None:
        config["ssl_certfile"] = opening.certificate.certificate
        config["ssl_keyfile"] = opening.certificate.key
    return config


def _tell_when_ready(server: uvicorn.Server, words: str, open_browser: bool, url: str) -> None:  # noqa: FBT001 - a thread's arguments
    deadline = time.monotonic() + _SECONDS_TO_START
    while not server.started and time.monotonic() < deadline:
        time.sleep(0.02)
    print(words, flush=True)  # noqa: T201 - the command's answer
    if open_browser:
        webbrowser.open(url)
