"""The fleet's page: what is chosen, what is drawn of many runs, and the page itself."""

from __future__ import annotations

import json
import threading
from datetime import date
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from plotly.utils import PlotlyJSONEncoder

from dashboard.catalogue.places import catalogue_place
from dashboard.catalogue.queries import open_catalogue
from dashboard.figures.control_points import (
    MOST_OF_RULE,
    MOST_POINTS,
    ChartPhase,
    ChartSignal,
    ControlChart,
    drawn_in,
    drawn_runs,
    hidden_signals,
)
from dashboard.figures.fleet_histogram import Spread, bars_of, histogram_summary
from dashboard.figures.fleet_sectors import SectorTable, around, around_summary
from dashboard.figures.palette import LIGHT
from dashboard.figures.units import SI, US
from dashboard.pages import fleet
from dashboard.pages.fleet_choice import NO_BUILD, FleetChoice, read_fleet_choice
from dashboard.pages.fleet_reading import read_view
from dashboard.pages.fleet_spreads import lifts_figure, percentages_figure, sectors_figure
from dashboard.pages.fleet_status import behind
from dashboard.pages.fleet_trend import trend_of
from dashboard.pages.fleet_trend_card import trend_figure, trend_summary
from dashboard.pages.page import read_query
from dashboard.repeats.individuals import chart
from dashboard.run_library import RunLibrary
from tests.browsing import Screen, needs_chromium
from tests.made_catalogue import HOSTILE, files_of, fleet_rows, write_fleet
from tests.sample_runs import seal_sample
from tests.served import served


def shown(folder, search="", units=SI):
    """The page of a folder as it is sent."""
    library = RunLibrary(folder, analyse=lambda _: {})
    try:
        page = fleet.layout(library, None, read_query(search, units=units))
        return json.dumps(page, cls=PlotlyJSONEncoder, ensure_ascii=False)
    finally:
        library.close()


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    """A folder with a catalogue of 900 made runs with hostile names, and no file."""
    folder = tmp_path_factory.mktemp("many")
    write_fleet(folder, *fleet_rows(900, hostile=True))
    return folder


def test_a_choice_of_a_fleet_is_an_address_and_back():
    """Whatever a truck is called; what makes no sense is left out."""
    choice = FleetChoice(
        truck="A & B ? <i>",
        build=NO_BUILD,
        kit="kit+1",
        since=date(2026, 1, 5),
        until=date(2026, 3, 1),
        column="left_least_percent",
        limit=2.5,
        rows="signals",
        page=3,
    )
    asked = {k: v[-1] for k, v in parse_qs(urlsplit(choice.address).query).items()}
    nonsense = {"from": "tomorrow", "page": "-3", "quantity": "run_id", "limit": "-1", "rows": "x"}

    assert read_fleet_choice(asked) == choice
    assert (choice.filters.builds, choice.filters.until_utc) == (("",), "2026-03-02")
    assert read_fleet_choice(nonsense) == FleetChoice()
    assert FleetChoice().address == "/fleet"


def test_bars_count_every_value_once_and_full_capacity_stands_alone():
    """No value falls between bars; 100 % shares its bar with nothing less."""
    rng = np.random.default_rng(3)
    left = np.sort(np.append(rng.uniform(60, 99.9, 500), np.full(7, 100.0)))
    spreads = (Spread(side="right", values=np.array([80.0])), Spread(side="left", values=left))
    bars = bars_of(spreads)
    one = bars_of((Spread(side="right", values=np.array([74.25])),))
    beside = Spread(side="left", values=left[:1], beside=(("no lift", 1200),))

    assert [int(c.sum()) for c in bars.counts] == [1, 507]
    assert bars.counts[1][bars.edges[:-1] == 100.0] == 7
    assert bars.edges.size < 40
    assert (one.edges[0], one.counts[0].sum()) == (74.0, 1)
    assert bars_of((Spread(side="right", values=np.empty(0)),)) is None
    assert "1 run with a lift" in histogram_summary(beside, what="a lift", digits=0, unit="°")
    assert "1\u202f200 no lift" in histogram_summary(beside, what="a lift", digits=0, unit="°")


