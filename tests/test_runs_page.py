"""The list of runs: what is chosen, what is analysed first, what is added, and the page itself."""

from __future__ import annotations

import asyncio
import io
import json
import os
import threading
import time
import zipfile
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from urllib.parse import parse_qs, urlsplit

import openpyxl
import pytest
from fastapi import FastAPI

from dashboard import run_adding
from dashboard.figures.units import SI, US
from dashboard.pages.runs_choice import Choice, read_choice, trucks_of
from dashboard.pages.runs_rows import row_of
from dashboard.results import analyse
from dashboard.run_adding import add_run_adding
from dashboard.run_library import RunLibrary
from dashboard.shelf import run_shelf
from dashboard.shelf.analyses import awaited
from dashboard.shelf.run_shelf import RunShelf
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.asgi import answer_of
from tests.browsing import HOSTILE, Window, needs_chromium
from tests.sample_runs import seal_sample
from tests.served import served
from tests.test_app import ask, page, rows_of


def copy_of(run, path, *, run_id, seconds=None, started_utc="2026-05-01T09:30:00Z"):
    """A run under another id, cut short where that is asked."""
    end_ns = None if seconds is None else run.span_ns[0] + seconds * 1_000_000_000
    header = replace(run.header, run_id=run_id, started_utc=started_utc)
    write_sealed(path, header, [run.raw(c, None, end_ns) for c in sorted(run.channels)])
    return path


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    """A run to make others of."""
    return open_run(seal_sample(tmp_path_factory.mktemp("source"), scenario="one-side").path)


@pytest.fixture(scope="module")
def folder(tmp_path_factory, source):
    """Three runs, one with a hostile name, a file that is none, and a journal."""
    made = tmp_path_factory.mktemp("runs")
    copy_of(source, made / "one-side.parquet", run_id="one-side")
    copy_of(source, made / "short.parquet", run_id="short", seconds=5, started_utc=None)
    seal_sample(made, scenario="steady", run_id="hostile", truck=HOSTILE)
    (made / "cut.parquet").write_bytes((made / "short.parquet").read_bytes()[:999])
    (made / "left.journal").touch()
    return made


@pytest.fixture(scope="module")
def address(folder):
    """A dashboard on that folder."""
    with served(folder) as url:
        yield url


def done(result):
    """A result that is there."""
    future = Future()
    future.set_result(result)
    return future


def test_a_choice_is_an_address_and_back():
    """What is chosen can be passed on as a link, whatever a truck is called."""
    choice = Choice(truck="A & B ? <i>", verdict="full in part", find="rear left", everything=True)
    asked = {k: v[-1] for k, v in parse_qs(urlsplit(choice.address).query).items()}

    assert read_choice(asked) == choice
    assert Choice().address == "/"
    assert read_choice({"verdict": "excellent"}) == Choice()


def test_lines_are_found_by_words_verdict_and_truck(source):
    """Words in any order and case; a verdict only among those that are known."""
    row = row_of(source, done(analyse(source)), SI)
    waiting = row_of(source, None, SI)

    assert Choice(find="DEMO lifted").rows([row, waiting]) == [row]
    assert Choice(find="demo nothing-of-it").rows([row]) == []
    assert Choice(verdict=row["verdict"]).rows([row, waiting]) == [row]
    assert Choice(truck=source.header.test.truck.id).of_truck([source]) == [source]
    assert Choice(truck="other").of_truck([source]) == []
    assert trucks_of([source, source]) == [source.header.test.truck.id]


def test_a_line_says_what_the_result_says(source):
    """Percentages and first lift of each side; downloads in the units that are read."""
    result = analyse(source)
    row = row_of(source, done(result), US)
    right = [s for s in result["sectors"] if s["side"] == "right" and s["percent"] > 0]

    assert row["right"] == ", ".join(f"{s['percent']} % to {s['to_deg']}°" for s in right)
    assert row["right_more"].startswith("▲ rear left lifted at")
    assert row["left_rank"] > row["right_rank"]
    assert "units=us" in row["export"]
    assert "units=us" in row["sheet"]


