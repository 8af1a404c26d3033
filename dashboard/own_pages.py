"""Only pages that this dashboard served itself may ask it for anything.

Listening on the loopback address does not stop a page of some other site from asking: its name
may be made to point here (DNS rebinding). So every request, of whatever route, must name this
server in its Host header, and in Origin where a browser sends one. A content security policy
keeps pages from loading anything from elsewhere. Where others reach the dashboard, the same holds
for the names that it is reached by, and nothing is answered that did not come over TLS.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from starlette.datastructures import MutableHeaders
from starlette.responses import PlainTextResponse

from dashboard.access.reach import THIS_MACHINE, Reach

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

_YEAR_S, _DAY_S = 365 * 86400, 86400


class OwnPagesOnly:
    """ASGI middleware that refuses requests meant for another host, or sent by another site.

    Args:
        app: what is guarded.
        script_hashes: hashes of the inline scripts that pages may run.
        reach: by which names the dashboard is reached.
    """

    def __init__(
        self, app: ASGIApp, *, script_hashes: Sequence[str], reach: Reach = THIS_MACHINE
    ) -> None:
        self._app = app
        self._reach = reach
        self._headers = {
            "Content-Security-Policy": _policy(script_hashes),
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "Cross-Origin-Resource-Policy": "same-origin",
            **(_beyond(reach) if reach.secure else {}),
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answers one request."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        if not self._reach.is_for_us(scope):
            await _refuse(scope, receive, send, self._reach)
            return
        await self._app(scope, receive, self._guarded(send))

    def _guarded(self, send: Send) -> Send:
        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(self._headers)
            await send(message)

        return guarded


def _beyond(reach: Reach) -> dict[str, str]:
    """Headers of a dashboard that others reach.

    A form's Origin would be ``null`` without any referrer, so its own pages are told of it.
    Strict-Transport-Security (RFC 6797) holds for all ports of a name, so where the certificate is
    made here and may be gone next week, browsers are told for a day only.
    """
    lasts_s = _YEAR_S if reach.trusted_long else _DAY_S
    return {
        "Referrer-Policy": "same-origin",
        "Strict-Transport-Security": f"max-age={lasts_s}",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    }


async def _refuse(scope: Scope, receive: Receive, send: Send, reach: Reach) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
        return
    where = reach.url(scope["server"][1]) if reach.secure else "http://127.0.0.1"
    text = f"This dashboard answers only to pages of its own, at {where.rstrip('/')}.\n"
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