def test_what_runs_allow_at_an_angle_is_that_of_the_sector_there():
    """Percentages are of tested runs; runs without a sector count as untested."""
    right = SectorTable(
        from_deg=np.array([0.0, 70.0, 0.0, 100.0]),
        to_deg=np.array([70.0, 170.0, 100.0, 180.0]),
        percent=np.array([100.0, 80.0, 100.0, 0.0]),
        runs=np.array([1.0, 1.0, 1.0, 1.0]),
    )
    none = SectorTable(**dict.fromkeys(("from_deg", "to_deg", "percent", "runs"), np.empty(0)))
    found = around(right, none, runs=4)
    at = {angle: i for i, angle in enumerate(found.slew_deg.tolist())}
    near, far = at[2.5], at[122.5]

    assert np.allclose(found.full + found.reduced + found.untested, 1)
    assert (found.full[near], found.untested[near]) == (0.5, 0.5)
    assert (found.median[far], found.reduced[far], found.untested[far]) == (80, 0.25, 0.75)
    assert np.isnan(found.median[at[-2.5]])
    assert "80\u202f%" in around_summary(found)
    assert "No run" in around_summary(around(none, none, runs=4))


def chart_of(values, signals=()):
    """A control chart of one phase."""
    ranges = np.abs(np.diff(values, prepend=np.nan))
    phase = ChartPhase(
        name="b",
        first=0,
        end=values.size,
        mean=0,
        lower=None,
        upper=None,
        range_mean=None,
        range_upper=None,
    )
    return ControlChart(
        values=values,
        ranges=ranges,
        phases=(phase,),
        signals=signals,
        value_title="",
        range_title="",
        days=[""] * values.size,
    )


def test_few_points_of_many_runs_hold_every_extreme_and_every_signal():
    """Of 50,000 runs some hundred are drawn; of too many signals the farthest."""
    values = np.random.default_rng(5).normal(0, 1, 50_000)
    few = ChartSignal(words="beyond", mark="circle", at=tuple(range(100, 50_000, 500)))
    too_many = ChartSignal(words="one side", mark="circle", at=tuple(range(20_000, 30_000)))
    drawn = drawn_runs(chart_of(values, (few,)))
    crowded = chart_of(values, (few, too_many))
    farthest = 20_000 + int(np.argmax(np.abs(values[20_000:30_000])))

    assert set(few.at) | {int(values.argmin()), int(values.argmax())} <= set(drawn.tolist())
    assert drawn.size <= MOST_POINTS + len(few.at)
    assert hidden_signals(chart_of(values, (few,))) == 0
    assert drawn_runs(crowded).size <= MOST_POINTS + len(few.at) + MOST_OF_RULE
    assert farthest in drawn_runs(crowded)
    assert hidden_signals(crowded) == len(
        ({*few.at} | {*too_many.at}) - {*drawn_in(crowded, of_range=False).tolist()}
    )
    assert drawn_runs(chart_of(values[:300])).size == 300


def test_builds_that_take_turns_are_charted_build_by_build():
    """Phases of single runs would have no limits; runs without a value are left out."""
    values = np.array([1.0, 5.0, np.nan, 2.0, 6.0, 3.0, 7.0])
    mixed = trend_of(values, np.array([*"abaabab"], object), 1.0)
    row = trend_of(np.arange(30.0) % 3, np.full(30, "a", object), 1.0)

    assert mixed.by_build
    assert mixed.numbers.tolist() == [0, 3, 5, 1, 4, 6]
    assert [p.build for p in mixed.found.phases] == ["a", "b"]
    assert np.isnan(mixed.ranges()[[0, 3]]).all()
    assert mixed.ranges()[[1, 2, 4, 5]].tolist() == [1, 1, 1, 1]
    assert not row.by_build
    assert trend_of(np.array([np.nan]), np.array(["a"], object), 1.0) is None


def test_signals_of_the_page_are_those_of_the_chart():
    """Row by row, what the statistics point out is what table and figure mark."""
    values = np.random.default_rng(2).normal(80, 1, 60)
    values[40] += 9
    values[[5]] = np.nan
    found = trend_of(values, np.full(60, "a", object), 1.0)
    rows = np.flatnonzero(np.isfinite(values))
    beyond = [s for s in chart(values[rows].tolist()).signals if s.rule == "beyond_limit"]

    assert "beyond_limit" in found.told[40]
    assert {rows[s.start] for s in beyond} == {
        row for row, rules in found.told.items() if "beyond_limit" in rules
    }
    assert {40, 41} <= {r for r, rules in found.told.items() if "range_beyond_limit" in rules}


def test_a_folder_without_a_catalogue_or_with_a_damaged_one_says_what_to_do(tmp_path):
    """The command names the folder; a damaged catalogue is one line, not a failure."""
    bare = shown(tmp_path)
    write_fleet(tmp_path, *fleet_rows(0))
    empty = shown(tmp_path)
    catalogue_place(tmp_path).put("catalogue.json", b"{")
    damaged = shown(tmp_path)

    assert f"slewtrace fleet {tmp_path}" in bare
    assert "holds no run" in empty
    assert "can't be read" in damaged
    assert "is damaged" in damaged


