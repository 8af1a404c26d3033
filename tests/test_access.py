"""A dashboard that others reach: who comes in, who may change what, and how a session ends."""

from __future__ import annotations

import asyncio
import json
import re
from urllib.parse import urlencode

import pytest
from dash import Input, Output
from dash.exceptions import PreventUpdate
from starlette.routing import Mount, WebSocketRoute
from websockets.exceptions import ConnectionClosed, InvalidStatus

from dashboard.access import sessions
from dashboard.access.accounts import Accounts
from dashboard.access.callbacks import changing, guard_callbacks, mark_of
from dashboard.access.gate import FOR_ENGINEERS, OPEN, SESSION_KEY, SIGNED_OUT, Gate
from dashboard.access.sessions import IDLE_S, LONGEST_S, Sessions
from dashboard.access.sign_in import own_path
from dashboard.access.tries import BY_ALL, FROM_ONE, Tries
from dashboard.access.visit import Role
from dashboard.app import make_app
from dashboard.later_notes import read_later_notes
from dashboard.serving import _config, listen
from tests.opened import CALLBACKS, PASSWORDS, Clock, Visitor, opened, running
from tests.sample_runs import seal_sample

CHANGING = {"press", "save", "keep", "make", "add", "probe"}
"""Callbacks that change something, by the names of their functions; ``probe`` is this test's."""
PROBE = "probe.title"
PAGE = "..page.children...links.children.."
NOTE = "..notes.children...note-said.children...note-text.value...replay-noted.data.."


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A dashboard over TLS on one run, with a callback more, which may come over a WebSocket."""
    folder = tmp_path_factory.mktemp("runs")
    seal_sample(folder, scenario="steady", rates={})
    with opened(folder) as made:
        probed = []

        @made.app.callback(Output("probe", "title"), Input("probe", "n_clicks"), websocket=True)
        @changing
        async def probe(clicks):
            probed.append(clicks)
            return "changed"

        guard_callbacks(made.app)
        made.probed = probed
        yield made


@pytest.fixture(scope="module")
def engineer(place):
    """Somebody who is signed in as engineer, for as long as the clock stands."""
    visitor = Visitor(place)
    visitor.sign_in("engineer")
    return visitor


@pytest.fixture(scope="module")
def witness(place):
    """Somebody who is signed in as witness, for as long as the clock stands."""
    visitor = Visitor(place)
    visitor.sign_in("witness")
    return visitor


def fresh(place, name, **given):
    """Somebody who has just signed in; counted as from another address than everybody else."""
    visitor = Visitor(place, **given)
    status, _, _ = visitor.sign_in(name)

    assert status == 303
    return visitor


def routes_of(app):
    """Every address of an application with its methods; words in place of what varies."""
    for route in app.server.routes:
        if isinstance(route, WebSocketRoute) or type(route).__name__ == "APIWebSocketRoute":
            continue
        path = f"{route.path}/x.css" if isinstance(route, Mount) else route.path
        path = re.sub(r"\{path:path\}", "nowhere", re.sub(r"\{\w+(:path)?\}", "x", path))
        for method in sorted(getattr(route, "methods", None) or {"GET"}):
            yield path if path.startswith("/") else f"/{path}", method


def callbacks_of(app):
    """Callbacks that run on the server: id, function's name, and whether it changes something."""
    for key, callback in app.callback_map.items():
        if "callback" in callback:
            yield key, callback["callback"].__name__, mark_of(callback)


def test_every_callback_says_whether_it_changes_something(place):
    """A new callback has to be marked as reading or changing, and a changing one listed here."""
    found = list(callbacks_of(place.app))
    unmarked = [name for _, name, mark in found if mark is None]

    assert len(found) > 25
    assert not unmarked, "mark them with @reading or @changing (dashboard/access/callbacks.py)"
    assert {name for _, name, mark in found if mark} == CHANGING


