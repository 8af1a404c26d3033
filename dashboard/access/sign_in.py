"""Signing in and out: the page, what it sends, and whether a session still stands.

The page is plain HTML of its own and needs no script, so it opens at once, password managers know
it, and nothing of the dashboard is sent to whoever has not signed in.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response

from dashboard.access.access import Access
from dashboard.access.gate import NOT_KEPT, SESSION_KEY, SIGN_IN, SIGN_OUT, STATE
from dashboard.access.sign_in_page import sign_in_page

if TYPE_CHECKING:
    from fastapi import FastAPI

_LONGEST_FORM_BYTES = 8192
_MOST_FIELDS = 10
_HASHED_AT_A_TIME = 2
"""Each takes 64 MiB for a moment."""
_FILES = (("page.css", "text/css"), ("page.js", "text/javascript"))
_WRONG = "That name and that password don't go together. Nobody is signed in."
_NEWS = {
    "ended": "Your session has ended: nothing was done for half an hour, or it was twelve hours "
    "old. What this browser showed before may be out of date.",
    "out": "You are signed out.",
}


def add_sign_in(server: FastAPI, access: Access) -> None:
    """Adds the addresses by which people sign in and out.

    Args:
        server: the dashboard's server, before Dash takes every path that is left.
        access: who may come in.
    """
    sessions = access.sessions
    few = asyncio.Semaphore(_HASHED_AT_A_TIME)

    async def page(request: Request) -> Response:
        asked = request.query_params
        wanted = own_path(asked.get("next", ""))
        if sessions.find(request.session.get(SESSION_KEY)) is not None:
            return RedirectResponse(wanted, status_code=303, headers=NOT_KEPT)
        return _page(wanted, news=_NEWS.get(asked.get("why", ""), ""))

    async def sign_in(request: Request) -> Response:
        form = await _form(request)
        name, wanted = form.get("name", ""), own_path(form.get("next", ""))
        address = request.client.host if request.client else ""
        wait_s = access.tries.wait_s(address)
        if wait_s:
            access.tell(f"{address}: too many tries to sign in")
            return _held_up(wanted, name, wait_s)
        async with few:
            role = await asyncio.to_thread(access.accounts.role_of, name, form.get("password", ""))
        access.tell(f"{address}: signed in as {role}" if role else f"{address}: wrong password")
        if role is None:
            return _page(wanted, name=name, problem=_WRONG, status=401)
        sessions.end(request.session.get(SESSION_KEY))
        request.session.clear()
        request.session[SESSION_KEY] = sessions.begin(role)
        return RedirectResponse(wanted, status_code=303, headers=NOT_KEPT)

    async def sign_out(request: Request) -> Response:
        sessions.end(request.session.get(SESSION_KEY))
        request.session.clear()
        return RedirectResponse(f"{SIGN_IN}?why=out", status_code=303, headers=NOT_KEPT)

    async def state(request: Request) -> Response:
        stands = sessions.find(request.session.get(SESSION_KEY)) is not None
        return JSONResponse({"signed_in": stands}, headers=dict(NOT_KEPT))

    server.add_route(SIGN_IN, page, methods=["GET"])
    server.add_route(SIGN_IN, sign_in, methods=["POST"])
    server.add_route(SIGN_OUT, sign_out, methods=["POST"])
    server.add_route(STATE, state, methods=["GET"])
    for name, kind in _FILES:
        server.add_route(f"{SIGN_IN}/{name}", _file(name, kind), methods=["GET"])


def own_path(wanted: str) -> str:
    """Where to go on to: a path of this dashboard, never an address elsewhere.

    Browsers read two slashes of either kind as another site, and drop control characters first.
    """
    if not wanted.isprintable() or not wanted.startswith("/") or wanted[1:2] in ("/", "\\"):
        return "/"
    return "/" if wanted.startswith((SIGN_IN, SIGN_OUT)) else wanted


async def _form(request: Request) -> dict[str, str]:
    """The fields that were sent; none of a form that is larger, or has more, than any meant."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > _LONGEST_FORM_BYTES:
            return {}
    text = body.decode(errors="replace")
    try:
        fields = parse_qs(text, keep_blank_values=True, max_num_fields=_MOST_FIELDS)
    except ValueError:
        return {}
    return {key: values[-1] for key, values in fields.items()}


def _page(wanted: str, *, status: int = 200, **said: str) -> Response:
    return HTMLResponse(sign_in_page(wanted, **said), status_code=status, headers=dict(NOT_KEPT))


def _held_up(wanted: str, name: str, wait_s: int) -> Response:
    minutes = -(-wait_s // 60)
    wait = "a minute" if minutes == 1 else f"{minutes} minutes"
    problem = f"Too many tries. Wait {wait}, then try again; whoever is signed in stays so."
    response = _page(wanted, name=name, problem=problem, status=429)
    response.headers["Retry-After"] = str(wait_s)
    return response


def _file(name: str, kind: str) -> Callable[[Request], Awaitable[Response]]:
    path = Path(__file__).parent / "sign_in_look" / name

    async def file(_request: Request) -> Response:
        return FileResponse(path, media_type=kind)

    return file
