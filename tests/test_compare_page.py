"""The page Compare: what an address asks for, what is drawn of many runs, and the page itself."""

from __future__ import annotations

from dataclasses import replace
from urllib.parse import parse_qs, urlsplit

import pytest

from dashboard.comparing import compared_run
from dashboard.figures.lift_dots import dots_figure, dots_summary
from dashboard.figures.palette import LIGHT
from dashboard.figures.run_marks import MOST_DRAWN, mark_of
from dashboard.figures.run_overlay import (
    OverlaidRun,
    lines_of_run,
    overlay_figure,
    overlay_summary,
)
from dashboard.figures.units import SI, US
from dashboard.figures.words import shown_name, telling_names, wheel_words
from dashboard.pages.compare_choice import Comparison, read_comparison
from dashboard.pages.compared import LookedThrough, comparison_of
from dashboard.repeats.run_comparison import Asked, compare_runs
from dashboard.results import analyse
from dashboard.run_library import RunLibrary
from dashboard.run_readings import read_readings
from logger.errors import BadInput
from logger.recording.run import open_run
from tests.browsing import HOSTILE, Window, needs_chromium
from tests.made_run import TEST_TOML, MadeRun, full_sweep, reduced_sweep
from tests.made_sheets import sealed
from tests.served import served

HOSTILE_TEST = TEST_TOML.replace('id = "Bench truck"', f"id = {HOSTILE}\nbuild = {HOSTILE}")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two repeats of a hostile name, a run without a lift on one side, and a file that is none."""
    made = tmp_path_factory.mktemp("runs")
    for seed, name, lift_deg in ((1, "first", 84.6), (2, "second", 84.5)):
        script = MadeRun(seed=seed)
        reduced_sweep(script, 1, lift_at=lift_deg, wheel="rear_left", radius_m=3.4, limit=110)
        full_sweep(script, -1, limit=60)
        sealed(made, name, script, test=HOSTILE_TEST)
    sealed(made, "other", full_sweep(MadeRun(), 1, limit=60))
    (made / "cut.parquet").write_bytes((made / "first.parquet").read_bytes()[:999])
    return made


@pytest.fixture(scope="module")
def compared(folder):
    """Two runs as they are compared, with their readings."""
    runs = [open_run(folder / f"{name}.parquet") for name in ("first", "second")]
    readings = [read_readings(run) for run in runs]
    found = [compared_run(run, analyse(run), r) for run, r in zip(runs, readings, strict=True)]
    return found, readings


def test_a_comparison_is_an_address_and_back():
    """What is compared can be passed on as a link; what makes no sense is left out."""
    choice = Comparison(runs=("a b", "c&d"), against="c&d", limit_deg=2.5, anyway=True)
    asked = {k: v[-1] for k, v in parse_qs(urlsplit(choice.address).query).items()}

    assert read_comparison(asked) == choice
    assert Comparison().address == "/compare"
    assert read_comparison({"runs": "a,a,,b", "against": "z", "limit": "wide"}) == Comparison(
        runs=("a", "b")
    )
    assert read_comparison({"runs": ["a"], "limit": "-1"}).limit_deg is None


def test_no_two_of_many_runs_are_drawn_alike():
    """Shape, dash and shade together differ for as many runs as one figure shows."""
    marks = [mark_of(number, LIGHT) for number in range(1, MOST_DRAWN + 1)]

    assert len({m.symbol for m in marks}) == MOST_DRAWN
    assert len({(m.dash, m.colour) for m in marks}) == MOST_DRAWN


def test_an_overlay_numbers_each_line_and_keeps_to_the_units(compared):
    """Each run's number stands above all lines, struck where the run is set aside."""
    found, readings = compared
    lines = lines_of_run(found[0].result, readings[0])
    runs = [
        OverlaidRun(number=n, of=2, lines=lines, lifts_deg=(84.6,), set_aside=n == 2)
        for n in (1, 2)
    ]
    figure = overlay_figure(runs, LIGHT)
    feet = overlay_figure(runs, LIGHT, units=US)
    names = [t.name for t in figure.data]
    numbers = {n: next(t for t in figure.data if t.name == f"number {n}") for n in (1, 2)}
    moment = [[t for t in f.data if t.name == "run 1"][2].y for f in (figure, feet)]

    assert max(i for i, n in enumerate(names) if n.startswith("run ")) < names.index("number 1")
    assert (numbers[1].text[0], numbers[2].text[0]) == ("1", "<s>2</s>")
    assert next(t for t in figure.data if t.name == "run 2").opacity < 1
    assert moment[0][5] * SI.moment.si_in_one == pytest.approx(
        moment[1][5] * US.moment.si_in_one, rel=1e-5
    )
    assert "Runs 1, 2" in overlay_summary(runs)
    assert "No sweep" in overlay_summary([])


