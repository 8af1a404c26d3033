"""The dashboard's server: who may ask, what it finds, what it does with bad files and names."""

from __future__ import annotations

import http.client
import json
import socket
import time
from contextlib import contextmanager
from dataclasses import replace
from urllib.parse import urlsplit

import pytest
from dash._utils import to_json
from starlette.routing import Mount

from dashboard.app import make_app
from dashboard.figures.units import SI
from dashboard.pages import runs
from dashboard.pages.page import read_query
from dashboard.results import analyse
from dashboard.run_library import RunLibrary
from dashboard.serving import listen
from dashboard.shelf.analyses import failure_words
from logger.errors import RunUnreadable, SourceUnavailable
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.sample_runs import seal_sample
from tests.served import served

LONG = "L" * 150
HOSTILE = f'"<img src=x onerror=alert(1)> \\u202Eright to left {LONG}"'


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two runs, a cut file, a file that is no run, and a journal."""
    made = tmp_path_factory.mktemp("runs")
    run = seal_sample(made, scenario="one-side")
    seal_sample(made, scenario="steady", run_id="hostile", truck=HOSTILE, started_utc=None)
    (made / "cut.parquet").write_bytes(run.path.read_bytes()[:2000])
    (made / "empty.parquet").touch()
    (made / "left.journal").touch()
    return made


@pytest.fixture(scope="module")
def address(folder):
    """A dashboard on that folder."""
    with served(folder) as url:
        yield url


def ask(address, path, *, method="GET", body=None, **headers):
    """One request with headers of our own; status and body."""
    parts = urlsplit(address)
    connection = http.client.HTTPConnection(parts.hostname, parts.port, timeout=20)
    try:
        host = headers.pop("host", parts.netloc)
        connection.putrequest(method, path, skip_host=True)
        connection.putheader("Host", host)
        for name, value in headers.items():
            connection.putheader(name, value)
        if body is not None:
            connection.putheader("Content-Type", "application/json")
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        response = connection.getresponse()
        return response.status, response.read(), response.headers
    finally:
        connection.close()


def routes_of(app):
    """Every route of an application, with example values for what varies in it."""
    for route in app.server.routes:
        path = route.path
        if isinstance(route, Mount):
            path += "/slewtrace.css"
        yield (
            path.replace("{path:path}", "x")
            .replace("{package_name}", "dash")
            .replace("{fingerprinted_path:path}", "x.js"),
            sorted(getattr(route, "methods", None) or {"GET"}),
        )


def test_every_route_refuses_a_foreign_host(folder, address):
    """Whatever the path and method, a request that names another host gets 400 and no data."""
    asked = [(path, m) for path, methods in routes_of(make_app(folder)) for m in methods]
    asked += [("/replay", "GET"), ("/sectors?run=one-side", "GET"), ("/nowhere", "GET")]
    port = urlsplit(address).port
    foreign = f"evil.example:{port}"
    answers = {(p, m): ask(address, p or "/", method=m, host=foreign)[0] for p, m in asked}

    assert len(answers) >= 10
    assert set(answers.values()) == {400}


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost", "LOCALHOST", "[::1]"])
def test_this_machine_is_answered_by_any_of_its_names(address, name):
    """The names of this machine, with the served port, are let in."""
    status, body, _ = ask(address, "/", host=f"{name}:{urlsplit(address).port}")

    assert status == 200
    assert b"Slewtrace" in body


@pytest.mark.parametrize(
    "host",
    [
        "127.0.0.1",
        "localhost",
        "127.0.0.1:1",
        "127.0.0.1.evil.example:{port}",
        "",
        "localhost:{port}@evil",
    ],
)
def test_a_near_miss_of_the_host_is_refused(address, host):
    """Another port, a longer name or none at all is not this server."""
    status, _, _ = ask(address, "/", host=host.format(port=urlsplit(address).port))

    assert status == 400


def test_two_host_headers_are_refused(address):
    """A request that names two hosts is not settled by choosing one."""
    parts = urlsplit(address)
    with socket.create_connection((parts.hostname, parts.port), timeout=10) as connection:
        connection.sendall(
            f"GET / HTTP/1.1\r\nHost: {parts.netloc}\r\nHost: evil.example\r\n"
            "Connection: close\r\n\r\n".encode()
        )
        answer = connection.recv(1000)

    assert answer.startswith(b"HTTP/1.1 400")


def test_another_site_may_not_call_back(address):
    """A page of another site in this browser can't ask for data, even with the right host."""
    body = json.dumps({"output": "x", "inputs": []}).encode()
    status, _, _ = ask(
        address,
        "/_dash-update-component",
        method="POST",
        body=body,
        Origin="http://evil.example",
    )

    assert status == 400


