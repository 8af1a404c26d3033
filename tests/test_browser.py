"""The dashboard in a real Chromium: every page opens, scrubs, and shows the right numbers."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import pytest

from dashboard.results import analyse
from logger.readings.quantity import STANDARD_GRAVITY_MPS2
from logger.recording.run import open_run
from logger.recording.sealed import write_sealed
from tests.browsing import HOSTILE, Screen, needs_chromium, number, reading
from tests.sample_runs import seal_sample
from tests.served import served

pytest.importorskip("playwright.sync_api")

pytestmark = needs_chromium


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Three runs, one with a hostile name, and a file that is none."""
    made = tmp_path_factory.mktemp("runs")
    seal_sample(made, scenario="both-sides")
    seal_sample(made, scenario="steady", started_utc="2026-05-03T09:30:00Z")
    seal_sample(made, scenario="one-side", run_id="hostile", truck=HOSTILE, started_utc=None)
    (made / "cut.parquet").write_bytes((made / "steady.parquet").read_bytes()[:999])
    return made


@pytest.fixture(scope="module")
def address(folder):
    """A dashboard on that folder."""
    with served(folder) as url:
        yield url


@pytest.fixture
def screen(browser, address):
    """A window; on leaving it, nothing may have gone out and nothing may have gone wrong."""
    window = Screen(browser, address, viewport={"width": 1280, "height": 800})
    yield window
    window.close()
    elsewhere = [
        u
        for u in window.requests
        if urlsplit(u).netloc != urlsplit(address).netloc
        and urlsplit(u).scheme not in ("data", "blob")
    ]

    assert window.requests
    assert elsewhere == []
    assert window.complaints == []


@pytest.fixture(scope="module")
def run(folder):
    """The run with lifts on both sides."""
    return open_run(folder / "both-sides.parquet")


@pytest.fixture(scope="module")
def result(run):
    """Its result."""
    return analyse(run)


def test_runs_are_listed_and_lead_to_their_sectors(screen, result):
    """The list shows what came out of each run, and a row opens it."""
    page = screen.open("/")
    page.wait_for_selector("#runs-grid .ag-row")
    page.wait_for_selector("text=analysing", state="detached")
    rows = page.locator("#runs-grid .ag-row")
    row = page.locator("#runs-grid .ag-row", has_text="demo-both-sides")
    right = [s for s in result["sectors"] if s["side"] == "right" and s["basis"] != "untested"]

    assert rows.count() == 3
    for sector in right:
        assert f"{sector['percent']:g} % to {sector['to_deg']:g}°" in row.inner_text()
    assert "rear left lifted" in row.inner_text()
    assert "cut.parquet" in page.inner_text("#page")
    row.click()
    page.wait_for_selector("#sectors .main-svg")
    assert "run=both-sides" in page.url


def test_sectors_show_the_result_in_figure_and_table(screen, result):
    """Every percentage, basis and bound of the result can be read, in the figure and beside it."""
    page = screen.open("/sectors?run=both-sides")
    figure = page.locator("#sectors .infolayer").text_content()
    table = page.locator("table.plain").inner_text()
    lift = result["sweeps"][0]["first_lift"]

    for sector in result["sectors"]:
        words = "no lifting" if sector["basis"] == "untested" else f"{sector['percent']:g} %"
        assert words in figure
        assert words in table
        assert sector["basis"] in figure
        if sector["from_deg"]:
            assert f"{sector['from_deg']:g}°" in figure
    assert f"rear left at {lift['estimate_deg']:.1f}° right" in page.inner_text(".sweeps")
    assert "no safety function" in page.inner_text("footer.safety")


def test_a_first_lift_leads_to_its_moment(screen, result):
    """The link beside a first lift opens the replay at that moment, with the wheel lifted."""
    page = screen.open("/sectors?run=both-sides")
    lift = result["sweeps"][0]["first_lift"]
    page.locator(".of-side dd", has_text="rear left at").locator("a").click()
    page.wait_for_selector("#replay[data-run]")
    screen.goes_to(lift["t_s"])

    # The reading of the moment comes after the one of its pixel.
    screen.page.wait_for_function(
        "words => document.getElementById('readout-slew').textContent === words",
        arg=f"{lift['slew_deg']:.1f}° right",
    )

    assert "lifted: rear left" in screen.text("#plan-words")


