"""All that stands between a dashboard that others reach and those who reach it."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import dash
from starlette.middleware.sessions import SessionMiddleware

from dashboard.access.accounts import Accounts
from dashboard.access.callbacks import guard_callbacks
from dashboard.access.gate import Gate
from dashboard.access.reach import Reach
from dashboard.access.sessions import Sessions
from dashboard.access.tries import Tries

if TYPE_CHECKING:
    from fastapi import FastAPI


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """Who may come in, and how.

    Attributes:
        reach: names of the dashboard.
        accounts: who may sign in.
        port: that is listened on. Cookies of one name are shared by all ports, so it is in theirs.
        sessions: who is signed in.
        tries: how often a password may be tried.
        tell: is told in one line who signs in, and who is refused.
    """

    reach: Reach
    accounts: Accounts
    port: int
    sessions: Sessions = field(default_factory=Sessions)
    tries: Tries = field(default_factory=Tries)
    tell: Callable[[str], None] = lambda _line: None

    @property
    def cookie(self) -> str:
        """The cookie's name; browsers take one of that beginning only over TLS, for this host."""
        return f"__Host-slewtrace-{self.port}"


def stand_guard(server: FastAPI, app: dash.Dash, access: Access) -> None:
    """Puts the gate before a dashboard whose pages and callbacks are all there.

    Args:
        server: its server.
        app: its callbacks.
        access: who may come in.
    """
    guard_callbacks(app)
    server.add_middleware(Gate, sessions=access.sessions)
    # Outside the gate, which asks it for the cookie. The key ends with the program, as sessions do.
    server.add_middleware(
        SessionMiddleware,
        secret_key=secrets.token_hex(32),
        session_cookie=access.cookie,
        max_age=None,
        same_site="strict",
        https_only=True,
    )
