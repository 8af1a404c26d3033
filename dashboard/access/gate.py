"""The gate: every request and every WebSocket of a dashboard that others reach comes through it.

It lets in who is signed in, and to nobody else anything but the page to sign in by. Forgery by
another site (CSRF) is stopped twice: the cookie is ``SameSite=Strict``, so no other site's request
carries it, and what may change something must say itself that it comes from a page of this site
(``Sec-Fetch-Site``, else ``Origin``), as does a WebSocket. A token in each form would do no more
here: Dash makes its requests itself, and the browser's own word can't be forged by a page.

What a witness may not ask is refused here by its address; callbacks, which share one address, are
refused where Dash calls them (:mod:`dashboard.access.callbacks`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from starlette.datastructures import Headers
from starlette.responses import JSONResponse, RedirectResponse, Response

from dashboard.access.reach import is_own_request
from dashboard.access.sessions import Session, Sessions
from dashboard.access.visit import VISIT, WHY_NOT, Role, Visit

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

SESSION_KEY = "name"
"""In the signed cookie: the session's name."""
SIGN_IN, SIGN_OUT, STATE = "/sign-in", "/sign-out", "/session"
OPEN = frozenset(
    {
        SIGN_IN,
        f"{SIGN_IN}/page.css",
        f"{SIGN_IN}/page.js",
        SIGN_OUT,
        STATE,
        "/assets/base.css",
        "/assets/favicon.svg",
    }
)
"""Addresses for everybody: nothing there tells of runs, or of who is signed in."""
CALLBACKS = "/_dash-update-component"
FOR_ENGINEERS = frozenset({"/add-run", "/export"})
"""Addresses that write: an export puts all readings of a run on this machine's disk first."""
SIGNED_OUT = 4401
"""Closes a WebSocket whose session has ended; codes from 4000 on are free (RFC 6455)."""
_SAFE = frozenset({"GET", "HEAD"})


class Gate:
    """ASGI middleware inside the one that reads the cookie.

    Args:
        app: what is guarded.
        sessions: who is signed in.
    """

    def __init__(self, app: ASGIApp, *, sessions: Sessions) -> None:
        self._app = app
        self._sessions = sessions

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answers one request, or serves one WebSocket."""
        if scope["type"] == "http":
            await self._http(scope, receive, send)
        elif scope["type"] == "websocket":
            await self._websocket(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        session = self._sessions.find(scope["session"].get(SESSION_KEY))
        refusal = _refusal(scope, session)
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        if session is None or scope["path"] in OPEN:
            await self._app(scope, receive, send)
            return
        self._sessions.use(session)
        visit = Visit(session=session, sessions=self._sessions)
        token = VISIT.set(visit)
        try:
            await self._app(scope, receive, _told(send, visit))
        finally:
            VISIT.reset(token)

    async def _websocket(self, scope: Scope, receive: Receive, send: Send) -> None:
        session = self._sessions.find(scope["session"].get(SESSION_KEY))
        if session is None or not is_own_request(scope):
            await receive()
            await send({"type": "websocket.close", "code": SIGNED_OUT})
            return
        line = _Line(receive, send, sessions=self._sessions, session=session)
        token = VISIT.set(Visit(session=session, sessions=self._sessions))
        try:
            await self._app(scope, line.receive, line.send)
        finally:
            VISIT.reset(token)


def _refusal(scope: Scope, session: Session | None) -> Response | None:
    """The answer to a request that goes no further; None where it may go on."""
    path, safe = scope["path"], scope["method"] in _SAFE
    if not safe and not is_own_request(scope):
        return _said("Only a page of this dashboard may ask for that.", 403)
    if path in OPEN:
        return None
    if session is None:
        return _to_sign_in(scope) if safe else _said("Sign in first.", 401)
    if session.role != Role.ENGINEER and (path in FOR_ENGINEERS or not (safe or path == CALLBACKS)):
        return _said(WHY_NOT, 403)
    return None


def _to_sign_in(scope: Scope) -> Response:
    """To the page to sign in by where a person opens a page; else a word to a script."""
    mode = Headers(scope=scope).get("sec-fetch-mode", "navigate")
    if mode != "navigate" or scope["path"].startswith(("/_", "/assets/")):
        return _said("Sign in first.", 401)
    query = scope["query_string"].decode("latin-1")
    wanted = scope["path"] + (f"?{query}" if query else "")
    where = SIGN_IN if wanted == "/" else f"{SIGN_IN}?next={quote(wanted, safe='')}"
    return RedirectResponse(where, status_code=303, headers=NOT_KEPT)


NOT_KEPT: Mapping[str, str] = {"Cache-Control": "no-store"}


def _said(text: str, status: int) -> Response:
    return JSONResponse({"text": text}, status_code=status, headers=dict(NOT_KEPT))


def _told(send: Send, visit: Visit) -> Send:
    """Sends on, with 403 where a callback was refused, and nothing left in a cache."""

    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            if visit.refused:
                message["status"] = 403
            message["headers"] = _not_kept(message.get("headers", ()))
        await send(message)

    return sent


def _not_kept(headers: Any) -> list[tuple[bytes, bytes]]:
    """Headers by which nothing stays in the browser that a signed-out person could go back to.

    What Dash and the assets give a life of their own, files of the program, keeps it.
    """
    found = list(headers)
    if not any(name.lower() in (b"cache-control", b"etag") for name, _ in found):
        found.append((b"cache-control", b"no-store"))
    return found


class _Line:
    """A WebSocket that ends with its session."""

    def __init__(
        self, receive: Receive, send: Send, *, sessions: Sessions, session: Session
    ) -> None:
        self._receive = receive
        self._send = send
        self._sessions = sessions
        self._session = session
        self._closed = False

    async def receive(self) -> Message:
        """The next message; the end of the line where the session has ended meanwhile."""
        message = await self._receive()
        if message["type"] != "websocket.disconnect" and await self._ended():
            return {"type": "websocket.disconnect", "code": SIGNED_OUT}
        return message

    async def send(self, message: Message) -> None:
        """Sends, unless the session has ended."""
        if not await self._ended():
            await self._send(message)

    async def _ended(self) -> bool:
        if not self._closed and not self._sessions.stands(self._session):
            self._closed = True
            await self._send({"type": "websocket.close", "code": SIGNED_OUT})
        return self._closed