def test_a_result_is_told_in_order_of_weight(screen, result):
    """The verdict comes first; headings step down one at a time; every part has its own."""
    page = screen.open("/sectors?run=both-sides")
    page.wait_for_selector("#capacity-frame .main-svg")
    headings = page.evaluate(
        """[...document.querySelectorAll("main h1, main h2, main h3, main h4")]
            .map((h) => [Number(h.tagName[1]), h.innerText])"""
    )
    levels = [level for level, _ in headings]
    chapters = [words for level, words in headings if level == 2]

    assert levels[:2] == [1, 2]
    assert all(after - before <= 1 for before, after in pairwise(levels))
    wanted = ["Sectors", "First lifts", "Proof", "Findings", "Truck model", "Uncertainty", "Sweeps"]
    assert result["verdict"]["standing"] in chapters[0].lower()
    assert [w for c in chapters[1:] for w in wanted if c.startswith(w)] == wanted
    assert result["verdict"]["text"] in page.inner_text("#verdict")
    assert "computed, not proved" in page.inner_text("#truck-model h2")
    for caution in result["cautions"]:
        assert caution in page.inner_text("#verdict")
    low, high = result["sweeps"][0]["first_lift"]["interval_deg"]
    assert f"95 %: {low:.1f}° to {high:.1f}°" in page.inner_text(".of-side")


def test_budgets_and_reasons_open_by_the_keyboard(screen, result):
    """Enter on a summary opens its table, whose rows are those of the result, greatest first."""
    page = screen.open("/sectors?run=both-sides")
    page.locator(".why summary").first.focus()
    page.keyboard.press("Enter")
    page.locator(".budgets summary").first.focus()
    page.keyboard.press("Enter")
    rows = page.locator(".budgets details[open] tbody tr").all_inner_texts()
    parts = result["sweeps"][0]["first_lift"]["budget"]["contributions"]

    assert result["why"][0]["text"] in page.inner_text(".why[open]")
    assert page.locator(".budgets details[open]").count() == 1
    assert len(rows) == len(parts)
    for row, part in zip(rows, sorted(parts, key=lambda c: -c["share"]), strict=True):
        assert row.startswith(part["name"])
        assert f"{100 * part['share']:.1f} %" in row


def test_numbers_are_the_readings_of_the_moment(screen, run, result):
    """Slew, load, radius and moment at rest are those of the recording, to the last digit shown."""
    for t_s in (60.0, 80.3, 300.0):
        screen.open(f"/replay?run=both-sides&t={t_s}")
        screen.goes_to(t_s)
        expect_readings_of(screen, run, result, t_s)


def expect_readings_of(screen, run, result, t_s):
    """The numbers beside the plan, at rest."""
    page = screen.page
    slew, radius = reading(run, "slew", t_s), reading(run, "radius", t_s)
    load = reading(run, "load", t_s) + run.header.test.load.above_cell_kg
    moment = load * STANDARD_GRAVITY_MPS2 * radius
    page.wait_for_function(
        "text => document.querySelector('#readout-slew').textContent === text",
        arg=f"{abs(slew):.1f}° {'right' if slew > 0 else 'left'}",
    )
    page.wait_for_timeout(500)

    assert screen.text("#readout-load") == f"{load:.0f}"
    assert screen.text("#readout-radius") == f"{radius:.2f}"
    assert number(screen.text("#readout-moment")) == pytest.approx(moment / 1000, abs=0.0051)
    share = 100 * moment / result["plan"]["required_moment_nm"]
    assert number(screen.text("#readout-share")) == pytest.approx(share, abs=0.051)


def plan_of(page):
    """Boom and load as the plan has them drawn, m on the screen's axes, and the wheels' words."""
    return page.evaluate(
        """() => {
            const svg = document.querySelector("#plan svg");
            const shown = (part) => getComputedStyle(part).display !== "none";
            const at = (part, x, y) => {
                const onScreen = new DOMPoint(x, y).matrixTransform(part.getScreenCTM());
                const place = onScreen.matrixTransform(svg.getScreenCTM().inverse());
                return [place.x / 100, -place.y / 100];
            };
            const beam = svg.querySelector(".beam"), load = svg.querySelector(".load");
            const [x0, y0] = at(beam, ...["x1", "y1"].map((n) => Number(beam.getAttribute(n))));
            const [x, y] = at(beam, ...["x2", "y2"].map((n) => Number(beam.getAttribute(n))));
            const [load_x, load_y] = at(load, 0, 0);
            const wheels = [...svg.querySelectorAll(".wheel")];
            return { x0, y0, x, y, load_x, load_y,
                     load: [...load.children].filter(shown).map((part) => part.classList[0]).join(),
                     words: wheels.map((wheel) => wheel.querySelector(".word").textContent),
                     shapes: wheels.map((wheel) => [...wheel.children].filter(shown)
                         .map((part) => part.classList[0]).join(" ")) };
        }"""
    )