def test_dots_show_lifts_with_intervals_and_where_none_came(compared):
    """A dot a run with its interval; an arrow at what was swept; names are no markup."""
    document = compare_runs(compared[0], Asked(limit_deg=2.0))
    figure = dots_figure(document, LIGHT)
    lift = document["quantities"][0]["values"][0]
    dot = next(t for t in figure.data if t.name == "run 1, right")
    none = next(t for t in figure.data if t.name == "no lift, left")

    assert dot.x == (lift["value"],)
    assert dot.x[0] - dot.error_x.arrayminus[0] == pytest.approx(lift["interval"][0])
    assert len(none.x) == 2
    assert len(figure.layout.shapes) == 2
    assert "Left: no wheel lifted" in dots_summary(document)
    assert "<img" not in figure.to_json()


def test_runs_of_one_test_are_told_apart_by_their_ids(compared):
    """In a figure's labels: the test's name where it is the only one, else the run's id."""
    ids = [f"a-test-with-a-long-name-2026110{day}T093000Z" for day in (1, 2)]
    repeats = [{"test": "same", "run_id": run_id} for run_id in ids]
    document = compare_runs(compared[0], Asked())
    labels = dots_figure(document, LIGHT).layout.yaxis.ticktext

    assert telling_names([*repeats, {"test": "other", "run_id": "x"}]) == [
        "a-test-wi…20261101T093000Z",
        "a-test-wi…20261102T093000Z",
        "other",
    ]
    assert labels == ("first  1", "second  2")


def test_a_name_is_not_read_reversed():
    """Characters that force a direction go; a name of right-to-left letters stays as it is."""
    assert shown_name("\u202eA\u2066B\u2069\u202c") == "AB"
    assert shown_name("رافعة ١\u200f") == "رافعة ١\u200f"
    assert wheel_words("rear\u202e_left") == "rear left"


def test_runs_that_can_not_be_compared_are_told_and_the_rest_is(folder):
    """A missing run is a line; other trucks are refused; one alone is nothing to compare."""
    library = RunLibrary(folder, analyse=analyse)
    looked = LookedThrough(library)
    found = looked.find(Comparison(runs=("first", "gone", "second")))
    again = looked.find(Comparison(runs=("first",)))
    others = looked.find(Comparison(runs=("first", "other")))
    document = comparison_of(found, Comparison(against="gone"))

    assert [r.header.run_id for r in found.runs] == ["first", "second"]
    assert found.missing == ("gone: there is no such run in this folder",)
    assert again.looked[0].lines is found.looked[0].lines
    assert document["against"] == "first"
    with pytest.raises(BadInput, match="different trucks"):
        comparison_of(others, Comparison())
    with pytest.raises(BadInput, match="nothing to compare"):
        comparison_of(again, Comparison())
    assert comparison_of(others, Comparison(anyway=True))["findings"][0]["other_test"]
    aside = replace(found.looked[1].compared, set_aside=None)
    assert aside == found.looked[1].compared
    library.close()


class TestInABrowser:
    """The page as people use it."""

    pytestmark = needs_chromium

    def test_runs_are_marked_compared_and_set_aside(self, browser, folder):
        """Marked in the list, side by side, set aside with a reason that stays in other units."""
        with served(folder) as address:
            opened = Window(browser)
            page = opened.page
            page.goto(address)
            for name in ("first", "second"):
                row = page.locator(f".ag-row[row-id='{name}']")
                row.locator("[col-id='ag-Grid-SelectionColumn']").click()
            page.click("#runs-compare:has-text('Compare 2 runs')")
            page.wait_for_selector("#compare-overlay .main-svg")
            cells = page.inner_text("#compare-body")
            heads = page.locator(".sectors-of thead .name").all_inner_texts()
            link = page.locator("#compare-body a[href^='/replay']").first.get_attribute("href")
            page.click("#setting-aside summary")
            page.click("#aside-run")
            page.locator("[role=option]:visible", has_text="2: made-1").click()
            page.fill("#aside-reason", "wet <b>ground</b>")
            page.fill("#aside-by", "A. B.")
            page.click("#aside-out")
            page.wait_for_selector("#compare-who:has-text('1 of 2 runs count')")
            page.click("#view summary")
            page.click("#view label:has-text('lb, ft')")
            page.wait_for_selector("#compare-body td:has-text('ft·lbf')")
            who = page.inner_text("#compare-who")
            url = page.url
            opened.close()

        # The list of runs was left while it was told something.
        left = "SET_PROPS: Component runs-mark not found"
        assert [c for c in opened.complaints if left not in c] == []
        assert "first lift at" in cells
        assert sorted(heads) == ["first", "second"]
        assert "84.6" in cells
        assert "provisional" in cells
        assert "run=" in link and "t=" in link  # noqa: PT018
        assert "wet <b>ground</b>" in who
        assert "by A. B." in who
        assert {"first", "second"} == set(parse_qs(urlsplit(url).query)["runs"][0].split(","))
        assert (folder / "second.set_aside.jsonl").exists() or (
            folder / "first.set_aside.jsonl"
        ).exists()