def test_whoever_has_not_signed_in_gets_nothing(place):
    """Each address and method leads to the page to sign in by or answers 401, but for its parts."""
    nobody = Visitor(place)
    asked = {*routes_of(place.app), ("/live", "GET"), ("/sectors?run=steady", "GET")}
    asked = {(p, m) for p, m in asked if p not in OPEN}
    answers = {(p, m): nobody.ask(p, method=m) for p, m in asked}
    by_script = nobody.ask("/live", Sec_Fetch_Mode="cors", Sec_Fetch_Site="same-origin")

    assert len(asked) >= 14
    for (path, method), (status, text, headers) in answers.items():
        led = status == 303 and headers["Location"].startswith("/sign-in")
        assert status == 401 or (led and method in ("GET", "HEAD")), (path, method, status)
        assert "Demo truck" not in text
        assert "steady" not in text
    assert by_script[0] == 401
    assert answers["/sectors?run=steady", "GET"][2]["Location"] == (
        "/sign-in?next=%2Fsectors%3Frun%3Dsteady"
    )


def test_what_may_change_something_must_come_from_a_page_of_this_dashboard(place, engineer):
    """Each such address refuses a foreign or missing origin, also with an engineer's cookie."""
    unsafe = [(p, m) for p, m in routes_of(place.app) if m not in ("GET", "HEAD")]
    foreign = [
        {"origin": "https://evil.example"},
        {"origin": f"http://127.0.0.1:{place.port}"},
        {"origin": "null"},
        {"origin": ""},
        {"origin": "", "Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ]

    assert {p for p, _ in unsafe} >= {"/add-run", "/sign-in", "/sign-out", CALLBACKS}
    for path, method in unsafe:
        for headers in foreign:
            status, _, _ = engineer.ask(path, method=method, body="", **headers)
            assert status in (400, 403), (path, headers, status)
    assert engineer.ask("/", Sec_Fetch_Site="same-origin")[0] == 200


def test_a_witness_may_ask_no_address_that_writes(place, witness, engineer):
    """What writes is refused with a word why; all else is answered, as the engineer is."""
    for path, method in routes_of(place.app):
        if path in OPEN:
            continue
        refused = path in FOR_ENGINEERS or (method not in ("GET", "HEAD") and path != CALLBACKS)
        status, text, _ = witness.ask(path, method=method, body="" if method == "POST" else None)
        assert (status == 403) == refused, (path, method, status)
        assert ("witness" in text) == refused or method == "HEAD"
    assert "/add-run" in FOR_ENGINEERS
    assert "/export" in FOR_ENGINEERS
    assert engineer.ask("/export?run=none")[0] == 404
    assert engineer.ask("/add-run", method="POST", body=b"no run")[0] == 400


def test_a_witness_reaches_no_callback_that_changes_something(place, witness):
    """Each one of them answers 403, whatever is sent; those that read never do."""
    for key, name, mark in callbacks_of(place.app):
        if not place.app.callback_map[key].get("no_output"):
            status, _, _ = witness.call(key)
            assert (status == 403) == mark, (name, status)


def note(visitor, text):
    """Sends what the page Replay sends when a note is added."""
    return visitor.call(
        NOTE,
        [("note-add", "n_clicks", 1)],
        [
            ("note-text", "value", text),
            ("note-by", "value", ""),
            ("replay-rest", "data", {"t_s": 1.0}),
            ("replay-run", "data", {"run": "steady"}),
        ],
    )


def test_what_a_witness_sends_is_not_kept(place, witness, engineer):
    """The very same note is kept from the engineer and refused from the witness."""
    refused = note(witness, "by the witness")
    kept = note(engineer, "by the engineer")
    notes = read_later_notes(place.folder / "steady.parquet")

    assert refused[0] == 403
    assert kept[0] == 200
    assert [n.text for n in notes] == ["by the engineer"]


def test_a_page_looks_as_its_reader_may_act(place, witness, engineer):
    """A witness's page says so and locks what would be refused; the engineer's does not."""
    shown = {}
    for role, visitor in (("witness", witness), ("engineer", engineer)):
        frame = visitor.ask("/_dash-layout")[1]
        page = visitor.call(
            PAGE,
            [("url", "pathname", "/"), ("url", "search", ""), ("units", "value", "si")],
        )[1]
        shown[role] = frame, page.replace("\\u002f", "/")

    assert '"Witness"' in shown["witness"][0]
    assert '"Sign out"' in shown["witness"][0]
    assert '"Engineer"' in shown["engineer"][0]
    assert "Locked" in shown["witness"][1]
    assert "/export" not in shown["witness"][1]
    assert "Locked" not in shown["engineer"][1]
    assert "/export" in shown["engineer"][1]
    assert "/sheet" in shown["witness"][1]
    assert {looks(witness, path) for path in LOCKED_PAGES} == {True}
    assert {looks(engineer, path) for path in LOCKED_PAGES} == {False}


LOCKED_PAGES = ("/replay", "/plan", "/compare", "/sectors")
"""Further pages with controls that change something."""


def looks(visitor, path):
    """Whether a page says that something is locked."""
    asked = [("url", "pathname", path), ("url", "search", "?run=steady"), ("units", "value", "si")]
    return "Locked: a witness" in visitor.call(PAGE, asked)[1]


def answered(line, request_id="1"):
    """Has the test's own callback called over a WebSocket; what came of it."""
    payload = {
        "output": PROBE,
        "outputs": {"id": "probe", "property": "title"},
        "inputs": [{"id": "probe", "property": "n_clicks", "value": 1}],
        "changedPropIds": ["probe.n_clicks"],
    }
    asked = {"type": "callback_request", "requestId": request_id, "payload": payload}
    line.send(json.dumps(asked))
    return json.loads(line.recv(timeout=20))["payload"]["status"]


def test_a_websocket_is_no_way_round(place, witness, engineer):
    """Callbacks over it are held to the role; it opens to nobody unknown and to no other site."""
    with witness.line() as line:
        by_witness = answered(line)
    before = list(place.probed)
    with engineer.line() as line:
        by_engineer = answered(line)
    closed = 0
    ways = [(Visitor(place), None), (engineer, "https://evil.example"), (engineer, "")]
    for visitor, origin in ways:
        with pytest.raises((InvalidStatus, ConnectionClosed)):
            visitor.line(origin=origin)
        closed += 1

    assert (by_witness, before) == ("prevent_update", [])
    assert (by_engineer, place.probed) == ("ok", [1])
    assert closed == len(ways)


@pytest.mark.parametrize("headers", [[], [(b"sec-fetch-site", b"same-origin")]])
def test_the_gate_itself_asks_a_websocket_for_its_origin(headers):
    """Whatever those behind it would ask, and whatever else a browser says."""
    sessions, sent = Sessions(), []
    scope = {"type": "websocket", "headers": headers}
    scope["session"] = {SESSION_KEY: sessions.begin("engineer")}

    async def receive():
        return {"type": "websocket.connect"}

    async def send(message):
        sent.append(message)

    async def behind(*_):
        sent.append("let in")

    gate = Gate(behind, sessions=sessions)
    asyncio.run(gate(scope, receive, send))
    asyncio.run(gate(scope | {"headers": [(b"origin", b"https://here")]}, receive, send))

    assert sent == [{"type": "websocket.close", "code": SIGNED_OUT}, "let in"]


def test_code_that_lost_sight_of_who_asks_changes_nothing(place):
    """Without a visit, as in a thread of one's own, a guarded callback refuses too."""
    press = next(
        c["callback"]
        for c in place.app.callback_map.values()
        if "callback" in c and c["callback"].__name__ == "press"
    )
    with pytest.raises(PreventUpdate):
        press().send(None)


def test_the_cookie_is_for_this_browser_over_tls_alone(place):
    """Its flags keep it from scripts, from other sites and from any wire without TLS."""
    status, _, headers = Visitor(place).sign_in("witness")
    name, _, rest = headers["Set-Cookie"].partition("=")
    flags = {part.strip().lower() for part in rest.split(";")[1:]}

    assert status == 303
    assert headers["Location"] == "/live?run=x"
    assert name == f"__Host-slewtrace-{place.port}"
    assert flags == {"path=/", "httponly", "samesite=strict", "secure"}


def test_signing_in_gives_a_new_session_and_ends_the_old(place):
    """A cookie that was there before, or that somebody put there, is worth nothing afterwards."""
    visitor = fresh(place, "witness", address="127.0.0.2")
    before = visitor.cookie
    visitor.sign_in("engineer")
    old = Visitor(place)
    old.cookie = before
    forged = Visitor(place)
    forged.cookie = visitor.cookie[:-4] + "AAAA"

    assert visitor.cookie != before
    assert visitor.ask("/live")[0] == 200
    assert old.ask("/live")[0] == 303
    assert forged.ask("/live")[0] == 303


def test_signing_out_is_real(place):
    """A copy of the cookie is worth nothing, an open WebSocket ends, and others stay signed in."""
    visitor, other = (fresh(place, "witness", address="127.0.0.2") for _ in range(2))
    thief = Visitor(place)
    thief.cookie = visitor.cookie
    with visitor.line() as line, other.line() as others:
        status, _, headers = visitor.ask("/sign-out", method="POST", body="")
        line.send('{"type": "heartbeat"}')
        with pytest.raises(ConnectionClosed) as closed:
            line.recv(timeout=20)
        others.send('{"type": "heartbeat"}')
        heard = others.recv(timeout=20)

    assert (status, headers["Location"]) == (303, "/sign-in?why=out")
    assert closed.value.rcvd.code == 4401
    assert thief.ask("/live")[0] == 303
    assert "heartbeat_ack" in heard


def test_a_session_ends_by_itself(place):
    """After its idle time, or a working day; asking whether it stands is no use of it."""
    states = []
    idle, busy = (fresh(place, "witness", address="127.0.0.3") for _ in range(2))
    begun_s = place.clock.now_s
    place.clock.now_s += 0.6 * IDLE_S
    busy.ask("/live")
    states.append((idle.ask("/session")[1], busy.ask("/session")[1]))
    place.clock.now_s += 0.6 * IDLE_S
    states.append((idle.ask("/session")[1], busy.ask("/session")[1]))
    idle_status, _ = idle.ask("/live")[0], busy.ask("/live")
    while place.clock.now_s < begun_s + LONGEST_S - IDLE_S:
        place.clock.now_s += 0.5 * IDLE_S
        busy.ask("/live")
    place.clock.now_s = begun_s + LONGEST_S - 1
    last = busy.ask("/live")[0]
    place.clock.now_s = begun_s + LONGEST_S
    ended = busy.ask("/live")[0]
    place.clock.now_s = begun_s  # the others of this module are still signed in

    stands, gone = '{"signed_in":true}', '{"signed_in":false}'
    assert states == [(stands, stands), (gone, stands)]
    assert idle_status == 303
    assert (last, ended) == (200, 303)


def test_a_live_page_that_is_looked_at_stays(place):
    """Each state that a Live page took counts as use of its session; an idle line does not."""
    visitor = fresh(place, "witness", address="127.0.0.3")
    session = [*place.access.sessions._kept.values()][-1]
    begun_s = place.clock.now_s
    ask = {"viewer": "a", "stream": 1, "run": "", "units": "si"}
    stream = next(key for key, name, _ in callbacks_of(place.app) if name == "stream")
    payload = {"output": stream, "inputs": [{"id": "live-ask", "property": "data", "value": ask}]}
    with visitor.line() as line:
        line.send(json.dumps({"type": "heartbeat"}))
        place.clock.now_s += 0.5 * IDLE_S
        line.recv(timeout=20)
        idle = session.used_s
        line.send(json.dumps({"type": "callback_request", "requestId": "1", "payload": payload}))
        for _ in range(2):  # the second question says that the first answer was heard
            question = heard(line, "get_props_request")
            answer = {"type": "get_props_response", "payload": {"data": ask}}
            line.send(json.dumps(answer | {"requestId": question["requestId"]}))
    used_s = session.used_s
    place.clock.now_s = begun_s

    assert idle == begun_s
    assert used_s == begun_s + 0.5 * IDLE_S


def heard(line, kind):
    """The next message of a kind; several may come together."""
    while True:
        said = json.loads(line.recv(timeout=20))
        for message in said if isinstance(said, list) else [said]:
            if message["type"] == kind:
                return message


def test_passwords_can_be_tried_a_few_times_only(place):
    """Then even the right one waits, and says how long; other addresses and sessions go on."""
    allowed = int(FROM_ONE.split()[0])
    visitor = Visitor(place, address="127.0.0.9")
    wrong = [visitor.sign_in("engineer", f"wrong {n}")[0] for n in range(allowed)]
    status, text, headers = visitor.sign_in("engineer")
    elsewhere = Visitor(place, address="127.0.0.10").sign_in("engineer")[0]

    assert wrong == [401] * allowed
    assert status == 429
    assert "Too many tries" in text
    assert 0 < int(headers["Retry-After"]) <= 300
    assert elsewhere == 303
    assert place.told.count("127.0.0.9: wrong password") == allowed
    assert not any("wrong 1" in line for line in place.told)


def test_all_together_try_passwords_a_few_times_only():
    """Guessing from ever more addresses is held up too."""
    allowed = int(BY_ALL.split()[0])
    tries = Tries()
    waits_s = [tries.wait_s(f"203.0.113.{n}") for n in range(allowed)]
    held_up_s = tries.wait_s("198.51.100.1")

    assert waits_s == [0] * allowed
    assert 0 < held_up_s <= 300


@pytest.mark.parametrize(
    "more",
    [{f"field{n}": "x" for n in range(8)}, {"field": "x" * 8192}],
    ids=["fields", "bytes"],
)
def test_a_form_of_no_page_of_ours_signs_nobody_in(place, more):
    """With more fields or bytes than were meant it is as one with nothing in it."""
    visitor = Visitor(place, address="127.0.0.12")
    form = {"name": "engineer", "password": PASSWORDS[Role.ENGINEER], "next": "/live"} | more
    status, text, headers = visitor.ask("/sign-in", method="POST", body=urlencode(form))
    nothing = visitor.ask("/sign-in", method="POST", body="")

    assert (status, text) == nothing[:2]
    assert status == 401
    assert "Set-Cookie" not in headers


def test_only_so_many_sessions_are_kept(monkeypatch):
    """One more ends the one that was used least recently."""
    monkeypatch.setattr(sessions, "_MOST", 3)
    clock = Clock()
    kept = Sessions(clock=clock)
    names = []
    for _ in range(3):
        clock.now_s += 1
        names.append(kept.begin("witness"))
    clock.now_s += 1
    kept.use(kept.find(names[0]))
    names.append(kept.begin("engineer"))

    assert [kept.find(name) is not None for name in names] == [True, False, True, True]


def test_nothing_more_is_heard_of_a_line_whose_session_has_ended():
    """What still comes over its WebSocket is not passed on: it reads as the line's end."""
    kept, sent, heard = Sessions(), [], []
    name = kept.begin("engineer")
    scope = {"type": "websocket", "headers": [(b"origin", b"https://here"), (b"host", b"here")]}
    scope |= {"session": {SESSION_KEY: name}, "scheme": "wss"}

    async def receive():
        return {"type": "websocket.receive", "text": "change something"}

    async def send(message):
        sent.append(message)

    async def behind(_scope, receive, _send):
        heard.append(await receive())
        kept.end(name)
        heard.extend([await receive(), await receive()])

    asyncio.run(Gate(behind, sessions=kept)(scope, receive, send))

    assert [message["type"] for message in heard] == [
        "websocket.receive",
        "websocket.disconnect",
        "websocket.disconnect",
    ]
    assert sent == [{"type": "websocket.close", "code": SIGNED_OUT}]


def test_nobody_learns_which_names_there_are(place):
    """An unknown name gives the same answer, after the same comparison of a hash."""
    compared = []
    accounts = Accounts(
        hashes={Role.ENGINEER: "hash"}, matches=lambda line, _: bool(compared.append(line))
    )
    roles = [accounts.role_of(name, "some words") for name in ("engineer", "witness", "nobody")]
    visitor = Visitor(place, address="127.0.0.11")
    pages = [visitor.sign_in(name, "wrong words") for name in ("witness", "nobody")]
    alike = {
        text.replace(f'value="{n}"', "")
        for (_, text, _), n in zip(pages, ("witness", "nobody"), strict=True)
    }

    assert roles == [None] * 3
    assert compared == ["hash"] * 3
    assert len(alike) == 1
    assert {status for status, _, _ in pages} == {401}


@pytest.mark.parametrize(
    ("wanted", "then"),
    [
        ("/live?run=a%2Fb", "/live?run=a%2Fb"),
        ("//evil.example", "/"),
        ("/\\evil.example", "/"),
        ("/\t/evil.example", "/"),
        ("https://evil.example", "/"),
        ("javascript:alert(1)", "/"),
        ("/sign-out", "/"),
        ("", "/"),
    ],
)
def test_signing_in_leads_to_no_other_site(wanted, then):
    """Only a path of this dashboard is gone on to."""
    assert own_path(wanted) == then


def test_names_and_headers_of_an_opened_dashboard(place, engineer):
    """Only the certificate's names are answered, and browsers are told to keep to TLS."""
    port = place.port
    names = [f"127.0.0.1:{port}", f"yard.test:{port}", f"YARD.test:{port}"]
    foreign = ["yard.test", f"localhost:{port}", f"yard.test.evil.example:{port}"]
    answers = {n: engineer.ask("/session", origin="", Host=n)[0] for n in (*names, *foreign)}
    _, page, headers = engineer.ask("/sign-in?next=%22%3E%3Cscript%3E", Cookie="x=y")

    assert [n for n, status in answers.items() if status == 200] == names
    assert {answers[n] for n in foreign} == {400}
    assert headers["Strict-Transport-Security"] == "max-age=86400"
    assert headers["Cache-Control"] == "no-store"
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert headers["Referrer-Policy"] == "same-origin"
    assert "Server" not in headers
    assert "<script>" not in page.replace('<script src="', "")
    assert "Advisory instrument" in page
    assert 'autocomplete="username"' in page
    assert 'autocomplete="current-password"' in page


def test_a_reverse_proxy_alone_is_believed(tmp_path):
    """What it says of TLS and of who asks counts; from any other address it is not heard."""
    with opened(tmp_path, behind="yard.example") as place:
        said = {"Host": "yard.example", "X_Forwarded_For": "203.0.113.7"}
        proxy, other = Visitor(place), Visitor(place, address="127.0.0.2")
        proxy.site = other.site = "https://yard.example"
        over_tls = proxy.ask("/live", **said, X_Forwarded_Proto="https")
        plain = proxy.ask("/live", **said, X_Forwarded_Proto="http")
        silent = proxy.ask("/live", **said)
        elsewhere = other.ask("/live", **said, X_Forwarded_Proto="https")
        unnamed = proxy.ask(
            "/live", **said | {"Host": f"127.0.0.1:{place.port}"}, X_Forwarded_Proto="https"
        )
        signed = proxy.sign_in("witness", **said, X_Forwarded_Proto="https")

    assert over_tls[0] == 303
    assert signed[0] == 303
    assert [a[0] for a in (plain, silent, elsewhere, unnamed)] == [400] * 4
    assert "https://yard.example" in plain[1]
    assert place.told == ["203.0.113.7: signed in as witness"]


def test_on_one_machine_nobody_signs_in(tmp_path):
    """Without --listen there is no sign-in, nobody's role is shown, and no proxy is believed."""
    listening = listen(0)
    app = make_app(tmp_path)
    with running(app, listening, _config(None)):
        place = type("Place", (), {"port": listening.getsockname()[1], "trust": None})()
        visitor = Visitor(place)
        visitor.site = f"http://127.0.0.1:{place.port}"
        page = visitor.ask("/", X_Forwarded_Proto="https", X_Forwarded_For="203.0.113.7")
        frame = visitor.ask("/_dash-layout")[1]
        added = visitor.ask("/add-run?name=x", method="POST", body=b"no run", origin="")

    assert page[0] == 200
    assert "Strict-Transport-Security" not in page[2]
    assert "Sign out" not in frame
    assert added[0] == 400
    assert "x" in added[1]
    assert "Set-Cookie" not in page[2]


def test_the_passwords_of_these_tests_are_hashed(place):
    """What is kept holds no password."""
    kept = repr(place.access.accounts)

    assert not any(password in kept for password in PASSWORDS.values())