def test_a_large_folder_is_listed_as_far_as_patience_goes(tmp_path, source, monkeypatch):
    """What was not opened yet is counted, and a thread goes on until nothing is left."""
    for number in range(6):
        copy_of(source, tmp_path / f"r{number}.parquet", run_id=f"r{number}", seconds=1)
    library = RunLibrary(tmp_path, analyse=lambda _: {})
    first = library.shelf(patience_s=0.0)
    found = library.find("r0")
    deadline = time.monotonic() + 60
    while library.shelf(patience_s=0.0).unread and time.monotonic() < deadline:
        time.sleep(0.02)
    last = library.shelf(patience_s=0.0)
    library.close()

    assert (len(first.runs), first.unread) == (0, 6)
    assert found is not None
    assert (len(last.runs), last.unread) == (6, 0)


def until(true):
    """Waits until something holds."""
    deadline = time.monotonic() + 60
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_a_run_that_is_opened_comes_before_those_of_the_list(tmp_path, source):
    """It waits neither for the one that the list has in hand nor for those that it wants next."""
    for number in range(5):
        copy_of(source, tmp_path / f"r{number}.parquet", run_id=f"r{number}", seconds=1)
    free, order = {f"r{number}": threading.Event() for number in range(5)}, []

    def slow(run):
        order.append(run.header.run_id)
        free[run.header.run_id].wait(60)
        return {}

    library = RunLibrary(tmp_path, analyse=slow)
    runs = sorted(library.shelf().runs, key=lambda r: r.header.run_id)
    in_hand = library.want(runs)
    until(lambda: order)
    opened = [library.result(run) for run in (runs[4], runs[3])]
    until(lambda: len(order) == 2)
    free["r0"].set()
    until(lambda: library.analysed == 1)
    while_opened = list(order)
    for event in free.values():
        event.set()
    until(lambda: library.analysed == 5)
    library.close()

    assert in_hand == [None] * 5
    assert [future.done() for future in opened] == [True, True]
    assert while_opened == ["r0", "r4"]
    assert order == ["r0", "r4", "r3", "r1", "r2"]


def test_who_gives_up_waiting_takes_the_result_from_nobody(tmp_path, source):
    """A request that ends early leaves the analysis it waited for to those who wait too."""
    for name in ("first", "next"):
        copy_of(source, tmp_path / f"{name}.parquet", run_id=name, seconds=1)
    go_on = threading.Event()
    library = RunLibrary(tmp_path, analyse=lambda run: go_on.wait(60) and {"of": run.path.stem})
    futures = [library.result(library.find(name)) for name in ("first", "next")]

    async def give_up():
        waiting = asyncio.create_task(awaited(futures[1]))
        await asyncio.sleep(0)
        waiting.cancel()
        await asyncio.wait([waiting])

    asyncio.run(give_up())
    go_on.set()

    assert futures[1].result(60) == {"of": "next"}
    library.close()


def test_the_file_called_as_the_id_is_opened_first(tmp_path, source, monkeypatch):
    """A run of a large folder is found without opening the rest; an empty id opens nothing."""
    copy_of(source, tmp_path / "wanted.parquet", run_id="wanted", seconds=1)
    os.utime(tmp_path / "wanted.parquet", (1, 1))
    opened = made_folder(tmp_path, monkeypatch, 50)
    shelf = RunShelf(tmp_path, path_of=lambda _: None)
    monkeypatch.setattr(shelf, "_open_the_rest", lambda: None)
    nobody = shelf.find(""), list(opened)
    found = shelf.find("wanted")

    assert nobody == (None, [])
    assert found.header.run_id == "wanted"
    assert opened[0] == "wanted"
    assert len(opened) <= 20
    shelf.close()


def test_an_unknown_id_does_not_open_every_file_for_each_who_asks(tmp_path, monkeypatch):
    """One thread opens the files of a large folder; whoever asks waits for it."""
    opened = made_folder(tmp_path, monkeypatch, 200)
    shelf = RunShelf(tmp_path, path_of=lambda _: None)
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(shelf.find, ["nobody"] * 4))
    at_once = len(opened)
    again = shelf.find("nobody")
    shelf.close()

    assert found == [None] * 4
    assert again is None
    assert set(opened) == {f"r{number}" for number in range(200)}
    assert at_once <= 200 + 4 * 20, "each that asked opened more than the newest"
    assert len(opened) == at_once