def test_a_foreign_websocket_is_refused(address):
    """The host rule holds for websockets too."""
    parts = urlsplit(address)
    with socket.create_connection((parts.hostname, parts.port), timeout=10) as connection:
        connection.sendall(
            b"GET /_dash-ws-callback HTTP/1.1\r\nHost: evil.example\r\nUpgrade: websocket\r\n"
            b"Connection: Upgrade\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
            b"Sec-WebSocket-Version: 13\r\n\r\n"
        )
        answer = connection.recv(1000)

    assert answer.startswith(b"HTTP/1.1 403")


def test_pages_may_load_nothing_from_elsewhere(address):
    """The content security policy names this server only, and pages name no other."""
    _, body, headers = ask(address, "/sectors?run=one-side")
    policy = headers["content-security-policy"]

    assert "default-src 'self'" in policy
    assert "http" not in policy
    assert "unsafe-eval" not in policy
    assert b'src="http' not in body
    assert b'href="http' not in body


def test_there_are_no_pages_that_describe_the_interface(folder):
    """The framework's own pages load scripts from elsewhere, so they are left out."""
    paths = {path for path, _ in routes_of(make_app(folder))}

    assert not paths & {"/docs", "/redoc", "/openapi.json"}


def page(address, pathname, search=""):
    """What the router shows for an address, as JSON text."""
    _, dependencies, _ = ask(address, "/_dash-dependencies")
    spec = next(d for d in json.loads(dependencies) if "page.children" in d["output"])
    body = json.dumps(
        {
            "output": spec["output"],
            "outputs": [
                {"id": "page", "property": "children"},
                {"id": "links", "property": "children"},
            ],
            "inputs": [
                {"id": "url", "property": "pathname", "value": pathname},
                {"id": "url", "property": "search", "value": search},
                {"id": "units", "property": "value", "value": "si"},
            ],
            "changedPropIds": ["url.pathname"],
        }
    ).encode()
    status, answer, _ = ask(
        address, "/_dash-update-component", method="POST", body=body, Origin=address
    )

    assert status == 200
    return answer.decode()


@pytest.mark.parametrize(
    "run_id",
    ["../one-side", "%2e%2e%2fone-side", "/etc/passwd", "one-side.parquet", "", "nobody", "\x00"],
)
@pytest.mark.parametrize("path", ["/replay", "/sectors"])
def test_an_id_is_looked_up_and_never_a_path(address, path, run_id):
    """Only ids of runs in the folder open one."""
    shown = page(address, path, f"?run={run_id}")

    assert "There is no such run in this folder." in shown


def test_bad_files_are_listed_with_their_reason(address):
    """A cut file, an empty one and a journal are shown, and the runs beside them too."""
    shown = page(address, "/")

    assert "cut.parquet" in shown
    assert "empty.parquet" in shown
    assert "slewtrace recover" in shown
    assert "left.journal" in shown
    assert "Demo truck A" in shown


def rows_of(shown):
    """The lines of the list, wherever they stand in the page."""
    found = []

    def walk(node):
        if isinstance(node, dict):
            found.extend(node.get("rowData") or [])
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(json.loads(shown))
    return found


def test_hostile_names_are_text(address):
    """Markup in a truck's name goes to the list as it is written; code is allowed nowhere."""
    shown = page(address, "/")
    trucks = [row["truck"] for row in rows_of(shown)]

    assert any(t.startswith("<img src=x onerror=alert(1)>") and LONG in t for t in trucks)
    assert "dangerously_allow_code" not in shown


@contextmanager
def library_of(folder, analysed=analyse):
    """The library of a folder, all of whose files are read."""
    library = RunLibrary(folder, analyse=analysed)
    deadline = time.monotonic() + 60
    while library.shelf().unread and time.monotonic() < deadline:
        time.sleep(0.05)
    yield library
    library.close()


def list_of(library, search=""):
    """The page with the list, as JSON text."""
    return to_json(runs.PAGE.layout(library, None, read_query(search, units=SI)))


def test_an_empty_folder_says_how_to_get_a_run(tmp_path):
    """The first page of a new user names the commands that make a run."""
    with library_of(tmp_path) as library:
        shown = list_of(library)

    for command in ("slewtrace demo", "slewtrace record", "slewtrace import"):
        assert command in shown


def test_two_applications_keep_their_folders_apart(folder, tmp_path):
    """Nothing about runs or pages is shared between applications of one process."""
    seal_sample(tmp_path, scenario="steady", run_id="other")
    apps = make_app(folder), make_app(tmp_path)
    with library_of(folder) as first, library_of(tmp_path) as second:
        shown = list_of(first), list_of(second)

    assert apps[0].callback_map.keys() == apps[1].callback_map.keys()
    assert "run=one-side" in shown[0]
    assert "run=other" not in shown[0]
    assert "run=other" in shown[1]
    assert "run=one-side" not in shown[1]