@pytest.mark.parametrize("count", [1, 12, 900])
def test_each_size_of_fleet_is_told_in_words_and_drawn(tmp_path, count):
    """Every run is counted in the words and stands in the chart or beside it."""
    runs, sectors = fleet_rows(count, trucks=1)
    write_fleet(tmp_path, runs, sectors)
    page = shown(tmp_path, units=US)
    catalogue = open_catalogue(tmp_path)
    view = read_view(catalogue, FleetChoice())
    figures = [
        trend_figure(view, LIGHT, narrow=True, units=SI),
        lifts_figure(view, LIGHT, narrow=False),
        percentages_figure(view, LIGHT, narrow=True),
        sectors_figure(view, LIGHT, narrow=False),
    ]
    lifted = sum(r["right_lift_deg"] is not None for r in runs)

    assert f'{{"children": "{count}"' in page
    assert ("Provisional" in page) == (count <= 12)
    assert view.lifts[0].values.size == lifted
    assert view.lifts[0].values.size + sum(n for _, n in view.lifts[0].beside) == count
    assert f"{lifted} run" in trend_summary(view, view.trend, SI)
    assert all(len(json.dumps(f, cls=PlotlyJSONEncoder)) < 400_000 for f in figures)


def test_a_moment_is_read_in_the_units_that_were_chosen(tmp_path):
    """The practical limit too."""
    write_fleet(tmp_path, *fleet_rows(12))
    asked = "?quantity=left_proved_moment_nm&limit=1355.8"

    assert "practical limit ± 1000\u202fft·lbf" in shown(tmp_path, asked, units=US)
    assert "practical limit ± 1.356\u202fkN·m" in shown(tmp_path, asked)


def test_names_from_files_are_text_in_page_and_figures(many):
    """No markup of a truck, test or build reaches a figure; a choice of one holds."""
    view = read_view(open_catalogue(many), FleetChoice(truck=HOSTILE))
    figure = trend_figure(view, LIGHT, narrow=False, units=SI)
    told = json.dumps(figure, cls=PlotlyJSONEncoder)

    assert 0 < view.runs.num_rows < 900
    assert "&lt;img" in told
    assert "<img" not in told
    assert "<b>build" not in told
    assert "No run fits" in shown(many, "?truck=nobody")


def test_newer_and_lost_files_are_counted(tmp_path):
    """A file that came, one that changed and one that went; what was set aside is no newer run."""
    for name in ("a", "b", "c", "bad"):
        (tmp_path / f"{name}.parquet").write_bytes(name.encode())
    files = [f for f in files_of(tmp_path) if f["path"] != "bad.parquet"]
    aside = [{"path": "bad.parquet", "reason": "<b>no run</b>"}]
    write_fleet(tmp_path, *fleet_rows(3), set_aside=aside, files=files)
    before = behind(tmp_path, open_catalogue(tmp_path))
    (tmp_path / "b.parquet").write_bytes(b"longer")
    (tmp_path / "below").mkdir()
    (tmp_path / "below" / "d.parquet").write_bytes(b"d")
    (tmp_path / "c.parquet").unlink()

    assert before == (0, 0)
    assert behind(tmp_path, open_catalogue(tmp_path)) == (2, 1)
    assert "1 file set aside" in shown(tmp_path)


def test_a_run_below_the_folder_is_found_by_the_catalogue(tmp_path):
    """So each line of the fleet leads to its run; a path that leads out of the folder does not."""
    below, outside = tmp_path / "runs" / "truck-1", tmp_path / "secret"
    below.mkdir(parents=True)
    outside.mkdir()
    seal_sample(below, scenario="steady", run_id="inside")
    seal_sample(outside, scenario="steady", run_id="outside")
    runs, sectors = fleet_rows(2)
    runs[0] |= {"run_id": "inside", "path": "truck-1/inside.parquet"}
    runs[1] |= {"run_id": "outside", "path": "../secret/outside.parquet"}
    write_fleet(tmp_path / "runs", runs, sectors)
    analysed = []
    library = RunLibrary(tmp_path / "runs", analyse=lambda run: analysed.append(run) or {})
    run = library.find("inside")
    library.result(run).result(timeout=60)
    library.result(library.find("inside")).result(timeout=60)
    found = library.find("outside"), library.find("nobody"), library.shelf().runs
    library.close()

    assert run.header.run_id == "inside"
    assert len(analysed) == 1
    assert found == (None, None, ())


def write_many(folder):
    """A catalogue of 420 made runs, of a real one in a folder below, and of a file set aside."""
    runs, sectors = fleet_rows(420, hostile=True)
    runs[-1] |= {"run_id": "real", "path": "below/real.parquet", "truck": "Real truck"}
    runs[-1] |= {"right_lift_deg": 120.0}
    aside = [{"path": "bad.parquet", "reason": "<b>not a run</b>"}]
    write_fleet(folder, runs, sectors, set_aside=aside, files=files_of(folder))