def test_dragging_the_scrubber_moves_plan_and_numbers(screen, run):
    """While the scrubber is dragged, boom, load and numbers follow it."""
    page = screen.open("/replay?run=both-sides")
    before = plan_of(page)
    track = page.locator("#scrubber input").bounding_box()
    y = track["y"] + track["height"] / 2
    page.mouse.move(track["x"] + 17, y)
    page.mouse.down()
    for share in (0.2, 0.3, 0.4):
        page.mouse.move(track["x"] + track["width"] * share, y)
    page.wait_for_function("() => Number(document.querySelector('#replay').dataset.shown) > 150")
    during = plan_of(page)
    slew_shown = screen.text("#readout-slew")
    shown_s = screen.shown_s()
    page.mouse.up()

    assert (during["x"], during["y"]) != (before["x"], before["y"])
    slew = reading(run, "slew", shown_s)
    assert number(slew_shown) == pytest.approx(abs(slew), abs=0.2)
    assert (during["load_x"], during["load_y"]) == pytest.approx(
        (during["x"], during["y"]), abs=1e-3
    )
    angle = np.degrees(np.arctan2(during["x"] - during["x0"], during["y0"] - during["y"]))
    assert angle == pytest.approx(slew, abs=0.2)


def test_the_plan_shows_where_load_and_wheels_are(screen, result):
    """Load full while hanging and hollow on the ground; the lifted wheel says so in a word."""
    screen.open("/replay?run=both-sides")
    lift = result["sweeps"][0]["first_lift"]
    change = result["sweeps"][0]["radius_changes"][0]
    screen.seek(lift["t_s"] + 0.01)
    lifted = plan_of(screen.page)
    screen.seek(change["t_s"] - 1)
    set_down = plan_of(screen.page)

    assert [("LIFTED" in w) for w in lifted["words"]] == [False, False, True, False]
    assert lifted["shapes"] == ["down name", "down name", "lifted name word", "down name"]
    assert lifted["load"] == "hanging"
    assert set_down["load"] == "ground"
    assert not any("LIFTED" in w for w in set_down["words"])


def test_events_are_reached_one_by_one(screen, result):
    """Next and previous event jump to the moments of the run, in order."""
    page = screen.open("/replay?run=both-sides&t=0")
    lift = result["sweeps"][0]["first_lift"]
    page.click("#next-event")
    page.wait_for_function("() => Number(document.querySelector('#replay').dataset.shown) > 1")
    hanging_s = screen.shown_s()
    page.click("#next-event")
    screen.goes_to(lift["t_s"])
    page.click("#previous-event")
    screen.goes_to(hanging_s)

    assert hanging_s < lift["t_s"]
    assert page.locator(".moment.now .kind").inner_text().endswith("Load hanging")


def test_play_runs_at_the_chosen_speed_and_pauses(screen):
    """Play moves the moment by as many seconds a second as the speed says."""
    page = screen.open("/replay?run=both-sides&t=20")
    screen.goes_to(20)
    page.click('#speed >> text="5×"')
    page.click("#play")
    page.wait_for_function("() => Number(document.querySelector('#replay').dataset.shown) > 20.5")
    start = page.evaluate(
        "[performance.now(), Number(document.querySelector('#replay').dataset.shown)]"
    )
    page.wait_for_timeout(1500)
    end = page.evaluate(
        "[performance.now(), Number(document.querySelector('#replay').dataset.shown)]"
    )
    assert screen.text("#play") == "Pause"
    page.click("#play")
    page.wait_for_timeout(300)
    rest = screen.shown_s()
    page.wait_for_timeout(400)

    assert (end[1] - start[1]) / (end[0] - start[0]) * 1000 == pytest.approx(5, rel=0.15)
    assert screen.text("#play") == "Play"
    assert screen.shown_s() == rest


