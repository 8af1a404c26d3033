"""Only pages that this dashboard served itself may ask it for anything.

Listening on the loopback address does not stop a page of some other site from asking: its name
may be made to point here (DNS rebinding). So every request, of whatever route, must name this
server in its Host header, and in Origin where a browser sends one. A content security policy
keeps pages from loading anything from elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

_NAMES = ("127.0.0.1", "localhost", "[::1]")


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