def test_a_dashboard_that_is_stopped_at_once_ends_in_peace(many):
    """Its database is given up before the program ends, however far the first view has come."""
    library = RunLibrary(many, analyse=lambda _: {})
    catalogue = library.catalogue.now()
    reading, go_on = threading.Event(), threading.Event()

    def slow():
        reading.set()
        go_on.wait(timeout=60)
        return catalogue.count()

    made = []
    reader = threading.Thread(
        target=lambda: made.append(library.catalogue.once(catalogue, "slow", slow))
    )
    reader.start()
    reading.wait(timeout=60)
    closer = threading.Thread(target=library.close)
    closer.start()
    closer.join(timeout=0.2)
    waited = closer.is_alive()
    go_on.set()
    closer.join(timeout=60)
    reader.join(timeout=60)
    fleet.prepare(library)

    assert waited
    assert made == [900]
    assert library.catalogue.now() is None
    with pytest.raises(RuntimeError, match="closed"):
        library.catalogue.once(catalogue, "more", catalogue.count)


@pytest.mark.browser
@needs_chromium[1]
def test_the_page_makes_a_catalogue_narrows_pages_and_opens_a_run(browser, tmp_path):
    """In Chromium: a choice is an address that *back* undoes; a point and a line open their run."""
    (tmp_path / "below").mkdir()
    seal_sample(tmp_path / "below", scenario="steady", run_id="real")
    with served(tmp_path) as address:
        screen = Screen(browser, address, viewport={"width": 1280, "height": 900})
        page = screen.page
        try:
            page.goto(f"{address}/fleet")
            page.click("#fleet-make")
            page.wait_for_selector(".counts >> text=1 run")
            write_many(tmp_path)
            page.goto(f"{address}/fleet")
            page.wait_for_selector("#fleet-trend .main-svg")
            page.wait_for_selector("#fleet-age >> text=up to date")

            assert "420" in page.inner_text(".counts")
            page.focus("#fleet-f-build")
            page.select_option("#fleet-f-build", "<b>build 2</b>")
            page.wait_for_selector(".counts >> text=140")
            page.wait_for_function("() => document.activeElement.id === 'fleet-f-build'")
            assert "build=%3Cb%3Ebuild+2" in page.url
            page.go_back()
            page.wait_for_selector(".counts >> text=420")
            assert page.input_value("#fleet-f-build") == ""
            page.evaluate("scrollTo(0, document.documentElement.scrollHeight)")
            page.wait_for_selector("#fleet-around .main-svg")
            page.click("a:has-text('Older')")
            page.wait_for_selector("text=26 to 50 of 420")
            page.click("a:has-text('Newest')")
            page.wait_for_selector("text=1 to 25 of 420")
            page.set_viewport_size({"width": 390, "height": 844})
            page.wait_for_function("() => document.documentElement.scrollWidth <= 390")
            page.set_viewport_size({"width": 1280, "height": 900})
            page.locator(".fleet-table a.open").first.focus()
            page.keyboard.press("Enter")
            page.wait_for_function("() => location.pathname === '/sectors'")
            assert page.url.endswith("/sectors?run=real")
            page.go_back()
            page.wait_for_selector("#fleet-trend .main-svg")
            page.wait_for_selector("#fleet-age >> text=up to date")
            click_last_point(page)
            page.wait_for_function("() => location.search === '?run=real'")
            assert screen.complaints == []
        finally:
            screen.close()


def click_last_point(page):
    """Clicks the last point of the control chart, which may be drawn anew meanwhile."""
    for _ in range(100):
        x, y = page.evaluate(
            """() => {
                document.getElementById("fleet-trend")?.scrollIntoView({ block: "center" });
                const graph = document.querySelector("#fleet-trend .js-plotly-plot");
                if (!graph || !graph._fullLayout || !graph._fullLayout.xaxis) return [0, 0];
                const { xaxis, yaxis } = graph._fullLayout;
                const trace = graph._fullData.find((t) => t.customdata && t.yaxis === "y");
                const box = graph.getBoundingClientRect(), last = trace.x.length - 1;
                return [box.left + xaxis._offset + xaxis.d2p(trace.x[last]),
                        box.top + yaxis._offset + yaxis.d2p(trace.y[last])];
            }"""
        )
        page.mouse.move(x - 3, y)
        page.mouse.move(x, y)
        page.wait_for_timeout(200)
        if page.query_selector("#fleet-trend .hoverlayer .hovertext"):
            page.mouse.click(x, y)
            return
    pytest.fail("the last point of the control chart told nothing of itself")