def test_play_stops_at_the_end_of_the_run(screen, run):
    """The end of a run ends the replay."""
    end_s = run.span_ns[1] / 1e9
    page = screen.open(f"/replay?run=both-sides&t={end_s - 1:.3f}")
    page.click('#speed >> text="10×"')
    page.click("#play")
    page.wait_for_function("() => document.querySelector('#play').textContent === 'Play'")
    screen.goes_to(end_s)
    page.wait_for_timeout(300)

    assert screen.shown_s() == pytest.approx(end_s)


_GRAPH = "document.querySelector('#traces .js-plotly-plot')"


def test_zooming_draws_the_stretch_anew(screen, run):
    """A zoom shows the readings of that stretch: its lines at once, then all that Plotly draws."""
    page = screen.open("/replay?run=both-sides")
    page.evaluate("""() => {
        const restyle = window.Plotly.restyle;
        window.Plotly.restyle = (...asked) => { window.takeIn = () => restyle(...asked); };
    }""")
    box = page.locator("#traces .nsewdrag").nth(1).bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.30, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.31, y, steps=4)
    page.mouse.move(box["x"] + box["width"] * 0.34, y, steps=4)
    page.mouse.up()
    page.wait_for_function("() => window.takeIn")
    drawn = page.evaluate(
        f"() => {_GRAPH}.querySelector(`.trace${{{_GRAPH}._fullData[1].uid}} path.js-line`)"
        ".getAttribute('d')"
    )
    page.evaluate("window.takeIn()")
    low, high, wide_px, x = page.evaluate(
        f"""() => {{ const g = {_GRAPH}, {{ range, _length }} = g._fullLayout.xaxis;
                     return [...range, _length, Array.from(g._fullData[1].x)]; }}"""
    )
    load = run.calibrated("load", round(low * 1e9), round(high * 1e9))
    at_s = [low + float(v) / wide_px * (high - low) for v in re.findall(r"[ML](-?[\d.]+),", drawn)]

    seen = [t for t in x if low <= t < high]
    assert high - low < 60
    assert len(load) > 300
    assert len(seen) == pytest.approx(min(len(load), 2000), abs=3)
    assert at_s == pytest.approx(x, abs=0.01)


def test_colours_follow_the_system_and_the_switch(browser, address):
    """Dark where the system asks for it, and the switch turns it round, figures included."""
    screen = Screen(browser, address, color_scheme="dark")
    page = screen.open("/sectors?run=both-sides")
    ink = "() => document.querySelector('#sectors .js-plotly-plot').layout.font.color"
    dark = page.evaluate("getComputedStyle(document.body).backgroundColor"), page.evaluate(ink)
    page.click("#view summary")
    page.click("#view label:has-text('Day')")
    page.wait_for_function(
        "before => document.querySelector('#sectors .js-plotly-plot').layout.font.color !== before",
        arg=dark[1],
    )
    light = page.evaluate("getComputedStyle(document.body).backgroundColor"), page.evaluate(ink)
    screen.close()

    assert dark[0] != light[0]
    assert dark[1] == "#eef3f7"
    assert light[1] == "#15202b"
    assert screen.complaints == []


@pytest.mark.parametrize("path", ["/", "/replay?run=hostile", "/sectors?run=hostile"])
def test_nothing_is_cut_off_at_any_width(browser, address, path):
    """A long hostile name breaks no page: no sideways scrolling, targets of 44 px for gloves."""
    screen = Screen(browser, address)
    page = screen.open(path)
    page.wait_for_selector("h1")
    too_wide, small = [], []
    for width in (1280, 820, 390):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_timeout(1500)  # figures are drawn anew for a narrow screen
        if page.evaluate("document.documentElement.scrollWidth") > width:
            too_wide.append(width)
        small += page.evaluate(
            """() => [...document.querySelectorAll("button, .link, .brand, .button")]
                .filter((b) => b.offsetParent && b.getBoundingClientRect().height < 43.5)
                .map((b) => b.outerHTML.slice(0, 80))"""
        )
    image = page.locator("img[src=x]").count()
    screen.close()

    assert too_wide == []
    assert small == []
    assert image == 0
    assert screen.complaints == []


