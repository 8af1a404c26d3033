"""What pages ask for holds up nobody else: neither the server's loop nor its few threads."""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from fastapi import FastAPI

from dashboard.app import make_app
from dashboard.pages.compare_choice import Comparison
from dashboard.pages.compared import LookedThrough
from dashboard.pages.replay_window import add_replay_window
from dashboard.run_library import RunLibrary
from dashboard.serving import _config, listen
from dashboard.sheet_download import add_sheet_download
from logger.errors import RunUnreadable
from tests.asgi import answer_of
from tests.opened import Visitor, running
from tests.sample_runs import seal_sample

PATIENCE_S = 20
SCREEN = ("screen", "data", {"scheme": "light", "narrow": False})
ASKED = {"run": "steady", "units": "si", "t_s": None}
WHAT_IF = ("rule", "sectors", "moment_factor", "angle_step_deg", "percent_step")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """One run."""
    made = tmp_path_factory.mktemp("runs")
    seal_sample(made, scenario="steady")
    return made


@pytest.fixture(scope="module")
def visitor(folder):
    """Somebody at a dashboard that a thread of this process serves."""
    listening = listen(0)
    app = make_app(folder)
    with running(app, listening, _config(None)):
        place = type("Place", (), {"port": listening.getsockname()[1], "trust": None})()
        asking = Visitor(place)
        asking.site = f"http://127.0.0.1:{place.port}"
        asking.app = app
        yield asking


@pytest.fixture
def looked_up_in(monkeypatch):
    """Names of the threads in which runs were looked up by their ids."""
    found_in, find = [], RunLibrary.find

    def told(library, run_id):
        found_in.append(threading.current_thread().name)
        return find(library, run_id)

    monkeypatch.setattr(RunLibrary, "find", told)
    return found_in


@pytest.mark.parametrize("path", ["/replay/window?run=steady&from=1&to=2&with=x", "/sheet?run=x"])
def test_an_address_looks_its_run_up_beside_the_loop(visitor, looked_up_in, path):
    """A large folder takes seconds to look through, in which every other page would wait."""
    status, _, _ = visitor.ask(path)

    assert status == (200 if "window" in path else 404)
    assert looked_up_in
    assert "dashboard" not in looked_up_in


@pytest.mark.parametrize(
    ("key", "inputs", "state"),
    [
        ("..plan-frame.children", [("replay-run", "data", ASKED), SCREEN], []),
        (
            "..moments.children",
            [("replay-copy", "data", {"run": "steady"}), ("replay-noted", "data", None)],
            [("replay-run", "data", ASKED), SCREEN],
        ),
        (
            "..angles-frame.children",
            [("replay-axis", "value", "angle"), ("overlay-run", "value", "steady"), SCREEN],
            [("replay-run", "data", ASKED)],
        ),
        (
            "..compare-decided.data",
            [("aside-out", "n_clicks", 1), ("aside-in", "n_clicks", None)],
            [
                ("aside-run", "value", "steady"),
                ("aside-reason", "value", ""),
                ("aside-by", "value", ""),
                ("compare-decided", "data", 0),
            ],
        ),
        (
            "what-if-frame.children",
            [*((f"what-if-{key}", "value", None) for key in WHAT_IF), SCREEN],
            [("sectors-run", "data", "steady")],
        ),
    ],
)
def test_a_callback_looks_its_run_up_beside_the_loop(visitor, looked_up_in, key, inputs, state):
    """As an address does."""
    (callback,) = (k for k in visitor.app.callback_map if k.startswith(key))
    status, _, _ = visitor.call(callback, inputs, state)

    assert status == 200
    assert looked_up_in
    assert "dashboard" not in looked_up_in


def test_a_window_of_no_run_is_told(folder):
    """An empty id is nobody: no run, and nothing to lay over one."""
    library, server = RunLibrary(folder, analyse=lambda _: {}), FastAPI()
    add_replay_window(server, library)
    stretch = "from=1&to=2"
    status = [
        asyncio.run(answer_of(server, "/replay/window", words))[0]
        for words in (stretch, f"run=&{stretch}", f"run=nobody&{stretch}", f"run=steady&{stretch}")
    ]
    library.close()

    assert status == [404, 404, 404, 200]


def test_no_thread_waits_for_an_analysis(folder):
    """While six sheets and six comparisons wait, the few threads of the loop serve other pages."""
    begun, go_on = threading.Event(), threading.Event()

    def analyse(_):
        begun.set()
        go_on.wait(PATIENCE_S)
        raise RunUnreadable(where="steady", what="was not what this is about")

    library, server = RunLibrary(folder, analyse=analyse), FastAPI()
    add_sheet_download(server, library)
    looked = LookedThrough(library)

    async def ask():
        asyncio.get_running_loop().set_default_executor(ThreadPoolExecutor(2))
        asked = [answer_of(server, "/sheet", "run=steady") for _ in range(6)]
        compared = [looked.wait_for(Comparison(runs=("steady", "nobody"))) for _ in range(6)]
        waiting = [asyncio.create_task(a) for a in (*asked, *compared)]
        try:
            await asyncio.to_thread(begun.wait, PATIENCE_S)
            for _ in range(3):
                await asyncio.wait_for(asyncio.to_thread(threading.get_ident), PATIENCE_S / 4)
            done = [task.done() for task in waiting]
        finally:
            go_on.set()
        return done, await asyncio.gather(*waiting)

    done, answers = asyncio.run(ask())
    library.close()

    assert not any(done)
    assert [status for status, _ in answers[:6]] == [409] * 6
    assert all(b"was not what this is about" in body for _, body in answers[:6])
    assert answers[6:] == [None] * 6