def made_folder(folder, monkeypatch, count):
    """Fills a folder with files that take a moment to open; the names of those that are opened."""
    for number in range(count):
        (folder / f"r{number}.parquet").touch()
    opened, real = [], run_shelf._open

    def slow(path):
        opened.append(path.stem)
        time.sleep(0.002)
        return real(path)

    monkeypatch.setattr(run_shelf, "_open", slow)
    monkeypatch.setattr(run_shelf, "_PATIENCE_S", 1e-6)
    return opened


def test_a_download_is_the_export(folder, address):
    """A workbook with the run in it; CSV as an archive of two; mistakes in one line."""
    status, body, headers = ask(address, "/export?run=short&format=xlsx&every=0.5+s&units=us")
    packed = ask(address, "/export?run=short&format=csv&channels=load")[1]
    wrong = [
        ask(address, f"/export?{words}")[:2]
        for words in ("run=nobody&format=csv", "run=short", "run=short&format=csv&every=no")
    ]
    names = [r[0].value for r in openpyxl.load_workbook(io.BytesIO(body))["run"].iter_rows()]

    assert status == 200
    assert 'filename="short.xlsx"' in headers["content-disposition"]
    assert "sha256 of the recording" in names
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert archive.namelist() == ["short.csv", "short.about.json"]
        assert archive.read("short.csv").startswith(b"channel,t_s,utc,local,value,unit,raw\nload,")
    assert [status for status, _ in wrong] == [404, 400, 400]
    assert all(text.count(b"\n") == 1 for _, text in wrong)


def add(address, name, content, **headers):
    """Sends a file to be added; status and the words."""
    origin = {"Origin": address} | headers
    status, body, _ = ask(address, f"/add-run?name={name}", method="POST", body=content, **origin)
    return status, body.decode()


def test_a_sealed_run_is_kept_and_nothing_else(tmp_path, source):
    """Checked bit for bit, under a free name, never over another; what fails leaves nothing."""
    good = copy_of(source, tmp_path / "a.parquet", run_id="one", seconds=2).read_bytes()
    other = copy_of(source, tmp_path / "b.parquet", run_id="two", seconds=2).read_bytes()
    bad = bytearray(good)
    bad[300] ^= 1
    folder = tmp_path / "folder"
    folder.mkdir()
    with served(folder) as address:
        first = add(address, "..%2F..%2Fmy+run.parquet", good)
        again = add(address, "my+run.parquet", good)
        second = add(address, "my_run.parquet", other)
        flipped = add(address, "flipped.parquet", bytes(bad))
        text = add(address, "notes.txt", b"hello")
        foreign = add(address, "x.parquet", other, Origin="http://evil.example")
        listed = rows_of(page(address, "/"))

    assert first[0] == second[0] == 200
    assert "as sealed" in first[1]
    assert again[0] == 400
    assert "is here already as my_run.parquet" in again[1]
    assert flipped[0] == text[0] == foreign[0] == 400
    assert json.loads(flipped[1])["text"].startswith("flipped.parquet: ")
    assert sorted(p.name for p in folder.iterdir()) == ["my_run-2.parquet", "my_run.parquet"]
    assert (folder / "my_run.parquet").read_bytes() == good
    assert {row["id"] for row in listed} == {"one", "two"}