def test_a_result_that_fails_does_not_break_the_list(tmp_path):
    """A run that can't be analysed says so in its row."""

    def refuse(run):
        raise RunUnreadable(where=run.path.name, what="has damaged samples")

    seal_sample(tmp_path, scenario="steady")
    library = RunLibrary(tmp_path, analyse=refuse)
    future = library.result(library.shelf().runs[0])

    assert failure_words(future) == "steady.parquet: has damaged samples"
    library.close()


def test_a_copy_under_another_name_is_pointed_out(tmp_path):
    """Two files of one run would make its address ambiguous."""
    run = seal_sample(tmp_path, scenario="steady")
    (tmp_path / "zcopy.parquet").write_bytes(run.path.read_bytes())
    library = RunLibrary(tmp_path, analyse=lambda _: {})
    shelf = library.shelf()

    assert [r.path.name for r in shelf.runs] == ["steady.parquet"]
    assert [u.path.name for u in shelf.unreadable] == ["zcopy.parquet"]
    assert "steady.parquet" in shelf.unreadable[0].reason
    library.close()


def test_a_file_that_changes_is_read_again(tmp_path):
    """The list follows the folder: new files appear, removed ones go."""
    library = RunLibrary(tmp_path, analyse=lambda _: {})
    before = library.shelf()
    run = seal_sample(tmp_path, scenario="steady")
    found = library.find("steady")
    run.path.unlink()

    assert before.runs == ()
    assert found is not None
    assert library.find("steady") is None
    library.close()


def test_readings_are_those_of_the_run(tmp_path):
    """What figures are drawn from is what the run says, load above the cell added."""
    sample = seal_sample(tmp_path, scenario="one-side")
    library = RunLibrary(tmp_path, analyse=lambda _: {})
    run = open_run(sample.path)
    readings = library.readings(library.find(sample.run_id))
    cell = run.calibrated("load")

    assert readings.load.t_ns.tolist() == cell.t_ns.tolist()
    assert readings.load.value[0] - cell.value[0] == pytest.approx(
        run.header.test.load.above_cell_kg
    )
    assert [w.name for w in readings.wheels] == list(run.header.test.truck.wheels)
    for wheel in readings.wheels:
        t_ns, closed = run.contact(f"wheel/{wheel.name}")
        opened = sum(1 for a, b in zip([True, *closed[:-1]], closed, strict=True) if a and not b)
        assert wheel.open_ns.shape[0] == opened
        assert set(wheel.open_ns[:, 0].tolist()) <= set(t_ns.tolist())
    library.close()


def test_the_server_listens_on_this_machine_only():
    """The listening socket is bound to the loopback address."""
    with listen(0) as listening:
        assert listening.getsockname()[0] == "127.0.0.1"


def test_a_taken_port_is_told_in_one_line():
    """A port that something else has is named, with what would do."""
    with listen(0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(SourceUnavailable) as told:
            listen(port)

    assert f"port {port}" in str(told.value)
    assert "--port" in str(told.value)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize("port", [70000, -1])
def test_an_impossible_port_is_told_in_one_line(port):
    """A number that is no port is bad input, not a traceback."""
    with pytest.raises(SourceUnavailable, match=str(port)):
        listen(port)


def test_a_long_list_shows_the_newest_first_and_analyses_all_on_request(tmp_path):
    """All runs are listed, the newest hundred are analysed; the rest are a click away."""
    run = seal_sample(tmp_path, scenario="steady", run_id="r000")
    whole = open_run(run.path)
    blocks = [whole.raw("slew", 0, 1_000_000_000)]
    for number in range(1, 103):
        header = replace(
            whole.header,
            run_id=f"r{number:03}",
            started_utc=f"2026-06-{1 + number // 24:02}T{number % 24:02}:00:00Z",
        )
        write_sealed(tmp_path / f"r{number:03}.parquet", header, blocks)
    result = analyse(whole)
    with library_of(tmp_path, lambda _: result) as library:
        first, everything = list_of(library), list_of(library, "?all=1")

    rows = rows_of(first)

    assert [row["id"] for row in rows] == [f"r{n:03}" for n in range(102, -1, -1)]
    assert [row["id"] for row in rows if row["state"] == "waiting"] == ["r002", "r001", "r000"]
    assert "Analyse 3 older runs too" in first
    assert not [row for row in rows_of(everything) if row["state"] == "waiting"]
