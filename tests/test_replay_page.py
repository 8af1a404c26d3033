"""The replay page in a real Chromium: keys, pin, bookmarks, notes, another run, axis, links."""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.later_notes import read_later_notes
from dashboard.results import analyse
from logger.recording.run import open_run
from tests.browsing import HOSTILE, Screen, needs_chromium, number, reading
from tests.sample_runs import seal_sample
from tests.served import served

pytest.importorskip("playwright.sync_api")
pytestmark = needs_chromium
SHOWN = "() => Number(document.querySelector('#replay').dataset.shown)"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two runs with lifts on both sides, one of them of a truck with a hostile name."""
    made = tmp_path_factory.mktemp("runs")
    seal_sample(made, scenario="both-sides")
    seal_sample(made, scenario="both-sides", run_id="again", seed=7, truck=HOSTILE)
    return made


@pytest.fixture(scope="module")
def run(folder):
    """The first."""
    return open_run(folder / "both-sides.parquet")


@pytest.fixture(scope="module")
def results(folder, run):
    """Their results."""
    return analyse(run), analyse(open_run(folder / "again.parquet"))


@pytest.fixture(scope="module")
def address(folder):
    """A dashboard on them."""
    with served(folder) as url:
        yield url


@pytest.fixture
def screen(browser, address):
    """A window on the dashboard."""
    window = Screen(browser, address, viewport={"width": 1280, "height": 800})
    yield window
    window.close()

    assert window.complaints == []


def shown(page, key, wanted):
    """Presses a key and waits for a moment, s."""
    page.keyboard.press(key)
    page.wait_for_function(f"t => Math.abs(({SHOWN})() - t) < 1e-6", arg=wanted)


def type_time(page, words):
    """Types a time as the list of keys says."""
    page.keyboard.press("t")
    page.keyboard.type(words)
    page.keyboard.press("Enter")


def test_keys_move_by_readings_seconds_and_events_and_can_be_switched_off(screen, run, results):
    """Every step lands where the list of keys says, also after a click on a button."""
    page = screen.open("/replay?run=both-sides&t=100")
    page.wait_for_selector("#replay[data-result]")
    screen.goes_to(100)
    every = np.unique(np.concatenate([run.raw(c).t_ns for c in run.channels])) / 1e9
    after = every[every > 100]
    shown(page, "ArrowRight", after[0])
    shown(page, "ArrowRight", after[1])
    shown(page, "ArrowLeft", after[0])
    shown(page, "Shift+ArrowRight", after[0] + 1)
    shown(page, "PageDown", after[0] + 11)
    shown(page, "Shift+PageDown", after[0] + 71)
    shown(page, "Shift+PageUp", after[0] + 11)
    shown(page, "Home", every[0])
    assert screen.text("#replay-end") == "Start of the run"
    page.click("#speed >> text='2×'")
    shown(page, "End", every[-1])
    assert screen.text("#replay-end") == "End of the run"
    type_time(page, "75.5")
    screen.goes_to(75.5)
    type_time(page, "1:20,25")
    screen.goes_to(80.25)
    type_time(page, "soon")
    assert "minutes and seconds" in page.evaluate("document.activeElement.validationMessage")
    page.keyboard.press("Escape")
    assert page.input_value("#go-to") == "80.25"
    type_time(page, "75.5")
    shown(page, "n", results[0]["sweeps"][0]["first_lift"]["t_s"])

    page.keyboard.press("?")
    listed = page.inner_text("#keys")
    page.click("#keys-on")
    page.click("#keys >> text=Close")
    before = screen.shown_s()
    page.keyboard.press("End")
    page.wait_for_timeout(300)
    assert all(w in listed for w in ("One reading on", "10 s back", "Next event", "Type in a time"))
    assert screen.shown_s() == before
    page.click("#show-keys")
    assert page.is_visible("#keys")


@pytest.mark.parametrize("then", ["another run", "a while"])
def test_a_step_whose_answer_was_lost_can_be_made_again(screen, folder, then):
    """One reading on at the same time asks anew: in another run at once, in this one soon."""
    name = "again" if then == "another run" else "both-sides"
    run = open_run(folder / f"{name}.parquet")
    every = np.unique(np.concatenate([run.raw(c).t_ns for c in run.channels])) / 1e9
    page = screen.open("/replay?run=both-sides&t=100")
    page.wait_for_selector("#replay[data-result]")
    screen.goes_to(100)
    page.evaluate(
        "() => { const replay = slewtraceReplay, take = replay.tookTimes, now = performance.now();"
        " performance.now = () => now;"
        " replay.tookTimes = (told) => { replay.lost = told; replay.tookTimes = take; }; }"
    )
    page.keyboard.press("ArrowRight")
    page.wait_for_function("() => slewtraceReplay.lost")
    if then == "another run":
        page.evaluate("dash_clientside.set_props('url', { search: '?run=again&t=100' })")
        page.wait_for_selector("#replay[data-run=again][data-result]")
        screen.goes_to(100)
    else:
        page.evaluate("{ const now = performance.now() + 10_000; performance.now = () => now; }")

    assert screen.shown_s() == 100
    shown(page, "ArrowRight", every[every > 100][0])


def test_a_link_holds_time_range_pin_other_run_and_bookmarks(screen, run, results):
    """What a link names is there: differences by the readings, bookmarks, the run laid over."""
    lift, other = (r["sweeps"][0]["first_lift"]["t_s"] for r in results)
    page = screen.open(
        "/replay?run=both-sides&t=80&from=60&to=120&pin=70&with=again&by=lift-right"
        "&marks=75~%3Cb%3Egust,90"
    )
    page.wait_for_function(
        "() => { const g = document.querySelector('#traces .js-plotly-plot');"
        " return g._fullData.find((d) => d.name === 'other load').x.length > 100; }"
    )
    page.click("[role=tab]:has-text('Pin')")
    page.wait_for_function(
        "() => /\\d/.test(document.querySelector('#pin-table tr:nth-child(3) td:last-child')"
        ".innerText)"
    )
    load = page.locator("#pin-table tbody tr").nth(2).locator("td").all_inner_texts()
    words = page.inner_text("#overlay-words")
    low, high = page.evaluate(
        "document.querySelector('#traces .js-plotly-plot')._fullLayout.xaxis.range"
    )
    above = run.header.test.load.above_cell_kg
    pinned, now = (reading(run, "load", t) + above for t in (70, 80))
    between = run.calibrated("load", 70_000_000_000, 80_000_000_001).value + above

    assert (low, high) == (60, 120)
    assert [number(text.lstrip("+")) for text in load] == pytest.approx(
        [pinned, now, now - pinned, between.min(), between.max(), between.mean()], abs=0.051
    )
    minutes = f"{int(lift // 60)}:{lift % 60:04.1f}"
    assert f"lies at {minutes} of this run" in words
    assert abs(other - lift) < 30
    page.click("[role=tab]:has-text('Bookmarks')")
    assert page.locator(".mark-row").count() == 2
    assert page.locator(".mark-row input").first.input_value() == "<b>gust"
    page.click("#mark-here")
    page.click(".mark-row >> nth=0 >> text=Remove")
    page.reload()
    page.wait_for_selector("#replay[data-run]")
    page.click("[role=tab]:has-text('Bookmarks')")
    assert page.locator(".mark-row .when").all_inner_texts() == ["1:20.0", "1:30.0"]
    assert "pin=70" in page.url
    assert "with=again" in page.url


def test_the_axis_by_angle_leads_to_moments_and_notes_are_kept(screen, folder, results):
    """A click on a sweep goes to its time; a note that is added lies beside the run, dated."""
    page = screen.open("/replay?run=both-sides&axis=angle&with=again")
    page.wait_for_selector("#angles .main-svg")
    names = page.evaluate(
        "document.querySelector('#angles .js-plotly-plot')._fullData.map((d) => d.name)"
    )
    t_s = page.evaluate(
        """() => { const g = document.querySelector('#angles .js-plotly-plot');
            const d = g._fullData.find((d) => d.name === 'right load'), i = 40;
            g.emit('plotly_click', { points: [{ customdata: d.customdata[i] }], event: {} });
            return d.customdata[i]; }"""
    )
    screen.goes_to(t_s)
    page.click("[role=tab]:has-text('Notes')")
    page.fill("#note-text", "<b>gust</b>")
    page.fill("#note-by", "A. Tester")
    page.wait_for_timeout(400)
    page.click("#note-add")
    page.wait_for_selector("#notes >> text=A. Tester")
    (note,) = read_later_notes(folder / "both-sides.parquet")

    assert {"right load", "left moment", "other right radius"} <= set(names)
    assert (note.text, note.t_s) == ("<b>gust</b>", pytest.approx(t_s, abs=1e-6))
    assert page.locator("#notes b").count() == 0
    page.click("[role=tab]:has-text('Table')")
    assert "<b>gust" not in page.inner_text("#moments-table")
    assert results[0]["sweeps"][0]["first_lift"]["wheel"].replace("_", " ") in page.inner_text(
        "#moments-table"
    )