def test_more_than_any_run_is_not_taken_in(tmp_path, source, monkeypatch):
    """A sealed run that is larger than the limit is refused in one line, and nothing is left."""
    sealed = copy_of(source, tmp_path / "large.parquet", run_id="large", seconds=2).read_bytes()
    folder = tmp_path / "folder"
    folder.mkdir()
    library, server = RunLibrary(folder, analyse=lambda _: {}), FastAPI()
    add_run_adding(server, library)
    monkeypatch.setattr(run_adding, "LARGEST_BYTES", len(sealed) - 1)
    sent = iter([sealed[:-1], sealed[-1:], b"more"])
    status, told = asyncio.run(
        answer_of(server, "/add-run", "name=large.parquet", method="POST", chunks=sent)
    )
    library.close()

    assert status == 400
    assert json.loads(told)["text"].startswith("large.parquet: is larger than ")
    assert list(sent) == [b"more"]
    assert list(folder.iterdir()) == []


@pytest.fixture
def window(browser):
    """A page of Chromium that keeps what the browser complained of."""
    opened = Window(browser, viewport={"width": 1280, "height": 900})
    opened.page.complaints = opened.complaints
    yield opened.page
    opened.close()


def pick(window, path, kind):
    """Picks a file to be added; what is said of it."""
    with window.expect_file_chooser() as chooser:
        window.click("#runs-add")
    chooser.value.set_files([str(path)])
    window.wait_for_selector(f"#runs-added[data-kind={kind}]")
    return window.inner_text("#runs-added")


@pytest.mark.browser
@needs_chromium[1]
def test_the_page_sorts_finds_takes_a_run_and_opens_one(folder, address, source, window, tmp_path):
    """In Chromium: the address follows, cards on a phone, the keyboard; nothing else is said."""
    given = copy_of(source, tmp_path / "given.parquet", run_id="given", seconds=5)
    window.goto(address + "/")
    window.wait_for_selector("#runs-grid .ag-row")
    window.wait_for_selector("#runs-status progress", state="detached")
    window.click("#runs-grid .ag-header-cell[col-id=findings_rank]")
    header = window.locator("#runs-grid .ag-header-cell[col-id=findings_rank]")
    name = window.inner_text("#runs-grid .ag-row[row-id=hostile] bdi.name")
    names = window.locator("#runs-grid .ag-row[row-id=hostile] .run-names")
    mark = window.locator("#runs-grid .ag-row[row-id=hostile] .ag-checkbox-input").bounding_box()

    assert header.get_attribute("aria-sort") == "descending"
    assert rows_shown(window)[0] == "short"
    assert name.startswith("<img src=x onerror=alert(1)>")
    assert "\u202e" not in name, "a name is not read reversed"
    assert names.locator(".second").inner_text().startswith("hostile, test ")
    assert "\nrun hostile\ntest " in names.get_attribute("title")
    assert min(mark["width"], mark["height"]) >= 44
    window.fill("#runs-find", "hostile")
    window.wait_for_function("() => location.search === '?find=hostile'")
    window.wait_for_selector("#runs-status >> text=1 of 3")
    assert rows_shown(window) == ["hostile"]
    window.fill("#runs-find", "")
    assert "cut.parquet: " in pick(window, folder / "cut.parquet", "refused")
    assert "as sealed" in pick(window, given, "taken")
    window.wait_for_selector("#runs-grid .ag-row[row-id=given]")
    window.set_viewport_size({"width": 390, "height": 844})
    window.wait_for_selector(".run-card >> nth=3")
    assert window.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    assert "\u202e" not in window.inner_text(".cards")
    window.set_viewport_size({"width": 1280, "height": 900})
    window.wait_for_selector("#runs-grid .ag-row[row-id=one-side]")
    window.locator("#runs-grid .ag-row[row-id=one-side] [col-id=start]").focus()
    window.keyboard.press("Enter")
    window.wait_for_selector("#sectors")
    window.evaluate("slewtraceAddress.keep('/?find=late')")
    assert "run=one-side" in window.url, "what the list said late took the address of the run"
    refusals = [text for text in window.complaints if "400 (Bad Request)" in text]
    assert window.complaints == refusals
    assert len(refusals) == 1


def rows_shown(window):
    """Ids of the grid's lines, from top to bottom."""
    rows = window.locator("#runs-grid .ag-row").evaluate_all(
        "rows => rows.map(r => [Number(r.getAttribute('row-index')), r.getAttribute('row-id')])"
    )
    return [name for _, name in sorted(rows)]
