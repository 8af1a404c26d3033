"""A dashboard opened to others, on a real port over TLS, and those who come to it."""

from __future__ import annotations

import http.client
import json
import ssl
import threading
import time
from contextlib import contextmanager
from datetime import UTC, datetime
from types import SimpleNamespace
from urllib.parse import urlencode

import uvicorn
from argon2 import PasswordHasher
from websockets.sync.client import connect

from dashboard.access.access import Access
from dashboard.access.accounts import make_accounts
from dashboard.access.opening import Opening
from dashboard.access.reach import Reach
from dashboard.access.sessions import Sessions
from dashboard.access.tls import own_tls
from dashboard.access.visit import Role
from dashboard.app import make_app
from dashboard.serving import Server, _config, listen_at

PASSWORDS = {Role.ENGINEER: "three wet planks", Role.WITNESS: "two quiet witnesses"}
CALLBACKS = "/_dash-update-component"
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
_PATIENCE_S = 20


class Clock:
    """A monotonic clock that goes only when it is told to."""

    def __init__(self):
        self.now_s = 1000.0

    def __call__(self):
        """The time, s."""
        return self.now_s


@contextmanager
def opened(folder, *, behind=None, prepare=lambda _app: None):
    """A dashboard on a folder, served by a thread.

    Args:
        folder: of runs.
        behind: the name of a reverse proxy that has TLS; None for TLS of its own.
        prepare: is given the application before it is guarded.
    """
    accounts = make_accounts({role: QUICK.hash(p) for role, p in PASSWORDS.items()})
    tls = None
    if behind is None:
        access_folder = folder.parent / f"{folder.name}-access"
        tls = own_tls(access_folder, hosts=("127.0.0.1", "yard.test"), now_utc=datetime.now(UTC))
    opening = Opening(
        address="127.0.0.1",
        port=0,
        reach=Reach(names=(behind,), secure=True, port=443) if tls is None else tls.reach,
        accounts=accounts,
        certificate=None if tls is None else tls.certificate,
        proxy="127.0.0.1" if tls is None else None,
    )
    listening = listen_at(opening.address, opening.port)
    told, clock, port = [], Clock(), listening.getsockname()[1]
    access = Access(
        reach=opening.reach,
        accounts=accounts,
        port=port,
        sessions=Sessions(clock=clock),
        tell=told.append,
    )
    app = make_app(folder, access=access)
    trust = None
    if tls is not None:
        trust = ssl.create_default_context(cafile=access_folder / "ca.crt")
    with running(app, listening, _config(opening)):
        yield SimpleNamespace(
            app=app, port=port, trust=trust, clock=clock, told=told, access=access, folder=folder
        )


@contextmanager
def running(app, listening, config):
    """An application that is served by a thread."""
    server = Server(uvicorn.Config(app.server, log_level="error", **config))
    thread = threading.Thread(
        target=server.run, kwargs={"sockets": [listening]}, name="dashboard", daemon=True
    )
    thread.start()
    deadline = time.monotonic() + _PATIENCE_S
    while not server.started and time.monotonic() < deadline:
        time.sleep(0.01)
    try:
        yield
    finally:
        server.should_exit = True
        thread.join(_PATIENCE_S)
        listening.close()


class Visitor:
    """Somebody with a browser, which keeps the cookie and says where its requests come from.

    Args:
        place: the dashboard.
        address: of this machine, from which is asked.
    """

    def __init__(self, place, *, address="127.0.0.1"):
        self.place = place
        self.address = address
        self.cookie = ""
        self.site = f"https://127.0.0.1:{place.port}"

    def ask(self, path, *, method="GET", body=None, origin=None, **headers):
        """One request, by default as a page of the dashboard asks; status, text and headers."""
        kind = http.client.HTTPSConnection if self.place.trust else http.client.HTTPConnection
        more = {"context": self.place.trust} if self.place.trust else {}
        connection = kind(
            "127.0.0.1",
            self.place.port,
            timeout=_PATIENCE_S,
            source_address=(self.address, 0),
            **more,
        )
        sent = {"Cookie": self.cookie} if self.cookie else {}
        if origin != "":
            sent["Origin"] = origin or self.site
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            connection.request(method, path, body, {k: v for k, v in sent.items() if v})
            answer = connection.getresponse()
            given = answer.headers.get("Set-Cookie", "")
            if given:
                self.cookie = given.split(";")[0]
            return answer.status, answer.read().decode(errors="replace"), answer.headers
        finally:
            connection.close()

    def sign_in(self, name, password=None, **given):
        """Types a name and a password; the password is the right one by default."""
        form = {"name": name, "password": password or PASSWORDS[Role(name)], "next": "/live?run=x"}
        return self.ask("/sign-in", method="POST", body=urlencode(form), **given)

    def call(self, callback, inputs=(), state=(), **given):
        """Has a callback called; the first input is what changed."""
        body = json.dumps(
            {
                "output": callback,
                "outputs": outputs_of(callback),
                "inputs": [_named(*i) for i in inputs],
                "state": [_named(*s) for s in state],
                "changedPropIds": [f"{i[0]}.{i[1]}" for i in inputs[:1]],
            }
        )
        return self.ask(
            CALLBACKS, method="POST", body=body, Content_Type="application/json", **given
        )

    def line(self, *, origin=None):
        """A WebSocket, as pages have."""
        sent = {"Cookie": self.cookie} if self.cookie else {}
        return connect(
            f"wss://127.0.0.1:{self.place.port}/_dash-ws-callback",
            ssl=self.place.trust,
            origin=self.site if origin is None else origin or None,
            additional_headers=sent,
            open_timeout=_PATIENCE_S,
        )


def outputs_of(callback):
    """A callback's outputs as a page names them."""
    parts = callback.removeprefix("..").removesuffix("..").split("...")
    named = [
        dict(zip(("id", "property"), p.rsplit(".", 1), strict=True)) for p in parts if "." in p
    ]
    return named if callback.startswith("..") else named[0] if named else []


def _named(key, name, value):
    return {"id": key, "property": name, "value": value}