@pytest.fixture(scope="module")
def odd_address(tmp_path_factory):
    """Runs that lack something: all samples, the radius, the model, a wheel's later readings."""
    made = tmp_path_factory.mktemp("odd")
    sample = seal_sample(made, scenario="both-sides")
    whole = open_run(sample.path)
    blocks = {c: whole.raw(c) for c in whole.channels}
    silent = blocks | {"wheel/rear_left": whole.raw("wheel/rear_left", 0, 60_000_000_000)}
    for name, test_toml, kept in (
        ("empty", whole.header.test_toml, {}),
        ("no-radius", whole.header.test_toml, {c: b for c, b in blocks.items() if c != "radius"}),
        ("no-model", whole.header.test_toml.split("[model]")[0], blocks),
        ("silent", whole.header.test_toml, silent),
    ):
        header = replace(whole.header, run_id=name, test_toml=test_toml)
        write_sealed(made / f"{name}.parquet", header, [kept[c] for c in sorted(kept)])
    with served(made) as url:
        yield url


@pytest.mark.parametrize(
    ("run_id", "in_plan", "in_sectors"),
    [
        ("empty", "unknown: front left, front right, rear left, rear right", "no lifting"),
        ("no-radius", "radius —", "no lifting"),
        ("no-model", "radius 3.92 m", "100 %"),
        ("silent", "unknown: rear left", "no lifting"),
    ],
)
def test_a_run_that_lacks_something_is_shown_all_the_same(
    browser, odd_address, run_id, in_plan, in_sectors
):
    """Missing samples, radius, model or a silent switch: both pages open, and say so."""
    screen = Screen(browser, odd_address, viewport={"width": 1280, "height": 800})
    page = screen.open(f"/replay?run={run_id}&t=70")
    page.wait_for_function(
        "words => document.querySelector('#plan-words').textContent.includes(words)", arg=in_plan
    )
    screen.open(f"/sectors?run={run_id}")
    table = page.locator("table.plain").inner_text()
    screen.close()

    assert in_sectors in table
    assert screen.complaints == []


def test_a_run_that_proves_nothing_says_so_first(browser, odd_address):
    """That nothing is proved, and why, stands before all; a finding leads to its moment."""
    screen = Screen(browser, odd_address, viewport={"width": 390, "height": 900})
    page = screen.open("/sectors?run=no-radius")
    verdict = page.inner_text("#verdict")
    first = page.evaluate("document.querySelector('main section').id")
    severities = page.locator("#findings .severity").all_inner_texts()
    to_do = page.inner_text("#findings")
    page.locator("#findings .to-moment").first.click()
    page.wait_for_selector("#replay[data-run]")
    address = page.url
    screen.close()

    assert first == "verdict"
    assert "nothing proved" in verdict.lower()
    assert "This run proves nothing:" in verdict
    assert severities[0] == "✖ invalid"
    assert "To do: " in to_do
    assert "/replay?run=no-radius&t=" in address
    assert screen.complaints == []


def test_a_new_run_appears_in_the_open_list(browser, tmp_path):
    """Whoever records a run need not load the list again; its result follows."""
    with served(tmp_path) as url:
        screen = Screen(browser, url)
        page = screen.open("/")
        page.wait_for_selector("text=slewtrace demo")
        seal_sample(tmp_path, scenario="one-side")
        page.wait_for_selector("#runs-grid >> text=rear left lifted")
        rows = page.locator("#runs-grid .ag-row").count()
        screen.close()

    assert rows == 1
    assert screen.complaints == []


def test_a_run_that_is_not_there_is_told(screen):
    """An address with an unknown run leads back to the list."""
    page = screen.open("/")
    page.goto(screen.address + "/sectors?run=nobody")
    page.wait_for_selector("text=There is no such run")
    page.click("text=Back to the runs")
    page.wait_for_selector("#runs-grid")

    assert urlsplit(page.url).path == "/"


def test_no_page_of_the_project_names_another_server():
    """Our own scripts and styles hold no address of another machine."""
    assets = Path(__file__).parent.parent / "dashboard" / "assets"
    texts = [p.read_text(encoding="utf-8") for p in assets.iterdir() if p.is_file()]

    namespace = 'xmlns="http://www.w3.org/2000/svg"'  # a name, which nothing is asked of
    assert texts
    assert not any(re.search(r"https?://|//\w+\.\w+/", t.replace(namespace, "")) for t in texts)
